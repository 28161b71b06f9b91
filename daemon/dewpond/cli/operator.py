"""The operator's day: see the plan and the state, water by hand, stop, hold and release."""

from __future__ import annotations

import sys
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click

from dewpond.adapters.keeper_client import close_all_now, close_output_now
from dewpond.adapters.operator_socket import NotReachable, OperatorClient
from dewpond.adapters.system_clock import SystemClock
from dewpond.cli.answers import FAULTS, fail, json_option, person, print_json, service_of, site_option
from dewpond.model.operations import HOLD_KINDS, RAIN_KIND
from dewpond.settings.values import ServiceSettings


@click.command()
@click.argument("site", required=False, type=click.Path(path_type=Path, dir_okay=False))
@json_option
def plan(site: Path | None, as_json: bool) -> None:
    """Tonight's timetable and why each zone is watered or left dry.

    From the running daemon; without one, worked out from SITE and its stored state.
    """
    from dewpond.cli.show import show_plan  # noqa: PLC0415 - drawing tables loads a large library

    service = service_of(site)
    try:
        client = OperatorClient(service.operator_socket)
        body = {**client.call("plan")["body"], **client.call("reasons")["body"]}
    except NotReachable:
        from dewpond.bootstrap import Refused, plan_without_daemon  # noqa: PLC0415

        try:
            body = plan_without_daemon(service, SystemClock().now())
        except Refused as refused:
            fail(str(refused))
        click.echo("No daemon runs here; this is worked out from the site file and what is stored.", err=True)
    print_json(body) if as_json else show_plan(body)


@click.command()
@site_option
@json_option
def status(site: Path | None, as_json: bool) -> None:
    """What is open, held, missing and heard just now."""
    from dewpond.cli.show import show_status  # noqa: PLC0415

    answer = _ask(service_of(site), "status")
    print_json(answer["body"]) if as_json else show_status(answer["body"])


@click.command()
@click.argument("zone")
@click.argument("minutes", type=float)
@site_option
def water(zone: str, minutes: float, site: Path | None) -> None:
    """Water ZONE by hand for MINUTES. The zone's own ceiling holds; it closes by itself."""
    _tell(service_of(site), "water", zone=zone, seconds=minutes * 60.0)


@click.command()
@click.argument("zone", required=False)
@site_option
def stop(zone: str | None, site: Path | None) -> None:
    """Close everything, or ZONE, at once. Works with the daemon hung or dead."""
    service = service_of(site)
    closed = _close_at_keeper(service, zone)
    try:
        answer = OperatorClient(service.operator_socket, timeout_s=3.0).call("stop", **({"zone": zone} if zone else {}))
    except NotReachable:
        if closed is None:
            fail("Neither the daemon nor the valve keeper answers: shut the water by hand.", FAULTS)
        click.echo(f"{closed} The daemon does not answer; its plan is not changed.")
        return
    if not answer["ok"]:
        fail(answer["text"], FAULTS)
    click.echo(answer["text"])


@click.command()
@click.option("--until", help='An end: "18:00", "2027-06-01" or "2027-06-01 18:00", in site time.')
@click.option("--days", type=click.FloatRange(0.1, 366), help="Instead of an end: so many days from now.")
@click.option("--for", "kind", type=click.Choice(HOLD_KINDS), default="other", help="What it is for.")
@click.option("--zone", help="Only this zone.")
@click.option("--reason", default="", help="Shown beside the hold.")
@site_option
def hold(until: str | None, days: float | None, kind: str, zone: str | None, reason: str, site: Path | None) -> None:
    """Let nothing run by schedule until a time; watering by hand stays possible.

    After weed or pest treatment hold as long as the product's label says.
    """
    if (until is None) == (days is None):
        fail("a hold needs one end: give either --until or --days")
    service = service_of(site)
    end = _instant(until, _timezone(service)) if until else SystemClock().now().wall + timedelta(days=days or 0.0)
    _tell(service, "hold", until=end.isoformat(), reason=reason, kind=kind, **({"zone": zone} if zone else {}))


@click.command("water-in")
@click.argument("zone")
@click.argument("depth_mm", type=float)
@click.option("--by", help='The latest time: "2027-06-01" or "2027-06-01 18:00", in site time.')
@site_option
def water_in(zone: str, depth_mm: float, by: str | None, site: Path | None) -> None:
    """Give ZONE one watering of DEPTH_MM (net) in the next allowed night, as after fertiliser."""
    service = service_of(site)
    latest = {"until": _instant(by, _timezone(service)).isoformat()} if by else {}
    _tell(service, "water-in", zone=zone, depth_mm=depth_mm, **latest)


@click.command()
@click.option("--zone", help="Only this zone's holds.")
@click.option("--for", "kind", type=click.Choice((*HOLD_KINDS, RAIN_KIND)), help="Only holds of this kind.")
@site_option
def release(zone: str | None, kind: str | None, site: Path | None) -> None:
    """End a hold; the next plan decides as usual."""
    fields = {"zone": zone, "kind": kind}
    _tell(service_of(site), "release", **{name: value for name, value in fields.items() if value})


@click.command()
@site_option
def healthcheck(site: Path | None) -> None:
    """Exit 0 while the daemon answers and its keeper is ready, else 1."""
    body = _ask(service_of(site), "status")["body"]
    click.echo(f"daemon answers, keeper {body['keeper']}, broker {body['broker']}")
    sys.exit(0 if body["keeper"] == "ready" else FAULTS)


def _ask(service: ServiceSettings, op: str, **fields: Any) -> dict[str, Any]:
    try:
        return OperatorClient(service.operator_socket).call(op, **fields)
    except NotReachable as missing:
        fail(str(missing), FAULTS)


def _tell(service: ServiceSettings, op: str, **fields: Any) -> None:
    answer = _ask(service, op, **fields)
    if not answer["ok"]:
        fail(answer["text"])
    click.echo(answer["text"])


def _close_at_keeper(service: ServiceSettings, zone: str | None) -> str | None:
    """Straight to the keeper, without the daemon; None when no keeper answers."""
    try:
        if zone is None:
            return close_all_now(service.keeper_socket, person())
        output = _output_of(service, zone)
        return None if output is None else close_output_now(service.keeper_socket, output, person())
    except OSError:
        return None


def _output_of(service: ServiceSettings, zone: str) -> int | None:
    from dewpond.settings.site_file import load_site  # noqa: PLC0415 - only a single zone's stop needs the file

    site = load_site(service.site).site if service.site else None
    zones = {item.id: item.output for item in site.zones} if site else {}
    if site and zone not in zones:
        fail(f"no zone {zone!r} here; zones are {', '.join(sorted(zones))}")
    return zones.get(zone)


def _timezone(service: ServiceSettings) -> ZoneInfo:
    return ZoneInfo(_ask(service, "status")["body"]["timezone"])


def _instant(text: str, zone: ZoneInfo) -> datetime:
    """A person's words for a time: a clock time is the next such time, a date its first moment."""
    now = SystemClock().now().wall.astimezone(zone)
    try:
        clock = time.fromisoformat(text)
    except ValueError:
        pass
    else:
        today = datetime.combine(now.date(), clock, zone)
        return (today if today > now else today + timedelta(days=1)).astimezone(UTC)
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        fail(f'--until {text!r} is no time; write "18:00", "2027-06-01" or "2027-06-01 18:00"')
    return (at if at.tzinfo else at.replace(tzinfo=zone)).astimezone(UTC)
