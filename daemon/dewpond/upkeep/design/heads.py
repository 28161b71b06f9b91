"""Heads of one zone: matched rates, kinds, spacing against throw, and pressure against what they are rated for."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from dewpond.model.site import OVERHEAD_KINDS, Heads, Site, Supply, Zone
from dewpond.science.hydraulics import friction_loss_kpa, outlets_factor, pressure_of_head_kpa
from dewpond.upkeep.design import limits
from dewpond.upkeep.design.finding import HARM, NOTE, WASTE, Finding

SAME_RADIUS = 0.02


def of_heads(site: Site) -> list[Finding]:
    """Findings about the heads of every zone."""
    found: list[Finding] = []
    for zone in site.zones:
        found += _kinds(zone) + _matched(zone) + _spacing(zone)
        found += _pressure(zone, site.supply(zone.supply)) if zone.heads else []
    return found


def _kinds(zone: Zone) -> list[Finding]:
    kinds = sorted({str(group.kind) for group in zone.heads})
    if len(kinds) < 2:
        return []
    return [
        Finding(
            code="mixed_kinds",
            weight=WASTE,
            table="zone",
            id=zone.id,
            what=f"{' and '.join(kinds)} share one valve",
            number=len(kinds),
            limit=1,
            limit_said="one kind on a valve, since kinds apply water at different rates",
            source=limits.MATCHED_RATES.source,
            remedy="give each kind its own valve, or change heads until they match",
        )
    ]


def sector_rate_mm_h(group: Heads) -> float | None:
    """Depth an hour that one head puts on the sector it throws over; None where flow, radius or arc are not known.

    Heads of one nozzle family keep it equal over all arcs and radii, which is what matched means.
    """
    if not (group.flow_l_min and group.radius_m and group.arc_deg):
        return None
    sector_m2 = 3.141592653589793 * group.radius_m**2 * group.arc_deg / 360.0
    return 60.0 * group.flow_l_min / sector_m2


def _matched(zone: Zone) -> list[Finding]:
    """Unlike rates within one kind; different arcs of one nozzle family are matched and never told."""
    rates = [(group, rate) for group in zone.heads if (rate := sector_rate_mm_h(group)) is not None]
    if len(rates) < 2 or len({group.kind for group in zone.heads}) > 1:
        return []
    (_, low), (_, high) = min(rates, key=lambda each: each[1]), max(rates, key=lambda each: each[1])
    if high <= limits.MATCHED_RATES.value * low * (1 + 1e-9):
        return []
    said = ", ".join(f"{g.count} of {g.arc_deg:g} deg {g.radius_m:g} m: {rate:.0f} mm/h" for g, rate in rates)
    return [
        Finding(
            code="unmatched_rates",
            weight=WASTE,
            table="zone",
            id=zone.id,
            what=f"its heads put down {low:.0f} to {high:.0f} mm/h on their own sectors ({said})",
            number=high / low,
            limit=limits.MATCHED_RATES.value,
            limit_said=f"at most {limits.MATCHED_RATES.value:g} times",
            source=limits.MATCHED_RATES.source,
            remedy="take nozzles of one family, whose flow goes with their arc, or put them on valves of their own",
        )
    ]


def _spacing(zone: Zone) -> list[Finding]:
    found = []
    for group in zone.heads:
        if group.kind in OVERHEAD_KINDS and group.spacing_m and group.radius_m:
            found += spacing_of("zone", zone.id, str(group.kind), group.spacing_m, group.radius_m)
    return found


def spacing_of(table: str, place: str, kind: str, spacing_m: float, radius_m: float) -> list[Finding]:
    """Spacing against the diameter of throw."""
    share, limit = spacing_m / (2.0 * radius_m), limits.SPACING
    if share <= limit.value + 1e-9:
        return []
    most = limits.SPACING_MOST
    worse = share > most.value + 1e-9
    held = most if worse else limit
    return [
        Finding(
            code="wide_spacing",
            weight=HARM if worse else WASTE,
            table=table,
            id=place,
            what=f"{kind} heads stand {spacing_m:.1f} m apart and throw {radius_m:.1f} m",
            number=share,
            limit=held.value,
            limit_said=f"{share:.0%} of the diameter, at most {held.value:.0%}; head to head is 50 %",
            source=held.source,
            remedy=f"set heads {radius_m:.1f} m apart, or take nozzles that throw {spacing_m:.1f} m",
        )
    ]


def pressure_at_heads_kpa(zone: Zone, supply: Supply) -> tuple[float, float, tuple[str, ...]] | None:
    """Pressure at the first and the last head while the zone runs alone, and what went into it. [kPa]

    None without a static pressure. What is not known (lengths, diameters, rise) is left out, and said so.
    """
    if supply.static_pressure_kpa is None:
        return None
    static_kpa = supply.static_pressure_kpa
    left, parts = static_kpa, [f"{static_kpa:.0f} kPa static"]
    meter_kpa = limits.METER_LOSS.value * static_kpa if supply.meter is not None else 0.0
    main_kpa = 0.0
    if supply.pipe_diameter_mm and supply.pipe_length_m:
        main_kpa = float(friction_loss_kpa(zone.flow_l_min, supply.pipe_diameter_mm, supply.pipe_length_m))
    rise_kpa = float(pressure_of_head_kpa(zone.rise_m or 0.0))
    for name, loss in (("meter at the most", meter_kpa), ("main", main_kpa), ("rise", rise_kpa)):
        left -= loss
        parts += [f"{name} {-loss:+.0f}"] if loss else []
    return left, left - lateral_loss_kpa(zone), tuple(parts)


def lateral_loss_kpa(zone: Zone) -> float:
    """Friction from the valve to the last head, the flow leaving head by head; 0 where the pipe is not described."""
    count = sum(group.count for group in zone.heads)
    if not (zone.lateral_diameter_mm and zone.lateral_length_m and count):
        return 0.0
    full_kpa = float(friction_loss_kpa(zone.flow_l_min, zone.lateral_diameter_mm, zone.lateral_length_m))
    return full_kpa * min(1.0, float(outlets_factor(float(count))))


def _pressure(zone: Zone, supply: Supply) -> list[Finding]:
    seen = pressure_at_heads_kpa(zone, supply)
    rated = [group.rated_pressure_kpa for group in zone.heads if group.rated_pressure_kpa is not None]
    if seen is None or not rated:
        return []
    first_kpa, last_kpa, parts = seen
    found = []
    if not all(group.regulated for group in zone.heads) and first_kpa > limits.HIGH_PRESSURE.value * min(rated):
        found.append(_too_high(zone, first_kpa, min(rated), parts))
    if last_kpa < limits.LOW_PRESSURE.value * max(rated):
        found.append(_too_low(zone, last_kpa, max(rated), parts))
    loss_kpa = lateral_loss_kpa(zone)
    if loss_kpa > limits.LATERAL_LOSS.value * min(rated):
        found.append(_long_lateral(zone, loss_kpa, min(rated)))
    return found


def _too_high(zone: Zone, at_kpa: float, rated_kpa: float, parts: Iterable[str]) -> Finding:
    limit = limits.HIGH_PRESSURE
    return Finding(
        code="high_pressure",
        weight=WASTE,
        table="zone",
        id=zone.id,
        what=f"about {at_kpa:.0f} kPa reach heads rated {rated_kpa:.0f} kPa ({', '.join(parts)})",
        number=at_kpa / rated_kpa,
        limit=limit.value,
        limit_said=f"at most {limit.value:g} times the rated pressure; above it spray turns to mist and drifts",
        source=limit.source,
        remedy="take regulated heads or a regulator at the valve set to their pressure, then write regulated = true",
    )


def _too_low(zone: Zone, at_kpa: float, rated_kpa: float, parts: Iterable[str]) -> Finding:
    limit = limits.LOW_PRESSURE
    return Finding(
        code="low_pressure",
        weight=HARM,
        table="zone",
        id=zone.id,
        what=f"about {max(at_kpa, 0.0):.0f} kPa are left for a last head of {rated_kpa:.0f} kPa ({', '.join(parts)})",
        number=at_kpa / rated_kpa,
        limit=limit.value,
        limit_said=f"at least {limit.value:.0%} of the rated pressure",
        source=limit.source,
        remedy="split the zone, widen the pipe, take nozzles for less pressure, or have a booster pump planned",
    )


def _long_lateral(zone: Zone, loss_kpa: float, rated_kpa: float) -> Finding:
    limit = limits.LATERAL_LOSS
    return Finding(
        code="lateral_loss",
        weight=WASTE,
        table="zone",
        id=zone.id,
        what=f"{zone.lateral_length_m:.0f} m of lateral take {loss_kpa:.0f} kPa of {rated_kpa:.0f} kPa",
        number=loss_kpa / rated_kpa,
        limit=limit.value,
        limit_said=f"at most {limit.value:.0%} between first and last head",
        source=limit.source,
        remedy="feed the line from its middle, widen it, or split the zone",
    )


def unrated(zones: Sequence[Zone]) -> list[Finding]:
    """One note for all zones whose heads cannot be reviewed, so that nobody takes silence for praise."""
    blind = [z.id for z in zones if not z.heads or any(g.rated_pressure_kpa is None for g in z.heads)]
    if not blind:
        return []
    return [
        Finding(
            code="heads_not_described",
            weight=NOTE,
            table="site",
            id="",
            what=f"pressure was not reviewed for {', '.join(blind)}",
            source="it needs heads with their rated_pressure",
            remedy="list the heads, or hand in a plan of them",
        )
    ]
