"""The shape of a zone on the ground, in metres from a corner of one's own choosing."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from dewpond.upkeep.cups.refusal import AuditRefused

Floats = NDArray[np.float64]
Point = tuple[float, float]
MOST_CORNERS = 200
MOST_M = 2000.0  # across; a larger figure is feet or a slip (common practice, no source)


@dataclass(frozen=True, slots=True)
class Outline:
    """A simple polygon; corners in order, either way round. [m]"""

    corners: tuple[Point, ...]

    @property
    def area_m2(self) -> float:
        """By the shoelace formula. [m2]"""
        x, y = np.array(self.corners).T
        return float(abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2.0)

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """Lowest x and y, highest x and y. [m]"""
        points = np.array(self.corners)
        (x0, y0), (x1, y1) = points.min(axis=0), points.max(axis=0)
        return float(x0), float(y0), float(x1), float(y1)

    def inside(self, x_m: Floats, y_m: Floats) -> NDArray[np.bool_]:
        """Which places lie within it, by counting the edges that a ray crosses."""
        x1, y1, x2, y2 = self._edges()
        x, y = x_m[..., None], y_m[..., None]
        spans = (y1 > y) != (y2 > y)
        with np.errstate(divide="ignore", invalid="ignore"):
            crossed = spans & (x < x1 + (y - y1) * (x2 - x1) / (y2 - y1))
        found: NDArray[np.bool_] = crossed.sum(axis=-1) % 2 == 1
        return found

    def edge_distance_m(self, x_m: Floats, y_m: Floats) -> Floats:
        """How far places are from the nearest edge. [m]"""
        x1, y1, x2, y2 = self._edges()
        dx, dy = x2 - x1, y2 - y1
        along = ((x_m[..., None] - x1) * dx + (y_m[..., None] - y1) * dy) / (dx * dx + dy * dy)
        along = np.clip(along, 0.0, 1.0)
        off = np.hypot(x_m[..., None] - (x1 + along * dx), y_m[..., None] - (y1 + along * dy))
        nearest: Floats = off.min(axis=-1)
        return nearest

    def _edges(self) -> tuple[Floats, Floats, Floats, Floats]:
        x1, y1 = np.array(self.corners).T
        return x1, y1, np.roll(x1, -1), np.roll(y1, -1)


def rectangle(width_m: float, length_m: float) -> Outline:
    """A rectangle from its sides, which is what most zones are. Raises AuditRefused."""
    return outline([(0.0, 0.0), (width_m, 0.0), (width_m, length_m), (0.0, length_m)])


def square_of(area_m2: float) -> Outline:
    """A square of an area, for a zone whose shape nobody drew."""
    return rectangle(area_m2**0.5, area_m2**0.5)


def outline(corners: list[Point]) -> Outline:
    """A checked outline; a last corner equal to the first is dropped. Raises AuditRefused."""
    points = [corner for i, corner in enumerate(corners) if i == 0 or corner != corners[i - 1]]
    if len(points) > 1 and points[0] == points[-1]:
        points.pop()
    if not 3 <= len(points) <= MOST_CORNERS:
        raise AuditRefused(
            f"zone shape: {len(points)} corners; 3 to {MOST_CORNERS} make an outline; list them in order"
        )
    flat = np.array(points, dtype=float)
    if not np.isfinite(flat).all() or np.ptp(flat, axis=0).max() > MOST_M:
        raise AuditRefused(f"zone shape: a corner lies beyond {MOST_M:g} m; write metres from one corner of the zone")
    made = Outline(tuple((float(x), float(y)) for x, y in points))
    crossing = _crossing(made.corners)
    if crossing:
        raise AuditRefused(
            f"zone shape: the edges after corners {crossing[0]} and {crossing[1]} cross; list the corners in order"
        )
    if made.area_m2 < 0.1:
        raise AuditRefused(f"zone shape: {made.area_m2:.3g} m2; at least 0.1 m2; check the corners and the unit")
    return made


def _crossing(corners: tuple[Point, ...]) -> tuple[int, int] | None:
    """Two edges that cross, as the numbers of their first corners counted from 1."""
    edges = list(zip(corners, corners[1:] + corners[:1], strict=True))
    for (i, (a, b)), (j, (c, d)) in combinations(enumerate(edges), 2):
        if _turn(a, b, c) * _turn(a, b, d) < 0 and _turn(c, d, a) * _turn(c, d, b) < 0:
            return i + 1, j + 1
    return None


def _turn(a: Point, b: Point, c: Point) -> float:
    """Above 0 where a, b, c turn left."""
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
