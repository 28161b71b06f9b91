"""What an owner should know of a site that runs all the same: assumptions, blind spots, needs that cannot be met."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import time
from pathlib import Path
from typing import Any

from dewpond.model.hours import Hours
from dewpond.model.site import Site
from dewpond.settings import headworks, plugins, valve_kinds, watch_limits
from dewpond.settings.agreement import RELAYS, WATERING
from dewpond.settings.problems import Place, Report
from dewpond.settings.reading import bare_keys
from dewpond.settings.schema import FeedTable, HeadsTable, SiteTable, SupplyTable, Table, ZoneTable
from dewpond.settings.tables import Tables
from dewpond.settings.time_room import check_room
from dewpond.settings.words import hours_minutes

SITE = Place("site", ("site",))
WEATHER_KINDS = frozenset({"rain", "temperature", "soil_moisture"})


def of_tables(tables: Tables, report: Report) -> None:
    """Findings that can be told from the tables alone, also of a site with errors."""
    _bare_numbers(tables, report)
    _place_on_earth(tables.site, report)
    _supplies(tables, report)
    _sensors(tables, report)
    _restrictions(tables, report)


def of_site(site: Site, tables: Tables, report: Report) -> None:
    """Findings that need the whole, resolved site."""
    _watering(site, tables, report)
    _weather(site, report)
    _programs(site, tables, report)
    if not site.zones:
        report.finding(Place("zone"), "", "there are no zones", "nothing can be watered", "write a [[zone]]")
    headworks.find(site, tables, report)
    watch_limits.find(site, tables, report)
    valve_kinds.find(site, report)
    check_room(site, tables, report)


def look_at_relays(path: Path, report: Report) -> None:
    """Ask the driver package about ``[relays]``: its faults are errors, relays that stay on are a finding."""
    facts = plugins.relay_facts(path)
    if facts is None:
        report.finding(RELAYS, "driver", "the relays were not looked at", "no driver package works here")
        return
    for fault in facts.faults:
        report.error(RELAYS, "", fault.removeprefix(f"{path.name}, [relays]: "))
    if facts.faults or facts.holds_when_cut_off is False or facts.timed_on:
        return
    known = facts.holds_when_cut_off is True
    what = f"the relays {'stay' if known else 'may stay'} as they are when this computer is cut off or dies"
    limit = "an open valve then stays open until somebody closes it"
    remedy = "use a board that switches off by itself, or a master valve on another path that does"
    report.finding(RELAYS, "driver", what, limit, remedy)


def _bare_numbers(tables: Tables, report: Report) -> None:
    rows: list[tuple[Place, type[Table], Mapping[str, Any]]] = []
    rows += [(entry.place, ZoneTable, entry.raw) for entry in tables.zones]
    rows += [(entry.place, SupplyTable, entry.raw) for entry in tables.supplies]
    rows += [(entry.place, FeedTable, entry.raw) for entry in tables.feeds]
    for place, model, raw in rows:
        bare = bare_keys(model, raw)
        heads = raw.get("heads")
        for number, group in enumerate(heads if isinstance(heads, list) else [], start=1):
            bare += [f"heads {number} {key}" for key in bare_keys(HeadsTable, group if isinstance(group, dict) else {})]
        if bare:
            report.finding(place, "", f"numbers without a unit were read as {', '.join(bare)}", "", "write the units")
        slope = raw.get("slope")
        if isinstance(slope, float) and 0 < slope < 1:
            report.finding(place, "slope", f"{slope:g} was read as {slope:g} %", "", f'was "{slope * 100:g} %" meant?')


def _place_on_earth(site: SiteTable | None, report: Report) -> None:
    if site is None:
        return
    if site.elevation is None:
        report.finding(SITE, "elevation", "not given, sea level assumed", "it enters reference ET", "write it")
    west = site.timezone.startswith(("America/", "US/", "Canada/"))
    if west and site.longitude > 0:
        what = f"{site.longitude:g} lies east of Greenwich, but {site.timezone} does not"
        report.finding(SITE, "longitude", what, "west is negative", f"was {-site.longitude:g} meant?")
    if site.timezone.startswith("Australia/") and site.latitude > 0:
        what = f"{site.latitude:g} lies north of the equator, but {site.timezone} does not"
        report.finding(SITE, "latitude", what, "south is negative", f"was {-site.latitude:g} meant?")


def _supplies(tables: Tables, report: Report) -> None:
    if tables.zones and not tables.supplies:
        what = 'no supply is described; one called "main" without limits is assumed'
        report.finding(Place("supply"), "", what, "flow cannot be checked or watched", "write a [[supply]]")
    for entry in tables.supplies:
        supply = entry.sound
        if supply is None:
            continue
        if supply.capacity is None:
            remedy = "measure it: time a bucket at the connection"
            report.finding(entry.place, "capacity", "not given", "zones may ask for more than it can give", remedy)
        if supply.meter is None:
            what = "no meter: dewpond is not watching these pipes"
            report.finding(entry.place, "meter", what, "a broken pipe goes unnoticed", "name a sensor of kind flow")


def _sensors(tables: Tables, report: Report) -> None:
    for entry in tables.sensors:
        if entry.sound is not None and entry.sound.kind == "soil_moisture" and entry.sound.zone is None:
            what = "the probe belongs to no zone, so no decision uses it"
            report.finding(entry.place, "zone", what, "", "name the zone it stands in")


def _restrictions(tables: Tables, report: Report) -> None:
    for entry in tables.restrictions:
        rule = entry.sound
        anytime = rule is not None and rule.hours is None and (rule.days is None or rule.days.kind == "any")
        if rule is not None and anytime and not rule.stop:
            report.finding(entry.place, "", "restricts nothing", "it has neither days nor hours", "give it either")


def _watering(site: Site, tables: Tables, report: Report) -> None:
    window = site.watering.window
    if tables.watering is None or tables.watering.window is None:
        what = f"no window is given; {window.start:%H:%M} to {window.end:%H:%M} is assumed"
        report.finding(WATERING, "window", what, "", "write the hours your place allows")
    elif hours_minutes(window) == 24 * 60:
        what = "the window is the whole day"
        report.finding(WATERING, "window", what, "much of what is watered by day evaporates", "keep to the night")


def _weather(site: Site, report: Report) -> None:
    kinds = {sensor.kind for sensor in site.sensors}
    if not site.zones or site.feeds or kinds & WEATHER_KINDS:
        return
    what = "neither a weather feed nor a sensor for rain, soil or temperature"
    report.finding(SITE, "", what, "dewpond plans by the usual weather of the season", "add a [[feed]] or a [[sensor]]")


def _programs(site: Site, tables: Tables, report: Report) -> None:
    programmed = {zone for program in site.programs for zone in program.zone_minutes}
    places = {entry.id: entry.place for entry in tables.zones}
    for zone in site.zones:
        if zone.rule == "calendar" and zone.id not in programmed:
            what = "under the calendar rule, but in no program"
            report.finding(places[zone.id], "rule", what, "it is never watered by itself", "add it to a [[program]]")
    for entry, program in zip(tables.programs, site.programs, strict=True):
        outside = [start for start in program.starts if not _within(start, site.watering.window)]
        if outside:
            times = ", ".join(f"{start:%H:%M}" for start in outside)
            what = f"starts at {times}, outside of the watering window"
            report.finding(entry.place, "starts", what, "nothing runs outside of it", "move the start or the window")


def _within(clock: time, hours: Hours) -> bool:
    """Whether a clock time lies in hours that may cross midnight."""
    if hours.start < hours.end:
        return hours.start <= clock < hours.end
    return clock >= hours.start or clock < hours.end
