"""What the drawings of upkeep share: one style, a place on the paper for metres on the ground, and a scale bar."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from dewpond.board.charts.svg import el, line, nice_step, text

# The drawings are sent and printed by themselves, so each carries its style.
STYLE = """
svg{background:#fff;font-family:system-ui,sans-serif}
.t{font-size:12px;fill:#26322c}.n{font-size:10.5px;fill:#26322c;text-anchor:middle}
.h{font-size:17px;font-weight:600;fill:#26322c}.s{font-size:12px;fill:#55635b}
.edge{fill:none;stroke:#26322c;stroke-width:1.6;stroke-linejoin:round}
.rule{stroke:#26322c;stroke-width:1.4}
"""


@dataclass(frozen=True, slots=True)
class Paper:
    """Metres to drawing units: x to the right, y upwards, the whole extent within a frame."""

    x0_m: float
    y1_m: float
    left: float
    top: float
    per_m: float

    def x(self, x_m: float) -> float:
        return self.left + (x_m - self.x0_m) * self.per_m

    def y(self, y_m: float) -> float:
        return self.top + (self.y1_m - y_m) * self.per_m


def paper(bounds: tuple[float, float, float, float], left: float, top: float, wide: float, high: float) -> Paper:
    """The largest scale at which ``bounds`` (x0, y0, x1, y1 in m) fit into a frame, in its middle."""
    x0, y0, x1, y1 = bounds
    per_m = min(wide / max(x1 - x0, 0.1), high / max(y1 - y0, 0.1))
    return Paper(x0, y1, left + (wide - (x1 - x0) * per_m) / 2.0, top, per_m)


def scale_bar(on: Paper, x: float, y: float, *, us: bool = False) -> Markup:
    """A bar of a round length, in metres or feet."""
    unit_m = 0.3048 if us else 1.0
    length = nice_step(160.0 / (on.per_m * unit_m), 1)
    if length * unit_m * on.per_m > 240.0:
        length /= 2.0
    end = x + length * unit_m * on.per_m
    ticks = [line(at, y - 4, at, y + 4, "rule") for at in (x, end)]
    return el("g", line(x, y, end, y, "rule"), *ticks, text(end + 8, y + 4, f"{length:g} {'ft' if us else 'm'}"))


def sheet(width: float, height: float, said: str, style: str, *parts: Markup) -> str:
    """A whole SVG file; ``said`` is what a screen reader says."""
    whole = el(
        "svg",
        el("title", said),
        el("style", Markup(STYLE + style)),  # noqa: S704 - both are written in this package
        *parts,
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"0 0 {width:.0f} {height:.0f}",
        width=width,
        height=height,
        role="img",
    )
    return str(whole) + "\n"
