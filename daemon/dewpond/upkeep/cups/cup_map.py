"""The map of an audit: depths between the cups in steps from dry to wet, with every cup and its figure."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from markupsafe import Markup

from dewpond.board.charts.svg import box, el, path, text
from dewpond.science.catch_map import inverse_distance
from dewpond.upkeep.cups.judgement import Audit
from dewpond.upkeep.cups.outline import Outline
from dewpond.upkeep.cups.readings import CupTest
from dewpond.upkeep.drawing import Paper, paper, scale_bar, sheet

WIDTH, LEFT, TOP, FRAME_W, FRAME_H = 720.0, 36.0, 76.0, 648.0, 560.0
ACROSS = 160  # cells along the longer side
# Upper ends of the steps as shares of the mean. Common practice, no source.
STEPS = (0.5, 0.75, 0.9, 1.1, 1.25, 1.5, np.inf)
STEP_WIDE = 92.0
STYLE = """
.c0{fill:#c98a2b}.c1{fill:#e3bb6b}.c2{fill:#f2e2bd}.c3{fill:#eef2ec}.c4{fill:#cfe3ea}.c5{fill:#93c2d3}.c6{fill:#4a90ad}
.cells{shape-rendering:crispEdges}
.cup{fill:#fff;stroke:#26322c;stroke-width:1}.low{stroke-width:2.6}
.cause{fill:none;stroke:#9a2f1d;stroke-width:2;stroke-dasharray:6 4}.key{stroke:#26322c;stroke-width:.6}
"""


def cup_map(test: CupTest, audit: Audit, *, title: str, shape: Outline | None = None, us: bool = False) -> str:
    """The map as an SVG file. Without a ``shape`` the ground is a frame about the cups."""
    bounds = shape.bounds if shape is not None else _about(test)
    on = paper(bounds, LEFT, TOP, FRAME_W, FRAME_H)
    foot = on.y(bounds[1])
    ground = shape.corners if shape is not None else _corners(bounds)
    edge = [(on.x(x), on.y(y)) for x, y in ground]
    clip = el("clipPath", path(edge, "", closed=True), id="zone")
    said = (
        f"{title}: low-quarter uniformity {audit.du_lq:.0%} of {audit.cups} cups, mean {audit.mean:.3g} {audit.unit}; "
        f"dry cups {_numbers(audit.dry)}, wet cups {_numbers(audit.wet)}"
    )
    return sheet(
        WIDTH,
        foot + 106,
        said,
        STYLE,
        clip,
        text(LEFT, 30, title, "h"),
        text(LEFT, 52, _headline(audit), "s"),
        el("g", *_cells(test, audit.mean, bounds, on), clip_path="url(#zone)", class_="cells"),
        path(edge, "edge", closed=True),
        *_causes(audit, on),
        *_cups(test, audit, on),
        *_key(foot + 52),
        scale_bar(on, LEFT, foot + 84, us=us),
        text(LEFT + 300, foot + 88, "heavy rim: lowest quarter of the cups; figures in " + audit.unit, "s"),
    )


def _headline(audit: Audit) -> str:
    grade = f", {audit.grade}" if audit.grade else ", too few cups for a grade"
    rate = f", net rate {audit.rate_mm_h:.1f} mm/h" if audit.rate_mm_h is not None else ""
    return (
        f"low-quarter uniformity {audit.du_lq:.0%}{grade}; Christiansen {audit.cu:.0%}{rate}; {audit.cups} cups, "
        f"mean {audit.mean:.3g} {audit.unit}"
    )


def _numbers(cups: tuple[int, ...]) -> str:
    return ", ".join(map(str, cups)) or "none"


def _about(test: CupTest) -> tuple[float, float, float, float]:
    """A frame about the cups, half a spacing beyond them."""
    x, y = np.array([cup.x_m for cup in test.cups]), np.array([cup.y_m for cup in test.cups])
    room = max(np.ptp(x) * np.ptp(y), np.ptp(x), np.ptp(y), 0.25)
    margin = 0.5 * float(np.sqrt(room / len(x)))
    return (
        float(x.min()) - margin,
        float(y.min()) - margin,
        float(x.max()) + margin,
        float(y.max()) + margin,
    )


def _corners(bounds: tuple[float, float, float, float]) -> tuple[tuple[float, float], ...]:
    x0, y0, x1, y1 = bounds
    return (x0, y0), (x1, y0), (x1, y1), (x0, y1)


def step_of(share: float) -> int:
    """Which of the steps a share of the mean belongs to."""
    return next(number for number, end in enumerate(STEPS) if share <= end)


def _cells(test: CupTest, mean: float, bounds: tuple[float, float, float, float], on: Paper) -> list[Markup]:
    """Coloured cells; neighbours of one step in a row are one rectangle."""
    x0, y0, x1, y1 = bounds
    size = max(x1 - x0, y1 - y0) / ACROSS
    xs, ys = np.arange(x0, x1, size), np.arange(y0, y1, size)
    at_x, at_y = np.meshgrid(xs + size / 2, ys + size / 2)
    places = np.array([(cup.x_m, cup.y_m) for cup in test.cups])
    shares = inverse_distance(places[:, 0], places[:, 1], test.values, at_x, at_y) / mean
    steps = np.searchsorted(STEPS, shares)
    side = size * on.per_m
    cells = []
    for row, y in zip(steps, ys, strict=True):
        breaks = [0, *(int(n) + 1 for n in np.flatnonzero(np.diff(row))), len(row)]
        for first, last in pairwise(breaks):
            # A little taller and wider than the cell, so that no light shows between rows.
            wide = (last - first) * side + 0.4
            cells.append(box(on.x(float(xs[first])), on.y(float(y) + size), wide, side + 0.4, f"c{row[first]}"))
    return cells


def _cups(test: CupTest, audit: Audit, on: Paper) -> list[Markup]:
    low = set(audit.lowest_quarter)
    parts = []
    for number, cup in enumerate(test.cups, start=1):
        x, y = on.x(cup.x_m), on.y(cup.y_m)
        rim = "cup low" if number in low else "cup"
        parts.append(el("circle", cx=x, cy=y, r=13.5, class_=rim))
        parts.append(text(x, y + 4, f"{cup.value:.3g}", "n"))
    return parts


def _causes(audit: Audit, on: Paper) -> list[Markup]:
    """A ring where a cause has a place."""
    rings = []
    for cause in audit.causes:
        if cause.place is not None:
            x, y = on.x(cause.place[0]), on.y(cause.place[1])
            rings.append(el("circle", el("title", cause.what), cx=x, cy=y, r=44.0, class_="cause"))
    return rings


def _key(y: float) -> list[Markup]:
    """The steps from dry to wet with their shares of the mean."""
    parts, low = (
        [text(LEFT, y - 22, "dry: share of the mean", "s"), text(LEFT + 6 * STEP_WIDE, y - 22, "wet", "s")],
        0.0,
    )
    for number, end in enumerate(STEPS):
        span = f"over {low:.0%}" if end == np.inf else f"to {end:.0%}"
        parts += [box(LEFT + number * STEP_WIDE, y - 14, 22, 14, f"c{number} key")]
        parts += [text(LEFT + number * STEP_WIDE + 28, y - 2, span)]
        low = float(end)
    return parts
