"""A zone's table as the model's zone, with every number the balance needs."""

from __future__ import annotations

from dewpond.model.site import Zone
from dewpond.settings import watch_limits, zone_care, zone_planting, zone_soil, zone_water
from dewpond.settings.problems import Report
from dewpond.settings.schema import ZoneTable
from dewpond.settings.tables import Entry
from dewpond.settings.zone_desk import Desk, SiteFacts

LEAST_STORAGE_MM = 0.1  # less than this cannot be told from none


def resolve_zone(entry: Entry[ZoneTable], report: Report, facts: SiteFacts) -> Zone | None:
    """The zone, after reporting what is missing or contradicts itself; None when too little of its table could be read.

    Where something was refused, stand-ins take its place, so that the rest can still be compared with the supply.
    """
    table = entry.table
    if table is None:
        return None
    desk = Desk(table, entry.place, report, facts, entry.dropped)
    heads = tuple(zone_water.heads_of(group) for group in table.heads)
    rate_mm_h, flow_l_min = zone_water.rate_and_flow(desk, heads)
    method, overhead = zone_water.method(desk, heads, rate_mm_h)
    efficiency = zone_water.efficiency(desk, method)
    canopy = zone_soil.canopy_share(desk)
    coefficients = zone_soil.coefficients(desk, canopy)
    p = zone_soil.depletion(desk)
    wetted = zone_water.wetted_share(desk, heads)
    soil = zone_soil.soil(desk, p, wetted)
    supply = _supply(desk)
    rule = table.rule or ("calendar" if table.id in facts.programmed else "lookahead")
    if soil.surface_storage_mm < LEAST_STORAGE_MM and rate_mm_h > soil.intake_mm_h:
        what = (
            f"{soil.surface_storage_mm:g} mm, but {rate_mm_h:.3g} mm/h falls on soil that takes {soil.intake_mm_h:.3g}"
        )
        desk.refuse("surface_storage", what, "every drop would run off", "give the storage that was observed")
    if desk.assumed:
        desk.tell("", f"assumed: {'; '.join(desk.assumed)}", "", "write what is known of this zone")
    return Zone(
        id=table.id,
        name=table.name or _name(table.id),
        supply=supply,
        output=table.output,
        close_output=table.close_output,
        area_m2=table.area,
        overhead=overhead,
        method=method,
        crop_coefficient=coefficients,
        exposure=table.exposure,
        taw_mm=soil.taw_mm,
        raw_mm=soil.raw_mm,
        raw_is_given=table.root_zone_storage is not None,
        allowed_depletion=p,
        application_rate_mm_h=rate_mm_h,
        efficiency=efficiency,
        intake_mm_h=soil.intake_mm_h,
        surface_storage_mm=soil.surface_storage_mm,
        flow_l_min=flow_l_min,
        rule=rule,
        plants=table.plants,
        soil=soil.texture,
        root_depth_mm=soil.root_depth_mm,
        available_water_mm_m=soil.available_water_mm_m,
        slope_pct=table.slope or 0.0,
        heads=heads,
        notes=desk.notes,
        day_cap_s=None if table.day_cap is None else table.day_cap * 60.0,
        week_cap_s=None if table.week_cap is None else table.week_cap * 60.0,
        dormant=zone_care.dormancy(desk, rule),
        cooling=zone_care.cooling(desk, overhead=overhead),
        watch=watch_limits.of_zone(desk.table),
        wetted_share=wetted,
        canopy_share=canopy,
        deep_watering=zone_planting.deep_watering(desk, soil.taw_mm, wetted),
        establishment=zone_planting.establishment(desk, soil.root_depth_mm),
        bare_soil=table.bare_soil,
        lateral_diameter_mm=table.lateral_diameter,
        lateral_length_m=table.lateral_length,
        rise_m=table.rise,
        minimum_run_s=zone_water.minimum_run_s(desk, soil.raw_mm / efficiency / rate_mm_h * 3600.0),
        **zone_soil.surface_of(desk, soil),
    )


def _supply(desk: Desk) -> str:
    """The zone's supply; it need not be named where there is only one."""
    if desk.table.supply is not None:
        return desk.table.supply
    if desk.facts.only_supply is None:
        desk.refuse("supply", "missing", "there is more than one supply", "name the one this zone's valve is on")
        return ""
    return desk.facts.only_supply


def _name(zone_id: str) -> str:
    return zone_id.replace("-", " ").replace("_", " ").capitalize()
