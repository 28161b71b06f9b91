"""A site file to the validated description of the site: every error at once, and what is worth knowing besides."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from dewpond.model.hours import DayRule, RainHold, Watering
from dewpond.model.site import Feed, Program, Relays, Sensor, Site, Supply, Zone
from dewpond.settings import agreement, findings, headworks, place_rules, watch_limits
from dewpond.settings.agreement import IN_COMMON
from dewpond.settings.fields import slug
from dewpond.settings.positions import Positions
from dewpond.settings.problems import Problem, Report, SiteRefused
from dewpond.settings.schema import FeedTable, SiteTable, SupplyTable, WateringTable, ZoneTable
from dewpond.settings.sensors import read_sensors
from dewpond.settings.tables import Entry, Tables, read_tables
from dewpond.settings.toml_text import NotTables, parse_tables
from dewpond.settings.words import parse_hours
from dewpond.settings.zone_desk import SiteFacts
from dewpond.settings.zone_numbers import resolve_zone

DEFAULT_WINDOW = parse_hours(["21:00", "06:00"])  # common practice, no source
DEFAULT_SUPPLY = "main"


@dataclass(frozen=True, slots=True)
class LoadedSite:
    """What came of a site file: the site unless there are errors, all errors, and the findings."""

    site: Site | None
    errors: tuple[Problem, ...]
    findings: tuple[Problem, ...]


def load_site(path: Path, *, look_at_relays: bool = False) -> LoadedSite:
    """Read and check a site file. Never raises for what is in it, nor for a file that is not there.

    ``look_at_relays`` asks the driver package about ``[relays]`` too, which imports the driver that is named there.
    """
    try:
        content = path.read_bytes()
    except OSError as fault:
        return _unreadable(path, f"cannot be read: {fault.strerror}", "check the name and who may read it")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        return _unreadable(path, f"byte {fault.start} is not UTF-8 text", "save the file as UTF-8")
    try:
        data = parse_tables(text)
    except NotTables as fault:
        return _no_tables(path, fault)
    report = Report(path.name, Positions(text))
    site = _read(data, path, report, look_at_relays=look_at_relays)
    return LoadedSite(
        site=None if site is None or report.errors else replace(site, digest=hashlib.sha256(content).hexdigest()),
        errors=_in_file_order(report.errors),
        findings=_in_file_order(report.findings),
    )


def require_site(path: Path) -> Site:
    """The site of a file. Raises SiteRefused with all errors."""
    loaded = load_site(path)
    if loaded.site is None:
        raise SiteRefused(loaded.errors)
    return loaded.site


def _unreadable(path: Path, what: str, remedy: str) -> LoadedSite:
    problem = Problem(file=str(path), table="", key="", what=what, remedy=remedy)
    return LoadedSite(site=None, errors=(problem,), findings=())


def _no_tables(path: Path, fault: NotTables) -> LoadedSite:
    problem = Problem(
        file=path.name,
        table="",
        key=fault.column,
        what=fault.what,
        limit=fault.limit,
        remedy=fault.remedy,
        line=fault.line,
    )
    return LoadedSite(site=None, errors=(problem,), findings=())


def _in_file_order(problems: list[Problem]) -> tuple[Problem, ...]:
    return tuple(sorted(problems, key=lambda problem: problem.line or 0))


def _read(data: Mapping[str, Any], path: Path, report: Report, *, look_at_relays: bool) -> Site | None:
    tables = read_tables(data, report)
    agreement.check_agreement(tables, report)
    if look_at_relays and tables.relays is not None:
        findings.look_at_relays(path, report)
    sensors = read_sensors(tables, report)
    zones = _zones(tables, report)
    agreement.check_flow(zones, _supplies(tables), report)
    headworks.check(tables, zones, _supplies(tables), report)
    watch_limits.check(tables, report)
    findings.of_tables(tables, report)
    if tables.site is None or report.errors:
        return None
    site = _site(tables, tables.site, tuple(zone for _, zone in zones), sensors, path)
    findings.of_site(site, tables, report)
    return site


def _zones(tables: Tables, report: Report) -> list[tuple[Entry[ZoneTable], Zone]]:
    supply_ids = agreement.ids(tables.supplies) or (DEFAULT_SUPPLY,)
    programs = [entry.table for entry in tables.programs if entry.table is not None]
    facts = SiteFacts(
        climate=tables.site.climate if tables.site else None,
        only_supply=supply_ids[0] if len(supply_ids) == 1 else None,
        programmed=frozenset(zone for program in programs for zone in program.zones),
        air_temperature=any(
            entry.table is not None and entry.table.kind == "temperature" and entry.table.zone is None
            for entry in tables.sensors
        ),
        minimum_run_min=(tables.watering.minimum_run if tables.watering else None) or 0.0,
    )
    found = ((entry, resolve_zone(entry, report, facts)) for entry in tables.zones)
    return [(entry, zone) for entry, zone in found if zone is not None]


def _supplies(tables: Tables) -> tuple[Supply, ...]:
    if not tables.supplies:
        return (Supply(id=DEFAULT_SUPPLY, source="potable", capacity_l_min=None),)
    sensors = agreement.sensor_kinds(tables)
    return tuple(_supply(entry.table, sensors) for entry in tables.supplies if entry.table is not None)


def _supply(table: SupplyTable, sensors: Mapping[str, str]) -> Supply:
    """The supply; a sensor that is not described cannot be read, so it is left out."""
    return Supply(
        id=table.id,
        source=table.source,
        capacity_l_min=table.capacity,
        static_pressure_kpa=table.static_pressure,
        meter=table.meter if table.meter in sensors else None,
        pressure=table.pressure if table.pressure in sensors else None,
        master_output=table.master,
        master_close_output=table.master_close_output,
        shared_with_house=table.shared_with_house,
        rain_switch=table.rain_switch if table.rain_switch in sensors else None,
        rain_switch_in_common=table.rain_switch == IN_COMMON,
        meter_pulse_l=table.meter_pulse,
        meter_least_flow_l_min=table.meter_least_flow,
        meter_greatest_flow_l_min=table.meter_greatest_flow,
        meter_row_s=table.meter_interval or 10.0,
        watch=watch_limits.of_supply(table),
        **headworks.of_supply(table, sensors),
    )


def _site(tables: Tables, table: SiteTable, zones: tuple[Zone, ...], sensors: tuple[Sensor, ...], path: Path) -> Site:
    return Site(
        name=table.name,
        slug=table.slug or slug(table.name) or "site",
        prove_zones=table.prove_zones,
        latitude_deg=table.latitude,
        longitude_deg=table.longitude,
        elevation_m=table.elevation or 0.0,
        timezone=table.timezone,
        units=table.units,
        watering=_watering(tables),
        restrictions=place_rules.restrictions(tables),
        events=place_rules.events(tables),
        supplies=_supplies(tables),
        relays=_relays(tables),
        zones=zones,
        programs=_programs(tables),
        sensors=sensors,
        feeds=tuple(_feed(entry.table, path.parent) for entry in tables.feeds if entry.table is not None),
        path=str(path.absolute()),
    )


def _watering(tables: Tables) -> Watering:
    table = tables.watering or WateringTable()
    return Watering(
        window=table.window or DEFAULT_WINDOW,
        days=table.days or DayRule(),
        max_open=table.max_open,
        rain_hold=RainHold(after_mm=table.rain_hold.after, days=table.rain_hold.days) if table.rain_hold else None,
        wind_limit_m_s=table.wind_limit,
        freeze_limit_c=table.freeze_limit,
        rain_method=table.rain_method,
        **place_rules.watering_parts(table, tables),
    )


def _relays(tables: Tables) -> Relays:
    """The relays; a site without zones may go without."""
    relays = tables.relays
    if relays is None:
        return Relays(driver="none", outputs=0)
    return Relays(
        driver=relays.driver,
        outputs=relays.outputs,
        options=dict(relays.model_extra or {}),
        valves=relays.valves,
        stored_energy=relays.stored_energy,
    )


def _programs(tables: Tables) -> tuple[Program, ...]:
    programs = (entry.table for entry in tables.programs)
    return tuple(
        Program(
            name=program.name,
            zone_minutes=dict(program.zones),
            starts=tuple(sorted(program.starts)),
            days=program.days or DayRule(),
            percent=100.0 if isinstance(program.percent, str) else program.percent,
            percent_from_et=isinstance(program.percent, str),
            set_for_eto_mm_d=program.set_for,
            set_for_month=program.set_for_month,
        )
        for program in programs
        if program is not None
    )


def _feed(table: FeedTable, folder: Path) -> Feed:
    """Options in our units; paths are absolute, counted from the folder of the site file."""
    paths = {key: str((folder / getattr(table, key)).absolute()) for key in ("path", "station") if getattr(table, key)}
    plain = {"url": table.url, "contact": table.contact, "poll_s": table.poll, "wind_height_m": table.wind_height}
    plain |= {"upload": table.upload, "station_id": table.station_id}
    return Feed(kind=table.kind, options={**{key: value for key, value in plain.items() if value is not None}, **paths})
