"""The ground against the heads on it: rates on slopes, splitting of runs, and lines that drain downhill."""

from __future__ import annotations

from dewpond.model.site import OVERHEAD_KINDS, Site, Zone
from dewpond.science.application import run_time_for_net_s, split_run
from dewpond.upkeep.design import limits
from dewpond.upkeep.design.finding import NOTE, WASTE, Finding, Limit


def of_ground(site: Site) -> list[Finding]:
    """Findings about slope and soil of every zone."""
    found: list[Finding] = []
    for zone in site.zones:
        found += _steep(zone) + _split(zone) + _drains(zone)
    return found


def _steep(zone: Zone) -> list[Finding]:
    if not zone.overhead:
        return []
    if zone.slope_pct > limits.NO_OVERHEAD_SLOPE.value:
        return [_on_slope(zone, "overhead_on_slope", zone.slope_pct, limits.NO_OVERHEAD_SLOPE, "%", "water is thrown")]
    for slope, rate in (
        (limits.VERY_STEEP, limits.VERY_STEEP_RATE),
        (limits.STEEP, limits.STEEP_RATE),
    ):
        if zone.slope_pct > slope.value and zone.application_rate_mm_h > rate.value * (1 + 1e-9):
            falls = f"{zone.application_rate_mm_h:.0f} mm/h fall"
            return [_on_slope(zone, "rate_on_slope", zone.application_rate_mm_h, rate, "mm/h", falls)]
    return []


def _on_slope(zone: Zone, code: str, number: float, limit: Limit, unit: str, falls: str) -> Finding:
    return Finding(
        code=code,
        weight=WASTE,
        table="zone",
        id=zone.id,
        what=f"{falls} on a slope of {zone.slope_pct:g} %",
        number=number,
        limit=limit.value,
        unit=unit,
        limit_said=f"at most {limit.value:.3g} {unit}",
        source=limit.source,
        remedy="take heads of a lower rate, such as multi-stream nozzles, or drip",
    )


def _split(zone: Zone) -> list[Finding]:
    """How one refill must be split so that nothing runs off."""
    seconds = float(run_time_for_net_s(zone.raw_mm, zone.application_rate_mm_h, zone.efficiency))
    openings, opening_s, rest_s = split_run(
        seconds, zone.application_rate_mm_h, zone.intake_mm_h, zone.surface_storage_mm
    )
    if openings <= 1:
        return []
    many = openings > limits.MANY_OPENINGS.value
    remedy = "heads of a lower rate would do it in one go" if many else "dewpond splits its runs so by itself"
    soil = f"{zone.soil or 'its soil'} on {zone.slope_pct:g} % takes in {zone.intake_mm_h:.3g} mm/h"
    return [
        Finding(
            code="split",
            weight=WASTE if many else NOTE,
            table="zone",
            id=zone.id,
            what=(
                f"a refill takes {openings:.0f} openings of {opening_s / 60.0:.0f} min, {rest_s / 60.0:.0f} min rest: "
                f"{zone.application_rate_mm_h:.3g} mm/h fall, {soil}, and {zone.surface_storage_mm:.2g} mm may stand"
            ),
            number=float(openings),
            limit=limits.MANY_OPENINGS.value if many else 1.0,
            limit_said="in one opening where nothing runs off" if not many else "split more often, time and wear grow",
            source=limits.SURFACE,
            remedy=remedy,
        )
    ]


def _drains(zone: Zone) -> list[Finding]:
    """Low-head drainage: the height across the zone, from its slope and the side of a square of its area."""
    heads = [group for group in zone.heads if group.kind in OVERHEAD_KINDS]
    if not heads or all(group.check_valve for group in heads):
        return []
    height_m = zone.slope_pct / 100.0 * zone.area_m2**0.5
    return draining("zone", zone.id, height_m)


def draining(table: str, place: str, height_m: float) -> list[Finding]:
    """The finding for heads without check valves over a height. [m]"""
    limit = limits.DRAINING_M
    if height_m <= limit.value:
        return []
    return [
        Finding(
            code="check_valves",
            weight=WASTE,
            table=table,
            id=place,
            what=f"about {height_m:.1f} m lie between its highest and lowest heads, without check valves",
            number=height_m,
            limit=limit.value,
            unit="m",
            limit_said=f"above {limit.value:g} m the line drains through the lowest heads after every run",
            source=limit.source,
            remedy="fit heads with check valves (check_valve = true), those at the foot first",
        )
    ]
