"""What the tables of a site file must agree on: ids, outputs, references, dates, and flow against supply."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from difflib import get_close_matches
from typing import Any

from dewpond.model.site import Supply, Zone
from dewpond.settings import place_rules, plugins, valve_kinds
from dewpond.settings.fields import FROM_ET, read_output
from dewpond.settings.problems import Place, Report
from dewpond.settings.quantities import shown
from dewpond.settings.schema import FEED_KEYS, RULE_NAMES, ProgramTable, ZoneTable
from dewpond.settings.tables import Entry, Tables
from dewpond.settings.words import hours_minutes

IN_COMMON = "in common"  # a rain switch wired in the common of the valves has no message to read
SHORTEST_WINDOW_MIN = 10
LONGEST_LIST = 16  # more names than this help nobody in a message
WATERING = Place("watering", ("watering",))
RELAYS = Place("relays", ("relays",))


def check_agreement(tables: Tables, report: Report) -> None:
    """Report every disagreement between tables."""
    for entries in (tables.supplies, tables.zones, tables.sensors):
        _ids_differ(entries, report)
    _outputs(tables, report)
    valve_kinds.check(tables, report)
    _watering(tables, report)
    _restrictions(tables, report)
    _zones(tables, report)
    _supplies(tables, report)
    _programs(tables, report)
    _sensors(tables, report)
    _feeds(tables, report)


def check_flow(zones: Iterable[tuple[Entry[ZoneTable], Zone]], supplies: Sequence[Supply], report: Report) -> None:
    """Refuse a zone whose heads need more than its supply can give."""
    capacity = {supply.id: supply.capacity_l_min for supply in supplies}
    for entry, zone in zones:
        limit_l_min = capacity.get(zone.supply)
        guessed = entry.dropped & {"heads", "area", "application_rate"}
        if limit_l_min is not None and not guessed and zone.flow_l_min > limit_l_min * (1 + 1e-9):
            key = "heads" if zone.heads else "application_rate"
            what = f"the zone takes {zone.flow_l_min:.4g} L/min"
            limit = f'supply "{zone.supply}" gives {limit_l_min:.4g} L/min'
            report.error(entry.place, key, what, limit, "split the zone, or correct the flow, the area or the capacity")


def ids(entries: Iterable[Entry[Any]]) -> tuple[str, ...]:
    """The ids as written, also of tables with faults, so that one fault is reported once."""
    return tuple(entry.id for entry in entries if entry.id)


def _ids_differ(entries: Sequence[Entry[Any]], report: Report) -> None:
    seen: set[str] = set()
    for entry in entries:
        if entry.id and entry.id in seen:
            report.error(entry.place, "id", "used twice", "every id is used once", "give one of them another id")
        seen.add(entry.id)


def _unknown(wanted: str, known: Sequence[str], what: str, key: str) -> tuple[str, str, str] | None:
    """What, limit and remedy for a name that is not among those known; None when it is."""
    if wanted in known:
        return None
    close = get_close_matches(wanted, known, n=1)
    remedy = f'was "{close[0]}" meant?' if close else f"add it or take the name out of {key}"
    limit = f"known are {', '.join(known)}" if 0 < len(known) <= LONGEST_LIST else ""
    return f"there is no {what} {shown(wanted)}", limit, remedy


def _outputs(tables: Tables, report: Report) -> None:
    if tables.zones and "relays" not in tables.present:
        report.error(RELAYS, "", "the table is missing", "zones need outputs", "write [relays], driver and outputs")
    uses = [(entry.place, "master", entry.raw.get("master")) for entry in tables.supplies]
    uses += [(entry.place, "pump output", _pump_output(entry.raw)) for entry in tables.supplies]
    uses += [(entry.place, "output", entry.raw.get("output")) for entry in tables.zones]
    uses += [(entry.place, "master_close_output", entry.raw.get("master_close_output")) for entry in tables.supplies]
    uses += [(entry.place, "close_output", entry.raw.get("close_output")) for entry in tables.zones]
    taken: dict[int, Place] = {}
    for place, key, written in uses:
        number = read_output(written)
        if number is None:
            continue
        if number in taken:
            remedy = "give each valve an output of its own"
            report.error(place, key, f"output {number} is used twice", f"{taken[number].label} has it already", remedy)
        taken.setdefault(number, place)
        if tables.relays is not None and number > tables.relays.outputs:
            limit = f"the relays have {tables.relays.outputs}"
            report.error(place, key, f"there is no output {number}", limit, "correct it, or outputs in [relays]")


def _pump_output(raw: Mapping[str, Any]) -> Any:
    pump = raw.get("pump")
    return pump.get("output") if isinstance(pump, Mapping) else None


def _watering(tables: Tables, report: Report) -> None:
    watering = tables.watering
    if watering is None:
        return
    if watering.window is not None and hours_minutes(watering.window) < SHORTEST_WINDOW_MIN:
        what = f"the window is {hours_minutes(watering.window):.0f} min long"
        report.error(WATERING, "window", what, f"at least {SHORTEST_WINDOW_MIN} min", "widen it")
    if watering.days is not None and watering.days.kind == "weekdays" and not watering.days.weekdays:
        report.error(WATERING, "days", "names no day", "nothing could ever run", 'write "any" or some days')


def _restrictions(tables: Tables, report: Report) -> None:
    known = ("overhead", "drip", "all", *ids(tables.zones), *ids(tables.supplies))
    place_rules.check(tables, known, _unknown, report)


def _zones(tables: Tables, report: Report) -> None:
    supplies = ids(tables.supplies) or ("main",)
    rules = _rules(tables)
    for entry in tables.zones:
        zone = entry.table
        if zone is None:
            continue
        fault = zone.supply and _unknown(zone.supply, supplies, "supply", "supply")
        if fault:
            report.error(entry.place, "supply", *fault)
        fault = zone.rule and _unknown(zone.rule, rules, "rule", "rule")
        if fault:
            report.error(entry.place, "rule", *fault)


def _rules(tables: Tables) -> tuple[str, ...]:
    """Names of rules. Plug-ins are looked up only when a zone asks for one."""
    asked = {entry.table.rule for entry in tables.zones if entry.table is not None}
    return RULE_NAMES if asked <= {None, *RULE_NAMES} else plugins.rule_names()


def _supplies(tables: Tables, report: Report) -> None:
    """A sensor that is named but not described is a finding: the site runs, without watching."""
    kinds = sensor_kinds(tables)
    for entry in tables.supplies:
        for key, kind in (("meter", "flow"), ("pressure", "pressure"), ("rain_switch", "switch")):
            wanted = getattr(entry.table, key, None)
            if wanted is None or (key == "rain_switch" and wanted == IN_COMMON):
                continue
            fault = _unknown(wanted, tuple(kinds), "sensor", key)
            if fault:
                report.finding(entry.place, key, *fault)
            elif kinds[wanted] != kind:
                what = f'sensor "{wanted}" is of kind {shown(kinds[wanted])}'
                report.error(entry.place, key, what, f"it takes one of kind {kind}", "name the right sensor")


def sensor_kinds(tables: Tables) -> dict[str, str]:
    """Kind by sensor id, as written."""
    return {entry.id: str(entry.raw.get("kind")) for entry in tables.sensors if entry.id}


def _programs(tables: Tables, report: Report) -> None:
    zones = {entry.id: entry for entry in tables.zones if entry.id}
    names: set[str] = set()
    for entry in tables.programs:
        program = entry.table
        if program is None:
            continue
        if program.name in names:
            report.error(entry.place, "name", "used twice", "every program has its own name", "rename one of them")
        names.add(program.name)
        for key in sorted({"starts", "zones"} - entry.dropped):
            if not getattr(program, key):
                report.error(entry.place, key, "nothing is listed", "a program has zones and starts", "fill it in")
        _percent(entry, program, report)
        for zone in program.zones:
            fault = _unknown(zone, tuple(zones), "zone", "zones")
            if fault:
                report.error(entry.place, "zones", *fault)
            rule = zones[zone].raw.get("rule") if zone in zones else None
            if rule not in (None, "calendar"):
                what = f'"{zone}" runs by the rule {shown(rule)}'
                remedy = f'take it out of the program, or write rule = "calendar" for {zone}'
                report.error(entry.place, "zones", what, "programs are for zones under the calendar rule", remedy)


def _percent(entry: Entry[ProgramTable], program: ProgramTable, report: Report) -> None:
    """A percent from ET needs to know which weather the minutes were set for, and says so once."""
    stated = [key for key in ("set_for", "set_for_month") if key in entry.raw]
    if "percent" in entry.dropped:
        return
    if program.percent == FROM_ET and not stated:
        remedy = 'write set_for_month = "jul", or set_for = "6 mm/d" of reference ET'
        report.error(entry.place, "percent", "nothing says what the minutes were set for", "it is compared", remedy)
    if program.percent != FROM_ET and stated:
        limit = f'it belongs to percent = "{FROM_ET}"'
        report.error(entry.place, stated[0], f"percent is {program.percent:g}", limit, "take it out, or change percent")
    if len(stated) == 2:
        report.error(entry.place, "set_for_month", "set_for is given too", "one of them is enough", "take one out")


def _sensors(tables: Tables, report: Report) -> None:
    zones = ids(tables.zones)
    for entry in tables.sensors:
        named = entry.table.zone if entry.table else None
        fault = named and _unknown(named, zones, "zone", "zone")
        if fault:
            report.error(entry.place, "zone", *fault)


def _feeds(tables: Tables, report: Report) -> None:
    for entry in tables.feeds:
        feed = entry.table
        if feed is None:
            continue
        allowed = FEED_KEYS[feed.kind]
        for key in sorted(set(entry.raw) - allowed - entry.dropped - {"kind"}):
            limit = f"known for {feed.kind} are {', '.join(sorted(allowed))}"
            report.error(entry.place, key, f"does not belong to a feed of kind {feed.kind}", limit, "take it out")
        if feed.kind == "csv" and feed.path is None and "path" not in entry.dropped:
            report.error(entry.place, "path", "missing", "a csv feed reads a file", 'write path = "weather/daily.csv"')
