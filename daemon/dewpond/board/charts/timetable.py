"""One supply's night: time runs to the right, flow stands upwards, capacity is the ceiling, the window the floor."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from dewpond.board.charts.svg import box, drawing, el, line, nice_step, text

WIDTH, HEIGHT, LEFT, RIGHT, TOP, FOOT = 480.0, 210.0, 46.0, 464.0, 26.0, 166.0


@dataclass(frozen=True, slots=True)
class Bar:
    """One opening: when [s on the drawing's own axis], how much flow, its number in the table, and its words."""

    start_s: float
    seconds: float
    flow: float
    label: str
    said: str
    state: str
    link: str


@dataclass(frozen=True, slots=True)
class Tick:
    at_s: float
    label: str
    fine: bool  # left out on narrow screens


def stacked(bars: Sequence[Bar]) -> list[float]:
    """How high each bar's foot stands so that bars that run at the same time lie on each other, the earlier below."""
    feet: list[float] = []
    for index, bar in enumerate(bars):
        beside = sorted(
            (feet[other], feet[other] + bars[other].flow)
            for other in range(index)
            if bars[other].start_s < bar.start_s + bar.seconds
            and bar.start_s < bars[other].start_s + bars[other].seconds
        )
        foot = 0.0
        for low, high in beside:
            if foot + bar.flow <= low + 1e-9:
                break
            foot = max(foot, high)
        feet.append(foot)
    return feet


def _together(one: Bar, other: Bar) -> bool:
    return one.start_s < other.start_s + other.seconds and other.start_s < one.start_s + one.seconds


def _topmost(bars: Sequence[Bar], feet: Sequence[float]) -> list[bool]:
    """Whether nothing lies on a bar, so that a number may stand above it."""
    heads = [foot + bar.flow - 1e-9 for foot, bar in zip(feet, bars, strict=True)]
    return [
        not any(foot >= head and _together(bar, other) for other, foot in zip(bars, feet, strict=True))
        for bar, head in zip(bars, heads, strict=True)
    ]


def timetable(
    bars: Sequence[Bar],
    ticks: Sequence[Tick],
    *,
    span_s: float,
    window: tuple[float, float],
    now_s: float | None,
    capacity: float | None,
    unit: str,
    said: str,
) -> Markup:
    """The drawing. All times in seconds from its left edge, all flows in one ``unit``."""
    feet = stacked(bars)
    most = max([capacity or 0.0, *(foot + bar.flow for foot, bar in zip(feet, bars, strict=True)), 1.0])
    step = nice_step(most, 4)
    top = most * 1.18

    def x(seconds: float) -> float:
        return LEFT + (RIGHT - LEFT) * min(1.0, max(0.0, seconds / span_s))

    def y(flow: float) -> float:
        return FOOT - (FOOT - TOP) * flow / top

    parts = [box(x(window[0]), TOP, x(window[1]) - x(window[0]), FOOT - TOP, "window")]
    parts += [_level(y(level), f"{level:g}") for level in _levels(most, step)]
    parts += [mark for tick in ticks for mark in _tick(x(tick.at_s), tick)]
    if capacity:
        parts += [
            line(LEFT, y(capacity), RIGHT, y(capacity), "capacity"),
            text(RIGHT, y(capacity) - 5, "capacity", "t", "end"),
        ]
    if now_s is not None and 0 <= now_s <= span_s:
        parts += [
            line(x(now_s), TOP - 8, x(now_s), FOOT + 4, "now"),
            text(x(now_s), TOP - 11, "now", "t strong", "middle"),
        ]
    numbers: list[tuple[float, float]] = []
    for bar, foot, free in zip(bars, feet, _topmost(bars, feet), strict=True):
        edges = (x(bar.start_s), x(bar.start_s + bar.seconds), y(foot), y(foot + bar.flow))
        parts.append(_bar(bar, *edges, numbers if free else None))
    parts += [line(LEFT, FOOT, RIGHT, FOOT, "axis"), text(2, 14, unit), text(LEFT, HEIGHT - 6, "window shaded", "t")]
    return drawing(WIDTH, HEIGHT, said, *parts, class_="drawing timetable")


def _levels(most: float, step: float) -> list[float]:
    return [i * step for i in range(int(most / step + 1e-9) + 1)]


def _level(y: float, label: str) -> Markup:
    return line(LEFT, y, RIGHT, y, "grid") + text(LEFT - 6, y + 5, label, "t", "end")


def _tick(x: float, tick: Tick) -> list[Markup]:
    kind = " fine" if tick.fine else ""
    return [line(x, FOOT, x, FOOT + 6, "axis"), text(x, FOOT + 22, tick.label, f"t{kind}", "middle")]


def _bar(
    bar: Bar, left: float, right: float, foot: float, head: float, numbers: list[tuple[float, float]] | None
) -> Markup:
    """The bar with its number inside, or above it where it is narrow and the ``numbers`` already there leave room."""
    width = max(3.0, right - left)
    room = 10.0 * len(bar.label)
    inside = width >= room + 6 and foot - head >= 18 and bar.state != "dropped"
    x, y = left + width / 2, (foot + head) / 2 + 5 if inside else head - 4
    parts = [el("title", bar.said), box(left, head, width, foot - head, f"bar {bar.state}")]
    if inside:
        parts.append(text(x, y, bar.label, "t on-bar", "middle"))
    elif numbers is not None and all(abs(x - at) > room + 4 or abs(y - up) > 16 for at, up in numbers):
        numbers.append((x, y))
        parts.append(text(x, y, bar.label, "t over", "middle"))
    return el("a", *parts, href=bar.link, aria_label=bar.said)
