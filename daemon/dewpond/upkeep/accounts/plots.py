"""The drawings of a report: two axes, few words, the names of lines at their ends. Each is drawn narrow and wide.

Colours stand in the elements for paper; the page's style, which is stronger than they, turns them for dark screens.
"""

from __future__ import annotations

import html
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from dewpond.upkeep.accounts.show import Figures, short_day

Plain = Mapping[str, Any]
WIDE, NARROW, HEIGHT = 720, 358, 250
LEFT, TOP, BOTTOM = 46, 26, 26
MOST_BARS = 45  # more days are drawn week by week
INK, SOFT, BAR, DUE, RAIN, RULE = "#201810", "#4a3d2c", "#1f4a2e", "#8f1a10", "#1d3a70", "#d8c9a8"
_PAINT = {
    "t": f'font-size="12" font-family="sans-serif" fill="{INK}"',
    "t soft": f'font-size="12" font-family="sans-serif" fill="{SOFT}"',
    "grid": f'stroke="{RULE}" stroke-width="1"',
    "axis": f'stroke="{INK}" stroke-width="1.4"',
    "bar": f'fill="{BAR}"',
    "rain": f'fill="{RAIN}"',
    "need": f'fill="none" stroke="{DUE}" stroke-width="2.2"',
    "used": f'fill="none" stroke="{BAR}" stroke-width="3.2"',
    "timer": f'fill="none" stroke="{SOFT}" stroke-width="2" stroke-dasharray="2 3"',
    "allowance": f'fill="none" stroke="{INK}" stroke-width="2" stroke-dasharray="8 4"',
    "tick": f'stroke="{DUE}" stroke-width="3"',
    "track": f'fill="none" stroke="{RULE}" stroke-width="1"',
}


@dataclass(frozen=True, slots=True)
class _Bin:
    first: str
    litres: float
    need_l: float | None
    rain_mm: float | None


def both(draw: Callable[[int], str]) -> str:
    """The drawing for wide pages and paper, and the one for phones; the style shows one of them."""
    return f'<div class="wide-one">{draw(WIDE)}</div><div class="narrow-one" aria-hidden="true">{draw(NARROW)}</div>'


def given_and_needed(series: Sequence[Plain], figures: Figures) -> str:
    """Bars of water given with the plants' need across them, and rain hanging from the top."""
    bins = _bins(series)
    return both(lambda width: _given(bins, figures, width)) if bins else ""


def _given(bins: Sequence[_Bin], figures: Figures, width: int) -> str:
    need = [max(0.0, one.need_l) if one.need_l is not None else None for one in bins]
    most_l = max([one.litres for one in bins] + [value for value in need if value is not None]) or 1.0
    unit_l, unit = figures.axis(most_l)
    right, bottom = width - 6.0, HEIGHT - BOTTOM
    rain_most = max((one.rain_mm or 0.0 for one in bins), default=0.0)
    rain_high = 52.0 if rain_most > 0.0 else 0.0
    scale = _Scale(most_l / unit_l, top=TOP + rain_high + 14.0 * (rain_high > 0.0), bottom=bottom)
    step = (right - LEFT) / len(bins)
    parts = [_grid(scale, LEFT, right, unit)]
    for place, one in enumerate(bins):
        x, y = LEFT + place * step + step * 0.14, scale.y(one.litres / unit_l)
        parts.append(_box(x, y, step * 0.72, bottom - y, "bar"))
        if one.rain_mm:
            parts.append(_box(x, TOP - 6.0, step * 0.72, rain_high * one.rain_mm / rain_most, "rain"))
    if rain_most > 0.0:
        parts.append(_text(right, TOP - 12.0, f"rain, most {figures.depth(rain_most)}", "t soft", "end"))
    for place, value in enumerate(need):
        if value is not None:
            y = scale.y(value / unit_l)
            parts.append(_line(LEFT + place * step + 1.0, y, LEFT + (place + 1) * step - 1.0, y, "tick"))
    parts += _dates([one.first for one in bins], LEFT + step / 2.0, step, bottom, width)
    parts.append(_line(LEFT, bottom, right, bottom, "axis"))
    return _drawing(width, "Water given as bars, the plants' need as marks across them, rain from above", parts)


def _bins(series: Sequence[Plain]) -> list[_Bin]:
    size = 1 if len(series) <= MOST_BARS else 7
    found = []
    for start in range(0, len(series), size):
        part = series[start : start + size]
        found.append(
            _Bin(
                part[0]["date"],
                sum(one["litres"] for one in part),
                _sum([one["need_l"] for one in part]),
                _sum([one["rain_mm"] for one in part]),
            )
        )
    return found


def _sum(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return sum(known) if known else None


def adding_up(series: Sequence[Plain], figures: Figures) -> str:
    """Litres adding up over the span: used, needed, allowed, and what the timer would have used."""
    lines = [
        (kind, name, _running([one[key] for one in series]))
        for kind, name, key in (
            ("timer", "fixed calendar", "timer_l"),
            ("allowance", "allowance", "allowance_l"),
            ("need", "need", "need_l"),
            ("used", "used", "litres"),
        )
        if any(one[key] is not None for one in series)
    ]
    return both(lambda width: _adding(series, lines, figures, width)) if len(series) > 1 else ""


def _running(values: Sequence[float | None]) -> list[float]:
    total, found = 0.0, []
    for value in values:
        total += value or 0.0
        found.append(total)
    return found


def _adding(
    series: Sequence[Plain], lines: Sequence[tuple[str, str, list[float]]], figures: Figures, width: int
) -> str:
    most_l = max(max(values) for _, _, values in lines) or 1.0
    unit_l, unit = figures.axis(most_l)
    right, bottom = width - 94.0, float(HEIGHT - BOTTOM)
    scale = _Scale(most_l / unit_l, top=TOP, bottom=bottom)
    step = (right - LEFT) / (len(series) - 1)
    parts = [_grid(scale, LEFT, right, unit)]
    ends = sorted(lines, key=lambda one: -one[2][-1])
    places = _apart([scale.y(values[-1] / unit_l) for _, _, values in ends], 15.0, bottom)
    for (kind, name, values), y in zip(ends, places, strict=True):
        steps = " ".join(
            f"{'L' if place else 'M'}{LEFT + place * step:.1f} {scale.y(value / unit_l):.1f}"
            for place, value in enumerate(values)
        )
        parts.append(f'<path d="{steps}" class="{kind}" {_PAINT[kind]}/>')
        parts.append(_text(right + 6.0, y + 4.0, name, "t"))
    parts += _dates([one["date"] for one in series], LEFT, step, bottom, width)
    parts.append(_line(LEFT, bottom, right, bottom, "axis"))
    return _drawing(width, "Water adding up over time: used, needed, allowed, and by a fixed calendar", parts)


def _apart(wanted: Sequence[float], gap: float, low: float) -> list[float]:
    """Heights near those wanted, from the top down, that keep a gap; pushed up again at the bottom."""
    places: list[float] = []
    for want in wanted:
        places.append(max(want, places[-1] + gap) if places else want)
    limit = low
    for place in range(len(places) - 1, -1, -1):
        places[place] = min(places[place], limit)
        limit = places[place] - gap
    return places


def zones_against_need(zones: Sequence[Plain], figures: Figures) -> str:
    """One bar a zone, its plants' need as a mark across it."""
    most_l = max([zone["litres"] for zone in zones] + [zone["need_l"] or 0.0 for zone in zones], default=0.0)
    return both(lambda width: _zone_bars(zones, most_l, figures, width)) if most_l > 0.0 else ""


def _zone_bars(zones: Sequence[Plain], most_l: float, figures: Figures, width: int) -> str:
    parts, row, right = [], 46.0, width - 4.0
    for place, zone in enumerate(zones):
        y = place * row
        parts.append(_text(2.0, y + 15.0, zone["name"], "t"))
        parts.append(_text(right, y + 15.0, figures.volume(zone["litres"]), "t", "end"))
        parts.append(_box(2.0, y + 22.0, right - 2.0, 14.0, "track"))
        parts.append(_box(2.0, y + 22.0, (right - 2.0) * zone["litres"] / most_l, 14.0, "bar"))
        if zone["need_l"] is not None:
            x = 2.0 + (right - 2.0) * zone["need_l"] / most_l
            parts.append(_line(x, y + 18.0, x, y + 40.0, "tick"))
    return _drawing(width, "Water of each zone, with the plants' need as a mark", parts, height=len(zones) * row)


@dataclass(frozen=True, slots=True)
class _Scale:
    most: float
    top: float
    bottom: float

    def y(self, value: float) -> float:
        return self.bottom - (self.bottom - self.top) * value / (self.steps()[-1] or 1.0)

    def steps(self) -> list[float]:
        step = nice(self.most / 4.0)
        return [step * n for n in range(math.ceil(self.most / step - 1e-9) + 1)]


def nice(wanted: float) -> float:
    """The smallest of 1, 2, 5 x 10^n that is not below ``wanted``."""
    power = 10.0 ** math.floor(math.log10(wanted)) if wanted > 0.0 else 1.0
    return next(factor * power for factor in (1.0, 2.0, 5.0, 10.0) if factor * power >= wanted * (1.0 - 1e-9))


def _grid(scale: _Scale, left: float, right: float, unit: str) -> str:
    parts = []
    for value in scale.steps():
        y = scale.y(value)
        parts.append(_line(left, y, right, y, "grid"))
        parts.append(_text(left - 6.0, y + 4.0, f"{value:,.4g}" if value < 1000 else f"{value:,.0f}", "t soft", "end"))
    parts.append(_text(2.0, scale.y(scale.steps()[-1]) - 10.0, unit, "t soft"))
    return "".join(parts)


def _dates(dates: Sequence[str], left: float, step: float, bottom: float, width: int) -> list[str]:
    """As many dates as fit below the axis, the first always."""
    every = max(1, math.ceil(58.0 / step)) if step else 1
    return [
        _text(left + place * step, bottom + 17.0, short_day(dates[place]), "t soft", "middle")
        for place in range(0, len(dates), every)
        if left + place * step < width - 24.0
    ]


def _drawing(width: int, label: str, parts: Sequence[str], height: float = HEIGHT) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height:.0f}" width="{width}" '
        f'height="{height:.0f}" class="drawing" role="img" aria-label="{html.escape(label)}">{"".join(parts)}</svg>'
    )


def _box(x: float, y: float, width: float, height: float, kind: str) -> str:
    size = f'width="{max(0.0, width):.1f}" height="{max(0.0, height):.1f}"'
    return f'<rect x="{x:.1f}" y="{y:.1f}" {size} class="{kind}" {_PAINT[kind]}/>'


def _line(x1: float, y1: float, x2: float, y2: float, kind: str) -> str:
    ends = f'x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"'
    return f'<line {ends} class="{kind}" {_PAINT[kind]}/>'


def _text(x: float, y: float, words: str, kind: str, anchor: str = "start") -> str:
    place = f'x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"'
    return f'<text {place} class="{kind}" {_PAINT[kind]}>{html.escape(words)}</text>'
