"""What may be behind uneven cups, likeliest first, each with what was seen and what to do."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dewpond.model.site import Zone
from dewpond.science.application import application_rate_from_heads
from dewpond.upkeep.cups.outline import Floats
from dewpond.upkeep.cups.readings import CupTest

# Shares from which a pattern is told; common practice, no source.
LEAST_CUPS = 4  # fewer make no pattern
DRIER, DRIEST = 0.75, 0.6  # of the mean: cups that count as dry together, and what the driest of them holds at most
CLUSTER_SHARE = 0.6  # dry cups stand in one place when their spread is below this share of all cups' spread
EDGE_SHARE = 0.25  # of the zone's extent is its edge
EDGE_DRY, EDGE_WET = 0.75, 1.33  # edge cups against those within
WET_CUP = 2.5  # times the mean: one cup that holds this stands beside a leak or a stuck head
RATE_APART = 0.25
PRESSURE_LOW, PRESSURE_HIGH = 0.8, 1.3  # of the rated pressure


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One likely cause: what it is, what points to it, and the remedy. ``place`` is in metres, where it has one."""

    code: str
    what: str
    seen: str
    remedy: str
    place: tuple[float, float] | None = None


def likely_causes(test: CupTest, zone: Zone | None) -> tuple[Cause, ...]:
    """Causes that the cups and the zone's description point to, likeliest first."""
    values = test.values
    x, y = np.array([cup.x_m for cup in test.cups]), np.array([cup.y_m for cup in test.cups])
    found = [_mixed_kinds(zone), _pressure(test, zone)]
    if len(values) >= LEAST_CUPS:
        found += [_dry_place(x, y, values), _wet_cup(x, y, values), _edge(x, y, values)]
    found.append(_rate_apart(test, zone))
    causes = [cause for cause in found if cause is not None]
    if not causes and values.min() < DRIEST * values.mean():
        causes.append(
            Cause(
                code="scattered",
                what="heads out of plumb, worn or unlike nozzles, or spacing beyond their throw",
                seen="dry cups stand scattered over the zone",
                remedy="level the heads, compare the numbers on the nozzles, and measure throw against spacing",
            )
        )
    return tuple(causes)


def _mixed_kinds(zone: Zone | None) -> Cause | None:
    kinds = sorted({str(group.kind) for group in zone.heads}) if zone is not None else []
    if len(kinds) < 2:
        return None
    return Cause(
        code="mixed_kinds",
        what="kinds of heads that apply water at different rates",
        seen=f"{' and '.join(kinds)} share this valve",
        remedy="give each kind its own valve, or change heads until they match",
    )


def _pressure(test: CupTest, zone: Zone | None) -> Cause | None:
    """Pressure at a head against the rated one of the zone's heads."""
    seen_kpa = [cup.pressure_kpa for cup in test.cups if cup.pressure_kpa is not None]
    rated = [group.rated_pressure_kpa for group in zone.heads if group.rated_pressure_kpa] if zone is not None else []
    if not seen_kpa or not rated:
        return None
    mean_kpa, rated_kpa = sum(seen_kpa) / len(seen_kpa), min(rated)
    seen = f"{mean_kpa:.0f} kPa at the head, rated {rated_kpa:.0f} kPa"
    if mean_kpa < PRESSURE_LOW * rated_kpa:
        remedy = "look for a half-shut valve or a leak, then for too many heads on the valve"
        return Cause(
            code="low_pressure", what="too little pressure: drops stay large, throw short", seen=seen, remedy=remedy
        )
    if mean_kpa > PRESSURE_HIGH * rated_kpa:
        remedy = "fit regulated heads or a regulator; mist drifts away"
        return Cause(code="high_pressure", what="too much pressure: the spray turns to mist", seen=seen, remedy=remedy)
    return None


def _dry_place(x: Floats, y: Floats, values: Floats) -> Cause | None:
    """Dry cups that stand together point to one head."""
    dry = values < DRIER * values.mean()
    if values.min() > DRIEST * values.mean() or not 1 <= dry.sum() <= len(values) / 3:
        return None
    spread = np.hypot(x - x.mean(), y - y.mean()).mean()
    near = np.hypot(x[dry] - x[dry].mean(), y[dry] - y[dry].mean()).mean()
    if near > CLUSTER_SHARE * spread:
        return None
    missing = values.mean() - values[dry]
    place = float(np.average(x[dry], weights=missing)), float(np.average(y[dry], weights=missing))
    share = float(values[dry].mean() / values.mean())
    return Cause(
        code="dry_place",
        what="one head there is clogged, tilted, sunk, blocked or turned the wrong way",
        seen=f"dry cups stand together around x {place[0]:.1f} m, y {place[1]:.1f} m with {share:.0%} of the mean",
        remedy="run the zone and look at the heads that reach there: clean, level, raise, turn or replace",
        place=place,
    )


def _wet_cup(x: Floats, y: Floats, values: Floats) -> Cause | None:
    wettest = int(values.argmax())
    times = float(values[wettest] / values.mean())
    if times < WET_CUP:
        return None
    return Cause(
        code="wet_cup",
        what="a leaking seal, a rotor that stands still, or a cup too near to a head",
        seen=f"the cup at x {x[wettest]:.1f} m, y {y[wettest]:.1f} m holds {times:.1f} times the mean",
        remedy="watch the nearest head: does it turn, does its wiper seal leak, does a nozzle spit",
        place=(float(x[wettest]), float(y[wettest])),
    )


def _edge(x: Floats, y: Floats, values: Floats) -> Cause | None:
    """Cups near the edge against those within, by their medians, so that one cup makes no edge."""
    reach = np.minimum(_from_edge(x), _from_edge(y))
    edge = reach < EDGE_SHARE
    if edge.sum() < 3 or (~edge).sum() < 3:
        return None
    share = float(np.median(values[edge]) / max(float(np.median(values[~edge])), 1e-9))
    if share < EDGE_DRY:
        what, remedy = "edges that only one row of heads reaches", "turn arcs to the edge, or set heads along it"
    elif share > EDGE_WET:
        what, remedy = "a middle that the heads along the edge do not reach", "check throw, pressure and spacing"
    else:
        return None
    seen = f"cups near the edge hold {share:.0%} of those within"
    return Cause(code="edge", what=what, seen=seen, remedy=remedy)


def _from_edge(place: Floats) -> Floats:
    """Share of the zone's extent to the nearer side."""
    extent = max(float(np.ptp(place)), 1e-9)
    nearest: Floats = np.minimum(place - place.min(), place.max() - place) / extent
    return nearest


def _rate_apart(test: CupTest, zone: Zone | None) -> Cause | None:
    """The cups' rate against what the heads give off by their stated flow."""
    rates = test.rates_mm_h
    flows = [(g.flow_l_min or 0.0) * g.count for g in zone.heads] if zone is not None else []
    if rates is None or zone is None or not flows or not all(flows):
        return None
    stated = float(application_rate_from_heads(sum(flows), zone.area_m2))
    share = float(rates.mean()) / stated
    if abs(share - 1.0) <= RATE_APART:
        return None
    seen = f"the cups caught {rates.mean():.1f} mm/h, heads and area make {stated:.1f} mm/h"
    if share < 1.0:
        what = "water that never reaches the zone: clogged nozzles, low pressure, drift, a leak, or a larger area"
        remedy = "compare the zone's metered flow with the heads' list, then look for leaks and overspray"
    else:
        what = "worn or larger nozzles, high pressure, a smaller area, or cups too near to heads"
        remedy = "compare the zone's metered flow with the heads' list, then measure the area again"
    return Cause(code="rate_low" if share < 1.0 else "rate_high", what=what, seen=seen, remedy=remedy)
