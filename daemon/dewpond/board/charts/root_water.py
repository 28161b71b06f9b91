"""Root-zone water over the weeks: what is missing below field capacity hangs down, rain and irrigation stand up."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from markupsafe import Markup

from dewpond.board.charts.svg import box, drawing, due_line, el, line, nice_step, path, text

WIDTH, HEIGHT, LEFT, RIGHT, TOP, FOOT = 480.0, 300.0, 46.0, 470.0, 34.0, 266.0


@dataclass(frozen=True, slots=True)
class WaterDay:
    """One site calendar day, all depths in one unit: missing at the end of the day, its uncertainty, and what came in.

    ``rain`` is NaN where it was not measured. ``label`` stands below the day, empty where none is wanted.
    """

    date: date
    missing: float
    sd: float
    rain: float
    irrigation: float
    due: float
    store: float
    label: str = ""


class _Frame:
    """Where a day and a depth stand on the paper."""

    def __init__(self, days: Sequence[WaterDay]) -> None:
        self.store = max(1e-6, *(day.store for day in days))
        tallest = max(_known(day.rain) + _known(day.irrigation) for day in days)
        # One cloudburst must not flatten the season: taller bars end in a break and carry their figure.
        self.above = min(max(tallest, self.store * 0.15), self.store * 1.5)
        self.scale = (FOOT - TOP) / (self.above + self.store)
        self.pitch = (RIGHT - LEFT) / len(days)
        self.full = TOP + self.above * self.scale

    def x(self, index: int) -> float:
        return LEFT + (index + 0.5) * self.pitch

    def y(self, missing: float) -> float:
        return self.full + self.scale * min(self.store, max(-self.above, _known(missing)))

    def across(self, missing: Sequence[float]) -> list[tuple[float, float]]:
        """A course through the days, carried level to both edges."""
        inner = [(self.x(i), self.y(value)) for i, value in enumerate(missing)]
        return [(LEFT, inner[0][1]), *inner, (RIGHT, inner[-1][1])]


def root_water(days: Sequence[WaterDay], *, unit: str, said: str) -> Markup:
    """The drawing, oldest day first; nothing without days."""
    if not days:
        return Markup("")
    frame = _Frame(days)
    front = frame.across([day.missing for day in days])
    return drawing(
        WIDTH,
        HEIGHT,
        said,
        _hatching(),
        box(LEFT, frame.full, RIGHT - LEFT, frame.store * frame.scale, "dry"),
        path([*front, (RIGHT, FOOT), (LEFT, FOOT)], "damp", closed=True),
        _doubt(days, frame),
        *_levels(frame),
        *(bar for i, day in enumerate(days) for bar in _bars(day, frame.x(i), frame)),
        path(front, "front"),
        due_line(frame.across([day.due for day in days])),
        line(LEFT, frame.full, RIGHT, frame.full, "axis"),
        text(2, 16, unit),
        *_names(days, frame),
        class_="drawing root-water",
    )


def _names(days: Sequence[WaterDay], frame: _Frame) -> list[Markup]:
    """Names below their days; the last one ends with the drawing."""
    names = []
    for index, day in enumerate(days):
        at_edge = frame.x(index) > RIGHT - 24
        if day.label:
            x = WIDTH - 2 if at_edge else frame.x(index)
            names.append(text(x, HEIGHT - 10, day.label, "t", "end" if at_edge else "middle"))
    return names


def _hatching() -> Markup:
    stroke = el("path", d="M0 5L5 0", class_="rain-stroke")
    return el("defs", el("pattern", stroke, id="rain", width=5, height=5, patternUnits="userSpaceOnUse"))


def _doubt(days: Sequence[WaterDay], frame: _Frame) -> Markup:
    """One standard deviation to both sides of the belief, where there is any to show."""
    if all(_known(day.sd) * frame.scale < 1 for day in days):
        return Markup("")
    wetter = frame.across([max(0.0, day.missing - _known(day.sd)) for day in days])
    drier = frame.across([day.missing + _known(day.sd) for day in days])
    return path([*wetter, *reversed(drier)], "doubt", closed=True)


def _levels(frame: _Frame) -> list[Markup]:
    """Depths on the axis: above the line what came in, below it what is missing."""
    step = nice_step(frame.above + frame.store, 7)
    first, last = -int(frame.above / step + 1e-9), int(frame.store / step + 1e-9)
    marks = []
    for index in range(first, last + 1):
        y = frame.y(index * step)
        marks.append(line(LEFT - 4, y, LEFT, y, "axis"))
        marks.append(text(LEFT - 7, y + 5, f"{abs(index * step):g}", "t", "end"))
    return marks


def _bars(day: WaterDay, x: float, frame: _Frame) -> list[Markup]:
    """Irrigation stands on the line, rain on top of it."""
    width = max(2.0, frame.pitch * 0.72)
    irrigation, rain = _known(day.irrigation), _known(day.rain)
    watered = min(irrigation, frame.above)
    fallen = min(rain, frame.above - watered)
    parts = []
    if watered > 0:
        parts.append(box(x - width / 2, frame.y(-watered), width, watered * frame.scale, "irrigation"))
    if fallen > 0:
        parts.append(box(x - width / 2, frame.y(-watered - fallen), width, fallen * frame.scale, "rain"))
    if irrigation + rain > frame.above + 1e-9:
        parts.append(text(x, TOP - 6, f"{irrigation + rain:.3g}", "t", "middle"))
    return parts


def _known(value: float) -> float:
    return value if math.isfinite(value) else 0.0
