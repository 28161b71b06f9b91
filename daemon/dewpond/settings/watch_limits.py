"""How far the pipe watch may go: limits of a supply and of its zones, and what an owner should know who moves them."""

from __future__ import annotations

from dewpond.model.site import PipeLimits, Site
from dewpond.settings.problems import Place, Report
from dewpond.settings.schema import SupplyTable, SupplyWatchTable, WatchTable, ZoneTable
from dewpond.settings.tables import Entry, Tables

USUAL_STOP_PCT = 50.0
# A head that is gone adds 57 to 113 %, a broken lateral 111 to 284 % (EPANET runs of a garden and a campus).
MISSES_HEADS_PCT, MISSES_BREAKS_PCT = 57.0, 111.0
LONG_GRACE_S = 120.0  # most zones are full by then; common practice, no source


def of_supply(table: SupplyTable) -> PipeLimits:
    """The limits of a supply's table."""
    watch = table.watch or SupplyWatchTable()
    return _limits(watch, watch.idle_limit)


def of_zone(table: ZoneTable) -> PipeLimits:
    """The limits of a zone's table."""
    return _limits(table.watch or WatchTable())


def check(tables: Tables, report: Report) -> None:
    """Report limits that nothing could keep."""
    for entry in tables.supplies:
        if entry.table is not None and entry.table.watch is not None:
            _supply_agrees(entry.table, entry.table.watch, entry, report)


def find(site: Site, tables: Tables, report: Report) -> None:
    """Report limits that loosen the watch, or that let plants go dry, and those that stand beside no meter."""
    metered = {supply.id for supply in site.supplies if supply.meter is not None}
    for entry in tables.supplies:
        supply = entry.sound
        if supply is not None and supply.watch is not None:
            _found(supply.watch, entry.place, report, metered=supply.id in metered)
    supply_of = {zone.id: zone.supply for zone in site.zones}
    for row in tables.zones:
        zone = row.sound
        if zone is not None and zone.watch is not None:
            _found(zone.watch, row.place, report, metered=supply_of.get(zone.id) in metered)


def _limits(watch: WatchTable, idle_l: float | None = None) -> PipeLimits:
    return PipeLimits(
        stop_above=None if watch.stop_above is None else watch.stop_above / 100.0,
        suspicion_stops=None if watch.on_suspicion is None else watch.on_suspicion == "stop",
        grace_s=watch.grace,
        idle_l=idle_l,
    )


def _supply_agrees(table: SupplyTable, watch: SupplyWatchTable, entry: Entry[SupplyTable], report: Report) -> None:
    if watch.idle_limit is None:
        return
    key = ("watch", "idle_limit")
    if table.meter is None:
        report.error(
            entry.place, key, "no meter counts it", "it is litres of the meter", "name a meter, or take it out"
        )
    if table.master is None:
        limit = "it closes the master valve"
        report.error(entry.place, key, "there is no master valve", limit, "give master, or take it out")
    if table.shared_with_house:
        limit = "the house's own water would close it"
        report.error(entry.place, key, "the meter is shared with a house", limit, "take it out")
    if table.meter_pulse is not None and watch.idle_limit < 2.0 * table.meter_pulse:
        what = f"{watch.idle_limit:g} L is less than two pulses of {table.meter_pulse:g} L"
        report.error(entry.place, key, what, "a count proves nothing below two pulses", "allow more")


def _found(watch: WatchTable, place: Place, report: Report, *, metered: bool) -> None:
    if not metered:
        remedy = "name a meter of the supply"
        report.finding(place, "watch", "there is no meter", "nothing is watched by these limits", remedy)
        return
    above_pct = watch.stop_above or 0.0
    if above_pct > MISSES_HEADS_PCT:
        what = f"a zone is stopped only above {above_pct:g} % over its usual flow"
        may_run = "a broken lateral" if above_pct > MISSES_BREAKS_PCT else "a head that is gone"
        remedy = f"{USUAL_STOP_PCT:g} % is usual"
        report.finding(place, ("watch", "stop_above"), what, f"{may_run} may add less: it is told and runs on", remedy)
    if watch.on_suspicion == "stop":
        what = "a mere suspicion of too much water stops and blocks the zone"
        limit = "its plants go dry until a person has looked, also where nothing was wrong"
        remedy = "keep it for ground that water would wash out, else tell"
        report.finding(place, ("watch", "on_suspicion"), what, limit, remedy)
    if watch.grace is not None and watch.grace > LONG_GRACE_S:
        what = f"too much water runs unseen for the first {watch.grace:g} s of every opening"
        report.finding(place, ("watch", "grace"), what, "a run shorter than that is never watched", "shorten it")
