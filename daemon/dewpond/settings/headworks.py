"""The head of a supply: its master valve, its main and its pump, and what they must agree on with the zones."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from dewpond.model.site import Pump, Site, Supply, Zone
from dewpond.science.hydraulics import VELOCITY_LIMIT_M_S, largest_flow_l_min, velocity_m_s
from dewpond.settings.problems import Place, Report
from dewpond.settings.schema import PumpTable, SupplyTable, ZoneTable
from dewpond.settings.tables import Entry, Tables
from dewpond.settings.time_room import ASSUMED, hot_day_s

# How long the master valve is open before the first zone and after the last [s]; common practice, no source. A small
# solenoid valve moves within about two seconds, so the main is full before heads open; a diaphragm valve needs some
# seconds and the pressure of the main to seat, so the master lets go after it.
MASTER_LEAD_S = 2.0
MASTER_LAG_S = 5.0
RAN_DRY = ("well", "pond")  # sources whose water can sink below the intake
STEP_L_MIN = 0.1  # flows are summed in steps of this to find zones that can run together
CAUTION = "a pump that runs dry or against shut valves is ruined within minutes, and its motor is on mains current"
REMEDY = (
    "have a licensed electrician wire it behind its own contactor, overload and dry-run cut-outs: drivers/docs/pumps.md"
)


def of_supply(table: SupplyTable, sensors: Mapping[str, str]) -> dict[str, Any]:
    """The fields of the model's supply that its head is made of."""
    return {
        "master_lead_s": MASTER_LEAD_S if table.master_lead is None else table.master_lead,
        "master_lag_s": MASTER_LAG_S if table.master_lag is None else table.master_lag,
        "pipe_diameter_mm": table.pipe_diameter,
        "velocity_limit_m_s": table.velocity_limit or VELOCITY_LIMIT_M_S,
        "pump": None if table.pump is None else _pump(table.pump, sensors),
        "pipe_length_m": table.pipe_length,
        "backflow": table.backflow,
    }


def check(
    tables: Tables, zones: Sequence[tuple[Entry[ZoneTable], Zone]], supplies: Sequence[Supply], report: Report
) -> None:
    """Report what the head of a supply contradicts: itself, its sensors, or the zones behind it."""
    max_open = tables.watering.max_open if tables.watering else 1
    for entry in tables.supplies:
        if entry.table is None:
            continue
        _master(entry.table, entry, report)
        if entry.table.pump is not None:
            _pump_agrees(entry.table, entry.table.pump, entry, tables, report)
    for supply in supplies:
        here = [(entry, zone) for entry, zone in zones if zone.supply == supply.id]
        for row, zone in here:
            guessed = row.dropped & {"heads", "area", "application_rate"}
            if supply.pump is not None and not guessed:
                others = [other.flow_l_min for _, other in here if other is not zone]
                _zone_fits_pump(row, zone, others, max_open, supply, supply.pump, report)


def find(site: Site, tables: Tables, report: Report) -> None:
    """Report what the owner should know of pumps and mains."""
    places = {entry.id: entry.place for entry in tables.supplies}
    for supply in site.supplies:
        place = places.get(supply.id)
        if place is None:
            continue
        _velocity(site, supply, place, report)
        if supply.pump is not None:
            report.finding(place, "pump", "dewpond switches this pump", CAUTION, REMEDY)
            _pump_blind_spots(supply, supply.pump, place, report)
            _day_is_enough(site, supply, supply.pump, place, report)


def _pump(table: PumpTable, sensors: Mapping[str, str]) -> Pump:
    """The pump; a sensor that is not described cannot be read, so it is left out."""
    return Pump(
        output=table.output,
        least_flow_l_min=table.least_flow or 0.0,
        greatest_flow_l_min=table.greatest_flow,
        starts_an_hour=table.starts_an_hour,
        rest_s=table.rest,
        daily_l=table.litres_a_day,
        low_water=table.low_water if table.low_water in sensors else None,
        stops_before_s=table.stops_before,
    )


def _master(table: SupplyTable, entry: Entry[SupplyTable], report: Report) -> None:
    for key in ("master_lead", "master_lag"):
        if key in entry.raw and "master" not in entry.raw:
            report.error(entry.place, key, "there is no master valve", "it times one", "give master, or take it out")
    if table.velocity_limit is not None and table.pipe_diameter is None:
        limit = "a velocity follows from flow and the inside of the pipe"
        report.error(entry.place, "velocity_limit", "pipe_diameter is missing", limit, "measure or look it up")


def _pump_agrees(
    table: SupplyTable, pump: PumpTable, entry: Entry[SupplyTable], tables: Tables, report: Report
) -> None:
    least, greatest = pump.least_flow, pump.greatest_flow
    if least is not None and greatest is not None and least >= greatest:
        what = f"least_flow {least:.4g} L/min is not below greatest_flow {greatest:.4g} L/min"
        report.error(entry.place, "pump", what, "the pump runs between them", "exchange or correct them")
    if least is not None and table.capacity is not None and least > table.capacity:
        what = f"least_flow {least:.4g} L/min is above the supply's capacity {table.capacity:.4g} L/min"
        report.error(entry.place, "pump", what, "nothing could ever run", "correct one of them")
    if pump.low_water is None:
        return
    kinds = {other.id: str(other.raw.get("kind")) for other in tables.sensors if other.id}
    kind = kinds.get(pump.low_water)
    if kind is None:
        what, limit = f'low_water names no sensor: "{pump.low_water}"', "the pump would run dry unwatched"
        report.error(entry.place, "pump", what, limit, "write the [[sensor]], or take low_water out")
    elif kind != "switch":
        what = f'low_water is sensor "{pump.low_water}" of kind {kind}'
        report.error(entry.place, "pump", what, "it takes one of kind switch, true while the water is low", "")


def _zone_fits_pump(
    entry: Entry[ZoneTable],
    zone: Zone,
    others: Sequence[float],
    max_open: int,
    supply: Supply,
    pump: Pump,
    report: Report,
) -> None:
    """A pump passes no more than its greatest flow, and is harmed below its least: small zones need company."""
    flow, greatest = zone.flow_l_min, pump.greatest_flow_l_min
    key = "heads" if zone.heads else "application_rate"
    if greatest is not None and flow > greatest * (1 + 1e-9):
        what, limit = f"the zone takes {flow:.4g} L/min", f'the pump of "{supply.id}" gives {greatest:.4g} L/min'
        report.error(entry.place, key, what, limit, "split the zone, or correct the flow or greatest_flow")
        return
    if flow >= pump.least_flow_l_min:
        return
    most = min(
        (limit for limit in (supply.capacity_l_min, greatest) if limit is not None),
        default=flow + sum(others),
    )
    if not _reaches(pump.least_flow_l_min - flow, most - flow, others, max_open - 1):
        what = f"the zone takes {flow:.4g} L/min, and no company brings it to what the pump needs"
        limit = f'least_flow of "{supply.id}" is {pump.least_flow_l_min:.4g} L/min, with {max_open} open at once'
        report.error(entry.place, key, what, limit, "raise max_open, join zones on one valve, or fit a bypass")


def _reaches(least_l_min: float, most_l_min: float, flows: Sequence[float], count: int) -> bool:
    """Whether at most ``count`` of these flows sum to between two limits; bit n of a mask is a sum of n steps."""
    if least_l_min > most_l_min:
        return False
    top, floor = int(most_l_min / STEP_L_MIN + 1e-6), -int(-least_l_min / STEP_L_MIN + 1e-6)
    mask = (1 << (top + 1)) - 1
    sums = [1, *([0] * max(0, count))]
    for flow in flows:
        step = int(flow / STEP_L_MIN + 1e-6)
        for taken in range(len(sums) - 1, 0, -1):
            sums[taken] |= (sums[taken - 1] << step) & mask
    return any(found >> floor for found in sums)


def _velocity(site: Site, supply: Supply, place: Place, report: Report) -> None:
    """A main in which the flow of one zone, or of the whole capacity, runs faster than the limit."""
    diameter_mm = supply.pipe_diameter_mm
    if diameter_mm is None:
        return
    most_l_min = float(largest_flow_l_min(diameter_mm, supply.velocity_limit_m_s))
    limit = f"{supply.velocity_limit_m_s:.3g} m/s in {diameter_mm:.4g} mm is {most_l_min:.4g} L/min"
    fast = [zone for zone in site.zones if zone.supply == supply.id and zone.flow_l_min > most_l_min * (1 + 1e-9)]
    if fast:
        names = ", ".join(f"{z.id} ({float(velocity_m_s(z.flow_l_min, diameter_mm)):.2g} m/s)" for z in fast[:8])
        what = f"water runs too fast in the main for {names}: quick valves then hammer it"
        report.finding(place, "pipe_diameter", what, limit, "split the zone, or lay a wider main; it runs alone")
    elif supply.capacity_l_min is not None and supply.capacity_l_min > most_l_min * (1 + 1e-9):
        what = f"the main carries less than the capacity of {supply.capacity_l_min:.4g} L/min"
        report.finding(place, "pipe_diameter", what, limit, "zones run together only up to that flow")


def _pump_blind_spots(supply: Supply, pump: Pump, place: Place, report: Report) -> None:
    if supply.source in RAN_DRY and pump.low_water is None:
        what = f"no low_water switch on a {supply.source}"
        limit = "dewpond cannot tell when the water sinks below the intake"
        report.finding(place, "pump", what, limit, "fit a float or an electrode and name its sensor")
    if not pump.least_flow_l_min:
        what, limit = "no least_flow is given", "a small zone alone may overheat the pump"
        report.finding(place, "pump", what, limit, "take it from the maker's curve")


def _day_is_enough(site: Site, supply: Supply, pump: Pump, place: Place, report: Report) -> None:
    needed_l = sum(hot_day_s(zone) * zone.flow_l_min / 60.0 for zone in site.zones if zone.supply == supply.id)
    if pump.daily_l is not None and needed_l > pump.daily_l:
        what = f"its zones need {needed_l:.0f} L a day; litres_a_day is {pump.daily_l:.0f} L"
        report.finding(place, "pump", what, ASSUMED, "zones nearest to stress come first, the rest is carried over")
