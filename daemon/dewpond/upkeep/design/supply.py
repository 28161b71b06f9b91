"""The supply against what hangs on it: flow and count of heads, velocity, friction, backflow, pressure."""

from __future__ import annotations

import math

from dewpond.model.site import Site, Supply, Zone
from dewpond.science.hydraulics import friction_loss_kpa, largest_flow_l_min, velocity_m_s
from dewpond.upkeep.design import limits
from dewpond.upkeep.design.finding import HARM, HAZARD, NOTE, WASTE, Finding

# Static pressure from which plumbing codes ask for a regulator, 80 psi [kPa]. From memory.
HOUSE_LIMIT_KPA = 552.0


def of_supplies(site: Site) -> list[Finding]:
    """Findings about every supply and the zones on it."""
    found: list[Finding] = []
    for supply in site.supplies:
        zones = [zone for zone in site.zones if zone.supply == supply.id]
        for zone in zones:
            found += _flow(zone, supply) + _lateral_velocity(zone, supply)
        found += _main(zones, supply) + _backflow(supply) + _static(supply)
    return found


def _flow(zone: Zone, supply: Supply) -> list[Finding]:
    """One zone's share of the capacity, and how many valves its heads would need."""
    capacity, limit = supply.capacity_l_min, limits.FLOW_SHARE
    if capacity is None or zone.flow_l_min <= limit.value * capacity * (1 + 1e-9):
        return []
    valves = math.ceil(zone.flow_l_min / (limit.value * capacity) - 1e-9)
    heads = sum(group.count for group in zone.heads)
    of_heads = f" of its {heads} heads" if heads else ""
    each = f", about {math.ceil(heads / valves)} heads each" if heads else ""
    return [
        Finding(
            code="zone_flow",
            weight=HARM if zone.flow_l_min > capacity else NOTE,
            table="zone",
            id=zone.id,
            what=f"the {zone.flow_l_min:.3g} L/min{of_heads} are {zone.flow_l_min / capacity:.0%} of the supply",
            number=zone.flow_l_min / capacity,
            limit=limit.value,
            limit_said=f"at most {limit.value:.0%} of the {capacity:.3g} L/min measured, since supplies vary",
            source=limit.source,
            remedy=f"split it over {valves} valves{each}, or measure the capacity at the worst hour",
        )
    ]


def _lateral_velocity(zone: Zone, supply: Supply) -> list[Finding]:
    diameter = zone.lateral_diameter_mm
    if diameter is None:
        return []
    speed = float(velocity_m_s(zone.flow_l_min, diameter))
    if speed <= supply.velocity_limit_m_s * (1 + 1e-9):
        return []
    most = float(largest_flow_l_min(diameter, supply.velocity_limit_m_s))
    return [
        Finding(
            code="lateral_velocity",
            weight=HARM,
            table="zone",
            id=zone.id,
            what=f"water runs at {speed:.2g} m/s in its lateral of {diameter:.3g} mm",
            number=speed,
            limit=supply.velocity_limit_m_s,
            unit="m/s",
            limit_said=f"at most {supply.velocity_limit_m_s:.3g} m/s, which is {most:.3g} L/min",
            source=f"5 ft/s, {limits.JARRETT}; Boman, UF/IFAS, ch. 21",
            remedy="widen the lateral, or split the zone",
        )
    ]


def _main(zones: list[Zone], supply: Supply) -> list[Finding]:
    """Friction of the main while its largest zone runs alone; its velocity is told by the site file."""
    diameter, limit = supply.pipe_diameter_mm, limits.FRICTION
    if diameter is None or not zones:
        return []
    largest = max(zones, key=lambda zone: zone.flow_l_min)
    per_m = float(friction_loss_kpa(largest.flow_l_min, diameter, 1.0))
    if per_m <= limit.value * (1 + 1e-9):
        return []
    whole = f", {per_m * supply.pipe_length_m:.0f} kPa over its length" if supply.pipe_length_m else ""
    return [
        Finding(
            code="main_friction",
            weight=WASTE,
            table="supply",
            id=supply.id,
            what=f"the main loses {per_m:.2g} kPa a metre to zone {largest.id}{whole}",
            number=per_m,
            limit=limit.value,
            unit="kPa/m",
            limit_said=f"at most {limit.value:.2g} kPa/m",
            source=limit.source,
            remedy="lay a wider main, or split the zone",
        )
    ]


def _backflow(supply: Supply) -> list[Finding]:
    """What stands between the pipes and the drinking water; local code and licensed practice decide."""
    if supply.source == "reclaimed":
        return [
            _note(
                supply,
                "reclaimed",
                HAZARD,
                "reclaimed water",
                limits.RECLAIMED,
                "keep signs and purple parts, spray off walks and tables, and no cross-connection",
            )
        ]
    if supply.source != "potable":
        return []
    device, local = supply.backflow, "ask the water supplier; local code and licensed practice decide; have it tested"
    if device is None:
        what = "which backflow preventer stands at the connection is not told (backflow)"
        return [_note(supply, "backflow_unknown", NOTE, what, limits.BACKFLOW_HAZARD, local)]
    if device == "none":
        what = "no backflow preventer: water from the ground can be drawn into the drinking water"
        remedy = "keep the irrigation shut off until one is fitted by a licensed person"
        return [_note(supply, "no_backflow", HAZARD, what, limits.BACKFLOW_HAZARD, remedy)]
    if device == "atmospheric vacuum breaker":
        what = "an atmospheric vacuum breaker ahead of the zone valves stays under pressure"
        return [_note(supply, "backflow_device", HAZARD, what, limits.ATMOSPHERIC, local)]
    if device == "double check":
        what = "a double check valve is for hazards that do not endanger health"
        return [_note(supply, "backflow_device", NOTE, what, limits.DOUBLE_CHECK, local)]
    if "vacuum breaker" in device:
        what = f"a {device} must stand above the highest head, free of back pressure and flooding"
        weight = HAZARD if supply.pump is not None else NOTE
        return [_note(supply, "backflow_device", weight, what, limits.VACUUM_BREAKER, local)]
    return []


def _note(supply: Supply, code: str, weight: str, what: str, source: str, remedy: str) -> Finding:
    return Finding(code=code, weight=weight, table="supply", id=supply.id, what=what, source=source, remedy=remedy)


def _static(supply: Supply) -> list[Finding]:
    static_kpa = supply.static_pressure_kpa
    if static_kpa is None:
        return [
            _note(
                supply,
                "static_unknown",
                NOTE,
                "its static pressure is not told, so no pressure was reviewed",
                "gauge on an outside tap, all other outlets shut, several times of day: Lawn & Landscape",
                "read a gauge and write static_pressure",
            )
        ]
    if static_kpa <= HOUSE_LIMIT_KPA:
        return []
    return [
        Finding(
            code="static_high",
            weight=HARM,
            table="supply",
            id=supply.id,
            what=f"static pressure is {static_kpa:.0f} kPa",
            number=static_kpa,
            limit=HOUSE_LIMIT_KPA,
            unit="kPa",
            limit_said=f"at most {HOUSE_LIMIT_KPA:.0f} kPa (80 psi) without a regulator",
            source=f"plumbing codes, {limits.MEMORY}",
            remedy="have a pressure regulator fitted at the connection by a licensed person",
        )
    ]
