"""The operator's day: see the plan and the state, water by hand, hold and release."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click

from dewpond.adapters.operator_socket import NotReachable, OperatorClient
from dewpond.adapters.system_clock import SystemClock
from dewpond.cli.answers import FAULTS, fail, json_option, print_json, service_of, site_option
from dewpond.model.operations import HOLD_KINDS, RAIN_KIND
from dewpond.settings.values import ServiceSettings

MOST_MINUTES = 720.0  # the longest ceiling of any method


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

    answer = ask(service_of(site), "status")
    print_json(answer["body"]) if as_json else show_status(answer["body"])


@click.command(context_settings={"ignore_unknown_options": True})  # so that -3 is told as too few minutes
@click.argument("zone")
@click.argument("minutes", type=float)
@click.option("--against-rule", is_flag=True, help="You know the rule of the place that forbids it, and insist.")
@click.option("--by", default="", help="Your name; with --against-rule it is recorded.")
@click.option("--reason", default="", help="Why; with --against-rule it is recorded.")
@site_option
@json_option
def water(
    zone: str, minutes: float, against_rule: bool, by: str, reason: str, site: Path | None, as_json: bool
) -> None:
    """Water ZONE by hand for MINUTES. The zone's own ceiling holds; it closes by itself.

    Where a restriction, a closed date or an event forbids it, nothing opens until you insist; at a terminal you are
    asked.
    """
    if not 0.0 < minutes <= MOST_MINUTES:
        fail(f"MINUTES {minutes:g}: more than 0 and at most {MOST_MINUTES:g} at once, as in: dewpond water {zone} 5")
    service, wish = service_of(site), {"zone": zone, "seconds": minutes * 60.0, "by": by, "reason": reason}
    if against_rule:
        if not by.strip() or not reason.strip():
            fail("--against-rule needs --by NAME and --reason TEXT: both go into the record")
        tell(service, "water", as_json=as_json, **wish, against_rule=True)
        return
    answer = ask(service, "water", **wish)
    if not answer["ok"] and answer["body"].get("against") and at_terminal():
        click.echo(answer["text"], err=True)
        click.confirm("Water it against the rule", abort=True, err=True)
        wish["by"] = by.strip() or click.prompt("Your name", err=True)
        wish["reason"] = reason.strip() or click.prompt("Because", err=True)
        tell(service, "water", as_json=as_json, **wish, against_rule=True)
        return
    said(answer, as_json=as_json)


@click.command()
@click.option("--until", help='An end: "18:00", "2027-06-01" or "2027-06-01 18:00", in site time.')
@click.option("--days", type=click.FloatRange(0.1, 366), help="Instead of an end: so many days from now.")
@click.option("--for", "kind", type=click.Choice(HOLD_KINDS), default="other", help="What it is for.")
@click.option("--zone", help="Only this zone.")
@click.option("--reason", default="", help="Shown beside the hold.")
@site_option
@json_option
def hold(
    until: str | None,
    days: float | None,
    kind: str,
    zone: str | None,
    reason: str,
    site: Path | None,
    as_json: bool,
) -> None:
    """Let nothing run by schedule until a time; watering by hand stays possible.

    After weed or pest treatment hold as long as the product's label says.
    """
    if (until is None) == (days is None):
        fail("a hold needs one end: give either --until or --days")
    service = service_of(site)
    now = site_now(service)
    end = instant(until, now) if until else now.astimezone(UTC) + timedelta(days=days or 0.0)
    wish = {"until": end.isoformat(), "reason": reason, "kind": kind, **({"zone": zone} if zone else {})}
    tell(service, "hold", as_json=as_json, **wish)


@click.command("water-in")
@click.argument("zone")
@click.argument("depth_mm", type=float)
@click.option("--by", help='The latest time: "2027-06-01" or "2027-06-01 18:00", in site time.')
@site_option
def water_in(zone: str, depth_mm: float, by: str | None, site: Path | None) -> None:
    """Give ZONE one watering of DEPTH_MM (net) in the next allowed night, as after fertiliser."""
    service = service_of(site)
    latest: dict[str, Any] = {"until": instant(by, site_now(service)).isoformat()} if by else {}
    tell(service, "water-in", zone=zone, depth_mm=depth_mm, **latest)


@click.command()
@click.option("--zone", help="Only this zone's holds.")
@click.option("--for", "kind", type=click.Choice((*HOLD_KINDS, RAIN_KIND)), help="Only holds of this kind.")
@site_option
@json_option
def release(zone: str | None, kind: str | None, site: Path | None, as_json: bool) -> None:
    """End a hold; the next plan decides as usual."""
    fields = {"zone": zone, "kind": kind}
    tell(service_of(site), "release", as_json=as_json, **{name: value for name, value in fields.items() if value})


@click.command()
@site_option
def healthcheck(site: Path | None) -> None:
    """Exit 0 while the daemon answers and its keeper is ready, else 1."""
    body = ask(service_of(site), "status")["body"]
    click.echo(f"daemon answers, keeper {body['keeper']}, broker {body['broker']}")
    sys.exit(0 if body["keeper"] == "ready" else FAULTS)


def ask(service: ServiceSettings, op: str, **fields: Any) -> dict[str, Any]:
    """The daemon's answer; exits with 1 where none comes."""
    try:
        return OperatorClient(service.operator_socket).call(op, **fields)
    except NotReachable as missing:
        fail(str(missing), FAULTS)


def tell(service: ServiceSettings, op: str, *, as_json: bool = False, **fields: Any) -> None:
    """Ask, and say the answer; exits with 2 where it is refused."""
    said(ask(service, op, **fields), as_json=as_json)


def at_terminal() -> bool:
    """Whether somebody sits there to be asked."""
    return sys.stdin.isatty()


def said(answer: Mapping[str, Any], *, as_json: bool = False) -> None:
    """Print an answer; exits with 2 where it is a refusal."""
    if as_json:
        print_json({"ok": answer["ok"], "text": answer["text"], **(answer.get("body") or {})})
    elif answer["ok"]:
        click.echo(answer["text"])
    if not answer["ok"]:
        fail(answer["text"])


def site_now(service: ServiceSettings) -> datetime:
    """The time at the site by the daemon's own clock, which in a demonstration is not this machine's."""
    body = ask(service, "status")["body"]
    return datetime.fromisoformat(body["at"]).astimezone(ZoneInfo(body["timezone"]))


def instant(text: str, now: datetime) -> datetime:
    """A person's words for a time: a clock time is the next such time at the site, a date its first moment there."""
    zone = now.tzinfo
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
