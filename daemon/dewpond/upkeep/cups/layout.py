"""Where the cups of an audit go, and for how long the water runs.

The audit guidelines want at least 24 like cups on an even grid, 12 to 24 in inside the edge. Whoever owns fewer sets
the same grid out in several placements and runs each of them alike; every placement is spread over the whole zone, so
that a run that differed shows in its mean.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from dewpond.model.site import HeadKind, Zone
from dewpond.science.uniformity import least_mean_catch_ml
from dewpond.science.units import MM_PER_INCH
from dewpond.upkeep.cups.outline import Floats, Outline
from dewpond.upkeep.cups.refusal import AuditRefused

GUIDELINES = "Irrigation Association audit guidelines"
# Fewest cups that earn a uniformity grade. Irrigation Association audit guidelines, restated in Landscape Management.
CUPS_FOR_A_GRADE = 24
MOST_CUPS = 400
# Cups stand this far inside the edge, 12 to 24 in [m]. Source: as above.
INSET_M, LEAST_INSET_M = 0.6, 0.3
CLOSEST_M = 0.3  # nearer cups tell the same twice (common practice, no source)
FINER = 0.95  # of a spacing that has too few places is tried next
FEW_MORE = 2  # places than wanted are taken where they lie better
SAMPLES = 17  # places across a zone from which the way to the nearest cup is measured
OFFSETS = np.linspace(0.0, 0.75, 4)  # of a spacing, tried for the grid's corner
# Depth that the least mean catch stands for, 1.5 mL for each square inch of mouth. [mm]
LEAST_DEPTH_MM = 10.0 * least_mean_catch_ml(1.0)
# Minutes by kind of head: spray about 5, rotors 15 to 20 and at least five turns. Texas A&M AgriLife, catch can test
# (spray 5, rotors 10 to 15, read); the five turns and 20 are common practice, no source.
SPRAY_MIN, ROTOR_MIN, LEAST_TURNS = 5, 15, 5
MOST_MINUTES = 120
TURNING = frozenset({HeadKind.ROTOR, HeadKind.IMPACT, HeadKind.ROTARY_NOZZLE})
# Wind above which cups tell of the wind: 5 mph, read every 5 min [m/s]. IA audit guidelines, 2009.
WIND_LIMIT_M_S, WIND_EVERY_MIN = 2.2352, 5


@dataclass(frozen=True, slots=True, kw_only=True)
class CupPlace:
    """One place of the grid, numbered in walking order, and the placement it belongs to (both from 1)."""

    number: int
    x_m: float
    y_m: float
    placement: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CupPlan:
    """The proposal: where, in how many placements, and what the person should know of it."""

    places: tuple[CupPlace, ...]
    spacing_m: float
    inset_m: float
    placements: int
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TestTime:
    """How long to run the water for one placement [min], and why."""

    minutes: int
    why: tuple[str, ...]


def propose_cups(shape: Outline, *, owned: int | None = None, wanted: int = CUPS_FOR_A_GRADE) -> CupPlan:
    """An even grid of at least ``wanted`` places inside a zone, walked row by row. Raises AuditRefused.

    ``owned`` is how many cups the person has; fewer than the grid has places make several placements.
    """
    if owned is not None and not 1 <= owned <= MOST_CUPS:
        raise AuditRefused(f"cups owned: {owned}; between 1 and {MOST_CUPS}; count the like cups you can set out")
    if not 2 <= wanted <= MOST_CUPS:
        raise AuditRefused(f"cups wanted: {wanted}; between 2 and {MOST_CUPS}; {CUPS_FOR_A_GRADE} earn a grade")
    spacing_m, inset_m, grid = _widest_grid(shape, wanted)
    placements = 1 if owned is None else math.ceil(len(grid) / owned)
    places = tuple(
        CupPlace(number=n, x_m=round(x, 1), y_m=round(y, 1), placement=(n - 1) % placements + 1)
        for n, (x, y) in enumerate(_in_walking_order(grid), start=1)
    )
    return CupPlan(
        places=places,
        spacing_m=spacing_m,
        inset_m=inset_m,
        placements=placements,
        notes=_notes(len(places), placements, inset_m),
    )


def _widest_grid(shape: Outline, wanted: int) -> tuple[float, float, Floats]:
    """The square grid of enough places, and few more, that leaves the ground nearest to its cups.

    As many as fit where a zone is too small for so many.
    """
    ground = _sample(shape)
    deepest_m = float(shape.edge_distance_m(*ground.T).max(initial=0.0))
    most: tuple[float, float, Floats] | None = None
    for inset_m in (inset for inset in (INSET_M, LEAST_INSET_M, LEAST_INSET_M / 2) if inset <= deepest_m):
        best: tuple[float, float, Floats] | None = None
        best_m, spacing_m = math.inf, 1.1 * math.sqrt(shape.area_m2 / wanted)
        while spacing_m >= CLOSEST_M:
            grids = list(_grids(shape, spacing_m, inset_m))
            for grid in grids:
                if most is None or len(grid) > len(most[2]):
                    most = spacing_m, inset_m, grid
                if wanted <= len(grid) <= wanted + FEW_MORE and (far_m := _mean_distance_m(ground, grid)) < best_m:
                    best, best_m = (spacing_m, inset_m, grid), far_m
            if best is None and most is not None and len(most[2]) > wanted:
                best = most
            if best is not None and min(len(grid) for grid in grids) > wanted:
                return best
            spacing_m *= FINER
        if best is not None:
            return best
    if most is None or len(most[2]) < 2:
        raise AuditRefused(
            f"zone shape: {shape.area_m2:.3g} m2 leave no room for two cups {CLOSEST_M:g} m apart; set cups by hand"
        )
    return most


def _sample(shape: Outline) -> Floats:
    """Places all over the zone, as rows of x and y. [m]"""
    x0, y0, x1, y1 = shape.bounds
    x, y = (axis.ravel() for axis in np.meshgrid(np.linspace(x0, x1, SAMPLES), np.linspace(y0, y1, SAMPLES)))
    within = shape.inside(x, y)
    return np.stack([x[within], y[within]], axis=-1)


def _mean_distance_m(ground: Floats, grid: Floats) -> float:
    """Mean distance of the ground to its nearest cup. [m]"""
    apart_m2 = (ground[:, 0, None] - grid[:, 0]) ** 2 + (ground[:, 1, None] - grid[:, 1]) ** 2
    return float(np.sqrt(apart_m2.min(axis=1)).mean())


def _grids(shape: Outline, spacing_m: float, inset_m: float) -> Iterator[Floats]:
    """Points of a square grid that lie far enough inside, for several corners of the grid."""
    x0, y0, x1, y1 = shape.bounds
    for dx in OFFSETS:
        for dy in OFFSETS:
            xs = np.arange(x0 + inset_m + dx * spacing_m, x1, spacing_m)
            ys = np.arange(y0 + inset_m + dy * spacing_m, y1, spacing_m)
            x, y = (axis.ravel() for axis in np.meshgrid(xs, ys))
            within = shape.inside(x, y) & (shape.edge_distance_m(x, y) >= inset_m - 1e-9)
            yield _centred(shape, np.stack([x[within], y[within]], axis=-1), inset_m)


def _centred(shape: Outline, grid: Floats, inset_m: float) -> Floats:
    """The grid moved to the middle of the zone, where no place then comes too near to an edge."""
    if not len(grid):
        return grid
    x0, y0, x1, y1 = shape.bounds
    moved = grid + (np.array([x0 + x1, y0 + y1]) - grid.min(axis=0) - grid.max(axis=0)) / 2.0
    fits = shape.inside(*moved.T) & (shape.edge_distance_m(*moved.T) >= inset_m - 1e-9)
    return moved if fits.all() else grid


def _in_walking_order(grid: Floats) -> list[tuple[float, float]]:
    """Row by row, every other row back, so that nobody walks twice."""
    rows = sorted({round(float(y), 6) for y in grid[:, 1]})
    walked: list[tuple[float, float]] = []
    for number, row in enumerate(rows):
        xs = sorted(float(x) for x, y in grid if abs(y - row) < 1e-5)
        walked += [(x, row) for x in (reversed(xs) if number % 2 else xs)]
    return walked


def _notes(cups: int, placements: int, inset_m: float) -> tuple[str, ...]:
    notes = []
    if cups < CUPS_FOR_A_GRADE:
        notes.append(f"Only {cups} cups fit: they show dry spots, and earn no uniformity grade ({GUIDELINES}).")
    if placements > 1:
        notes.append(
            f"{placements} placements: run each for the same minutes at the same pressure, in the same calm weather; "
            "their readings are then merged. One placement alone shows dry spots and earns no grade."
        )
    if inset_m < LEAST_INSET_M:
        notes.append(
            f"The zone is narrow: cups stand {inset_m:g} m inside its edge, nearer than the usual 0.3 to 0.6 m."
        )
    return tuple(notes)


def minutes_for(zone: Zone, turn_min: float | None = None) -> TestTime:
    """How long to run a zone for its cups. ``turn_min`` is how long its slowest rotor takes for one turn [min].

    Raises AuditRefused for zones whose water no cup can catch, and for a turn that cannot be.
    """
    if not zone.overhead:
        raise AuditRefused(
            f"zone {zone.id}: {zone.method} gives nothing from above; cups need spray or rotors; time the catch of "
            "emitters instead (audit drip)"
        )
    if turn_min is not None and not 0.05 <= turn_min <= 30.0:
        raise AuditRefused(f"turn: {turn_min:g} min; a rotor turns in 0.05 to 30 min; time one whole turn")
    kinds = {group.kind for group in zone.heads}
    turning = bool(kinds & TURNING) if kinds else zone.method == "rotor"
    minutes, why = float(ROTOR_MIN if turning else SPRAY_MIN), ["rotors" if turning else "spray heads"]
    if turning and turn_min is not None and turn_min * LEAST_TURNS > minutes:
        minutes = turn_min * LEAST_TURNS
        why.append(f"{LEAST_TURNS} turns of {turn_min:g} min")
    least_min = 60.0 * LEAST_DEPTH_MM / zone.application_rate_mm_h
    if least_min > minutes:
        minutes = least_min
        depth_in = LEAST_DEPTH_MM / MM_PER_INCH
        why.append(f"the least mean catch, {LEAST_DEPTH_MM:.1f} mm ({depth_in:.2f} in), 1.5 mL for each in2 of mouth")
    return TestTime(minutes=min(MOST_MINUTES, math.ceil(minutes - 1e-9)), why=tuple(why))
