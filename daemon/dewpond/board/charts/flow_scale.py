"""A supply's flow on a scale from nothing to its capacity: what is measured as a bar, what is expected as a mark."""

from __future__ import annotations

import math

from markupsafe import Markup

from dewpond.board.charts.svg import box, drawing, el, line, text

WIDTH, HEIGHT, LEFT, TRACK = 480.0, 68.0, 4.0, 472.0
BAR_Y, BAR_HEIGHT = 24.0, 18.0


def flow_scale(*, measured: float | None, expected: float, capacity: float | None, capacity_text: str) -> Markup:
    """Flows in one unit. Without a capacity the scale ends a quarter above the larger of the two."""
    shown = measured if measured is not None and math.isfinite(measured) else None
    full = capacity or 1.25 * max(expected, shown or 0.0, 1.0)
    top = max(full, (shown or 0.0) * 1.05)

    def x(flow: float) -> float:
        return LEFT + TRACK * min(1.0, max(0.0, flow / top))

    mark = x(expected)
    parts = [box(LEFT, BAR_Y, TRACK, BAR_HEIGHT, "track")]
    if shown is not None:
        parts.append(box(LEFT, BAR_Y + 2, x(shown) - LEFT, BAR_HEIGHT - 4, "flowing"))
    parts += [
        line(mark, BAR_Y - 4, mark, BAR_Y + BAR_HEIGHT + 4, "expected"),
        el("path", d=f"M{mark - 5:.1f} {BAR_Y - 12:.1f}h10l-5 8z", class_="expected-head"),
        text(LEFT, HEIGHT - 6, "0"),
        text(mark + (10 if mark < WIDTH / 2 else -10), BAR_Y - 9, "expected", "t", None if mark < WIDTH / 2 else "end"),
    ]
    if capacity:
        parts.append(line(x(capacity), BAR_Y - 2, x(capacity), BAR_Y + BAR_HEIGHT + 2, "capacity"))
        parts.append(text(x(capacity), HEIGHT - 6, f"capacity {capacity_text}", "t", "end"))
    return drawing(
        WIDTH, HEIGHT, "Flow on the scale of the supply; the sentence says the figures.", *parts, class_="drawing flow"
    )
