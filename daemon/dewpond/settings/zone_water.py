"""How much water a zone's valve puts on the ground, how fast, and how well spread."""

from __future__ import annotations

from difflib import get_close_matches

from dewpond.model.site import OVERHEAD_KINDS, HeadKind, Heads
from dewpond.science.application import (
    application_rate_from_heads,
    efficiency_from_uniformity,
    flow_from_application_rate,
)
from dewpond.settings.schema import HeadsTable
from dewpond.settings.zone_desk import Desk

# Minimum average irrigation efficiency by kind of device, 0.75 for overhead spray and 0.81 for drip: California Model
# Water Efficient Landscape Ordinance, 23 CCR 491 (2015), read in a town's ordinance that adopts it.
EFFICIENCY = {"spray": 0.75, "rotor": 0.75, "bubbler": 0.75, "drip": 0.81}
# Rates that tell the method of a zone without heads [mm/h]. Spray heads about 30, rotors and impacts below 25: Waller
# and Yitayew, Irrigation and Drainage Engineering, 2016, ch. 13; drip about 5 from memory. The borders are ours.
SPRAY_FROM_MM_H, ROTOR_FROM_MM_H = 20.0, 6.0
RATE_TOLERANCE = 0.10
LEAST_WETTED_SHARE = 0.05
METHOD_OF_KIND = {
    HeadKind.SPRAY: "spray",
    HeadKind.MICRO_SPRAY: "spray",
    HeadKind.ROTOR: "rotor",
    HeadKind.ROTARY_NOZZLE: "rotor",
    HeadKind.IMPACT: "rotor",
    HeadKind.BUBBLER: "bubbler",
    HeadKind.POINT_EMITTER: "drip",
    HeadKind.DRIP_LINE: "drip",
}
STRICTEST_FIRST = ("spray", "rotor", "bubbler", "drip")  # by the longest opening that rules allow


def heads_of(group: HeadsTable) -> Heads:
    """One group of heads as the model has it."""
    return Heads(
        kind=group.kind,
        count=group.count,
        flow_l_min=group.flow,
        radius_m=group.radius,
        arc_deg=group.arc,
        rated_pressure_kpa=group.rated_pressure,
        wetted_m2=group.wetted,
        spacing_m=group.spacing,
        regulated=group.regulated,
        check_valve=group.check_valve,
    )


def wetted_share(desk: Desk, heads: tuple[Heads, ...]) -> float:
    """Share fw of the zone's area that its emitters wet, stated or counted from them; 1 where nobody said.

    Source: fraction of the surface wetted, FAO-56 ch. 7, Table 20 (0.3 to 0.4 for trickle); from emitters it is
    count x wetted ground / area, common practice, no source.
    """
    table = desk.table
    counted = [group for group in heads if group.wetted_m2 is not None]
    if table.wetted_share is not None:
        if counted:
            desk.refuse("wetted_share", "given beside wetted ground of heads", "only one may stand", "keep one of them")
        return table.wetted_share
    if not counted:
        return 1.0
    if len(counted) < len(heads):
        desk.refuse("heads", "some groups state wetted, some do not", "it takes all or none", "add wetted to each")
        return 1.0
    share = sum(group.count * (group.wetted_m2 or 0.0) for group in counted) / table.area
    if share < LEAST_WETTED_SHARE:
        what = f"the emitters wet {share:.3g} of {table.area:g} m2"
        limit = f"at least {LEAST_WETTED_SHARE:g}"
        desk.refuse("heads", what, limit, "give as area the ground whose plants they water, or correct wetted")
        return 1.0
    desk.note("wetted_share", f"{min(share, 1.0):.3g}: wetted ground of all emitters over the area")
    return min(share, 1.0)


def flow_of_heads(heads: tuple[Heads, ...]) -> float | None:
    """Flow of all heads together [L/min]; None unless every group states its own."""
    flows = [group.flow_l_min * group.count for group in heads if group.flow_l_min is not None]
    return sum(flows) if flows and len(flows) == len(heads) else None


def rate_and_flow(desk: Desk, heads: tuple[Heads, ...]) -> tuple[float, float]:
    """Application rate [mm/h] and flow [L/min]. A measured rate beats one computed from heads and area."""
    table, heads_l_min = desk.table, flow_of_heads(heads)
    if table.application_rate is None and heads_l_min is None:
        if not any(get_close_matches(key, ("heads", "application_rate")) for key in desk.dropped):
            missing = "the heads do not all state a flow" if heads else "neither application_rate nor heads are given"
            desk.refuse(
                "application_rate", missing, "", "measure the rate with cups, or list the heads with their flow"
            )
        return 1.0, 0.0
    if table.application_rate is None:
        rate_mm_h = float(application_rate_from_heads(heads_l_min, table.area))
        desk.note("application_rate", f"{rate_mm_h:.3g} mm/h: {heads_l_min:.3g} L/min on {table.area:.3g} m2")
        return rate_mm_h, heads_l_min or 0.0
    if heads_l_min is None:
        flow_l_min = float(flow_from_application_rate(table.application_rate, table.area))
        desk.note("flow", f"{flow_l_min:.3g} L/min: rate times area")
        return table.application_rate, flow_l_min
    desk.note("flow", f"{heads_l_min:.3g} L/min: sum of the heads")
    _compare_rates(desk, table.application_rate, float(application_rate_from_heads(heads_l_min, table.area)))
    return table.application_rate, heads_l_min


def _compare_rates(desk: Desk, stated_mm_h: float, computed_mm_h: float) -> None:
    if abs(stated_mm_h - computed_mm_h) > RATE_TOLERANCE * computed_mm_h:
        what = f"{stated_mm_h:.3g} mm/h is stated, but heads and area make {computed_mm_h:.3g} mm/h"
        remedy = "check count, flow and area of the heads; the stated rate is used"
        desk.tell("application_rate", what, f"they differ by more than {RATE_TOLERANCE:.0%}", remedy)


def method(desk: Desk, heads: tuple[Heads, ...], rate_mm_h: float) -> tuple[str, bool]:
    """The method that rules cap openings by, and whether water falls from above."""
    kinds = {group.kind for group in heads}
    if len(kinds) > 1:
        names = " and ".join(sorted(kinds))
        remedy = "give each kind its own valve, or change heads until they match"
        desk.tell("heads", f"{names} share one valve", "they apply water at different rates", remedy)
    if desk.table.method is not None:
        return desk.table.method, desk.table.method in ("spray", "rotor") or bool(kinds & OVERHEAD_KINDS)
    if kinds:
        found = min((METHOD_OF_KIND[kind] for kind in kinds), key=STRICTEST_FIRST.index)
        return found, bool(kinds & OVERHEAD_KINDS)
    found = "spray" if rate_mm_h >= SPRAY_FROM_MM_H else "rotor" if rate_mm_h >= ROTOR_FROM_MM_H else "drip"
    desk.note("method", f"{found}, told by the rate of {rate_mm_h:.3g} mm/h since no heads are given")
    return found, found != "drip"


def efficiency(desk: Desk, of_method: str) -> float:
    """Share of the applied water that serves the roots."""
    desk.one_of("efficiency", "distribution_uniformity")
    table = desk.table
    if table.efficiency is not None:
        return table.efficiency
    if table.distribution_uniformity is not None:
        found = float(efficiency_from_uniformity(table.distribution_uniformity))
        desk.note("efficiency", f"{found:.3g}: 0.4 + 0.6 x {table.distribution_uniformity:.3g}")
        return found
    desk.assume("efficiency", f"efficiency {EFFICIENCY[of_method]:g} for {of_method}")
    return EFFICIENCY[of_method]


def minimum_run_s(desk: Desk, refill_s: float) -> float:
    """The zone's own minimum run, else the site's; refused where it is longer than what refills the zone. [s]"""
    own, site = desk.table.minimum_run, desk.facts.minimum_run_min
    least_s = (site if own is None else own) * 60.0
    if own is not None and least_s > refill_s:
        what = f"{own:g} min, but {refill_s / 60.0:.3g} min refill the zone from where stress begins"
        desk.refuse("minimum_run", what, "its plants would be stressed before it runs", "shorten it")
    return min(least_s, refill_s) if own is None else least_s
