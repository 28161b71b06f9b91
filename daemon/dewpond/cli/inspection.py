"""``dewpond log``: what ran, under which rules of the place, and by whose word; for an inspector to read or keep."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click

from dewpond.adapters.system_clock import SystemClock
from dewpond.cli.answers import fail, json_option, print_json, service_of
from dewpond.model.us_units import shown

USUAL_DAYS = 14
Plain = Mapping[str, Any]


@click.command()
@click.argument("site", required=False, type=click.Path(path_type=Path, dir_okay=False))
@click.option("--from", "first", type=click.DateTime(["%Y-%m-%d"]), help="First date; 14 days ago when not given.")
@click.option("--to", "last", type=click.DateTime(["%Y-%m-%d"]), help="Last date, included; today when not given.")
@click.option("--zone", help="Only this zone.")
@json_option
def log(site: Path | None, first: Any, last: Any, zone: str | None, as_json: bool) -> None:
    """What ran over a span of dates: times, cause, rules in force, exemptions, and who insisted on what.

    From the records of SITE; the daemon need not run. What it did in the last half minute may not be written yet.
    """
    from dewpond.adapters.store.reader import StoreReader  # noqa: PLC0415
    from dewpond.adapters.store.rule_log import RuleLogReader  # noqa: PLC0415
    from dewpond.adapters.store.tables import StoreUnusable  # noqa: PLC0415
    from dewpond.settings.problems import SiteRefused  # noqa: PLC0415
    from dewpond.settings.site_file import require_site  # noqa: PLC0415
    from dewpond.upkeep.rule_log import Span, rule_log  # noqa: PLC0415
    from dewpond.upkeep_records import rules_in_file  # noqa: PLC0415

    service = service_of(site)
    if service.site is None:
        fail("no site file is named; give one, or set DEWPOND_SITE")
    try:
        found = require_site(service.site)
    except (SiteRefused, OSError) as refused:
        fail(str(refused))
    if zone is not None and zone not in {item.id for item in found.zones}:
        fail(f"no zone {zone!r} here; zones are {', '.join(item.id for item in found.zones)}")
    span = Span(*_dates(first, last, ZoneInfo(found.timezone)), ZoneInfo(found.timezone))
    reader = RuleLogReader(service.database)
    try:
        runs = StoreReader(service.database).runs(span.begins, span.ends)
        entries = [(entry.now, entry.told) for entry in reader.entries(span.ends)]
    except StoreUnusable as refused:
        fail(str(refused))
    body = {"site": found.name, "rules": rules_in_file(found), **rule_log(runs, entries, span, zone)}
    if reader.unreadable:
        click.echo(f"{reader.unreadable} rows of the journal are damaged and left out.", err=True)
    if as_json:
        print_json(body)
        return
    for line in _lines(body):
        click.echo(shown(line, found.units))


def _dates(first: Any, last: Any, zone: ZoneInfo) -> tuple[date, date]:
    today = SystemClock().now().wall.astimezone(zone).date()
    to = last.date() if last else today
    start = first.date() if first else to - timedelta(days=USUAL_DAYS - 1)
    if start > to:
        fail(f"--from {start} is after --to {to}; exchange them")
    return start, to


def _lines(body: Plain) -> Iterator[str]:
    yield f"Log for inspection: {body['site']}, {body['from']} to {body['to']}, times of {body['timezone']}"
    yield "Rules of the place, as the site file has them now:"
    yield from (f"  {rule}" for rule in body["rules"])
    yield f"Runs: {len(body['runs'])}"
    for run in body["runs"]:
        yield from _run(run)
    yield from _section("Declared", (_declared(item) for item in body["declared"]))
    yield from _section("Requests for water by hand", (_request(item) for item in body["requests"]))
    yield from _section("Maintenance", (_maintenance(item) for item in body["maintenance"]))
    yield from _section("Nights too small for all", (_shortened(item) for item in body["shortened"]))
    yield from _section("Clock", (f"{item['at']}  {item['what']}" for item in body["clock"]))


def _section(title: str, lines: Iterator[str]) -> Iterator[str]:
    found = list(lines)
    yield f"{title}: {len(found) or 'none'}"
    yield from (f"  {line}" for line in found)


def _run(run: Plain) -> Iterator[str]:
    metered = "" if run["metered_litres"] is None else f", {run['metered_litres']:.0f} L metered"
    amount = f"{run['seconds']:.0f} s, {run['litres']:.0f} L{metered}"
    note = f" ({run['note']})" if run["note"] else ""
    yield f"  {run['start']} to {run['end']}  {run['zone']}  {run['kind']}  {amount}  {run['cause']}{note}"
    yield from (f"      in force: {rule}" for rule in run["in_force"])
    yield from (f"      exempt: {leave}" for leave in run["exemptions"])
    if run["against"]:
        yield f"      against {' and '.join(run['against'])}: insisted on by {run['insisted_by']}, {run['reason']}"


def _declared(item: Plain) -> str:
    return f"{item['at']}  {item['what']} by {item['who']}: {item['text']}"


def _request(item: Plain) -> str:
    word = {True: "taken", False: "refused", None: "not answered"}[item["accepted"]]
    why = f", insisting: {item['reason']}" if item["insisted"] else ""
    return f"{item['at']}  {item['zone']} {item['minutes']:.0f} min, by {item['who']}{why}: {word}. {item['answer']}"


def _maintenance(item: Plain) -> str:
    litres = "" if item["litres"] is None else f", {item['litres']:.0f} L"
    why = f" ({item['reason']})" if item["reason"] else ""
    span = f"{item['start']} to {item['end']}"
    return f"{span}  {item['target']}  {item['work']} by {item['who']}{why}{litres}: {item['outcome']}"


def _shortened(item: Plain) -> str:
    given = f"{item['given_min']:.0f} of {item['wanted_min']:.0f} min"
    return f"{item['night']}  {item['zone']}: {given}, {item['carried_min']:.0f} min carried; {item['rule']}"
