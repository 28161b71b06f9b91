"""The soil core: what is left of a zone's root-zone water, drawn as a sample taken out of the ground.

Wet soil is dark and dotted, dry soil pale and cracked; the top of the core is field capacity, the foot wilting point.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from markupsafe import Markup

from dewpond.board.charts.svg import box, drawing, due_line, el, line, path, spread, text

WIDTH, HEIGHT = 380.0, 300.0
TOP, FOOT, LEFT, CORE = 44.0, 284.0, 16.0, 92.0
LABEL_GAP = 40.0
# Where tufts, crumbs and cracks stand, as shares of the core: fixed, so that a drawing changes only when the soil does.
CRUMBS = tuple((((i * 0.6180) % 1.0), ((i * 0.7549) % 1.0)) for i in range(1, 60))
CRACKS = ((0.12, 0.05, 0.16), (0.33, 0.0, 0.22), (0.55, 0.04, 0.13), (0.72, 0.0, 0.19), (0.9, 0.06, 0.12))
TUFTS = (0.08, 0.2, 0.31, 0.46, 0.6, 0.73, 0.86, 0.95)


@dataclass(frozen=True, slots=True)
class CoreLabel:
    """A label at a depth of missing water [mm]: a name and a finished figure."""

    missing_mm: float
    name: str
    figure: str


def share(missing_mm: float, taw_mm: float) -> float:
    """Missing water as a share of the whole store, kept inside the core; NaN counts as none."""
    if not (math.isfinite(missing_mm) and math.isfinite(taw_mm)) or taw_mm <= 0:
        return 0.0
    return min(1.0, max(0.0, missing_mm / taw_mm))


def soil_core(
    *, depletion_mm: float, sd_mm: float, raw_mm: float, taw_mm: float, labels: tuple[CoreLabel, ...], said: str
) -> Markup:
    """The core of one zone with its labels. ``sd_mm`` is drawn as a bracket about the wetting front."""
    front = _y(depletion_mm, taw_mm)
    due = _y(raw_mm, taw_mm)
    parts = [
        *_grass(),
        box(LEFT, TOP, CORE, FOOT - TOP, "dry"),
        *_cracks(front),
        box(LEFT, front, CORE, FOOT - front, "damp"),
        *_crumbs(front),
        line(LEFT, front, LEFT + CORE, front, "front"),
        box(LEFT, TOP, CORE, FOOT - TOP, "core-edge"),
        due_line([(LEFT - 8, due), (LEFT + CORE + 8, due)]),
        *_bracket(_y(depletion_mm - sd_mm, taw_mm), _y(depletion_mm + sd_mm, taw_mm)),
        *_labels(labels, taw_mm),
    ]
    return drawing(WIDTH, HEIGHT, said, *parts, class_="drawing soil")


def core_mark(*, depletion_mm: float, raw_mm: float, taw_mm: float) -> Markup:
    """A core for a line of a list; an empty outline where the water is not known. The line says the same."""
    if not (math.isfinite(depletion_mm) and taw_mm > 0):
        return el("svg", box(3, 2, 16, 44, "unknown"), viewBox="0 0 22 48", class_="core-mark", aria_hidden="true")
    front, due = 2 + 44 * share(depletion_mm, taw_mm), 2 + 44 * share(raw_mm, taw_mm)
    parts = [
        box(3, 2, 16, 44, "dry"),
        box(3, front, 16, 46 - front, "damp"),
        box(3, 2, 16, 44, "core-edge"),
        due_line([(0, due), (22, due)]),
    ]
    return el("svg", *parts, viewBox="0 0 22 48", class_="core-mark", aria_hidden="true")


def _y(missing_mm: float, taw_mm: float) -> float:
    return TOP + (FOOT - TOP) * share(missing_mm, taw_mm)


def _grass() -> list[Markup]:
    blades = []
    for i, at in enumerate(TUFTS):
        x, tall = LEFT + at * CORE, 12 + 7 * (i % 3)
        blades.append(
            el(
                "path",
                d=f"M{x:.0f} {TOP:.0f}q{-2 if i % 2 else 3} {-tall * 0.6:.0f} {-5 if i % 2 else 6} {-tall}",
                class_="blade",
            )
        )
    return blades


def _cracks(front: float) -> list[Markup]:
    """Cracks reach down from the surface, but never into damp soil."""
    cracks = []
    for at, start, length in CRACKS:
        x, y = LEFT + at * CORE, TOP + start * (FOOT - TOP)
        end = min(front - 4, y + length * (FOOT - TOP))
        if end > y + 6:
            middle = (y + end) / 2
            cracks.append(path([(x, y), (x + 4, middle - 2), (x - 1, middle + 2), (x + 3, end)], "crack"))
    return cracks


def _crumbs(front: float) -> list[Markup]:
    spots = ((LEFT + 4 + a * (CORE - 8), TOP + b * (FOOT - TOP)) for a, b in CRUMBS)
    return [el("circle", cx=x, cy=y, r=1.6, class_="crumb") for x, y in spots if front + 4 < y < FOOT - 3]


def _bracket(high: float, low: float) -> list[Markup]:
    if low - high < 2:
        return []
    x = LEFT + CORE + 5
    return [path([(x - 3, high), (x + 2, high), (x + 2, low), (x - 3, low)], "bracket")]


def _labels(labels: tuple[CoreLabel, ...], taw_mm: float) -> list[Markup]:
    ordered = sorted(labels, key=lambda label: label.missing_mm)
    wanted = [_y(label.missing_mm, taw_mm) for label in ordered]
    places = spread(wanted, LABEL_GAP, TOP - 12, FOOT - 8)
    parts = []
    for label, y, place in zip(ordered, wanted, places, strict=True):
        parts.append(path([(LEFT + CORE + 10, y), (LEFT + CORE + 24, place), (LEFT + CORE + 30, place)], "leader"))
        parts.append(text(LEFT + CORE + 35, place - 2, label.name, "t strong"))
        parts.append(text(LEFT + CORE + 35, place + 15, label.figure))
    return parts
