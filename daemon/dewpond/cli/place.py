"""The rules of the place from the terminal: exemptions, the stage of restriction in force, and the clock's word."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from dewpond.cli.answers import fail, json_option, print_json, service_of, site_option
from dewpond.cli.operator import ask, instant, site_now, tell

by_option = click.option("--by", help="Your name; it is recorded.")
reason_option = click.option("--reason", help="Why, and who gave leave; it is recorded.")
until_option = click.option("--until", help='An end: "18:00", "2027-06-01" or "2027-06-01 18:00", in site time.')


@click.command()
@click.argument("target", required=False)
@until_option
@by_option
@reason_option
@click.option("--rule", help="Only the restriction of this name; a complete stop is passed over only when named.")
@click.option("--end", "number", help="End the exemption of this number now.")
@site_option
@json_option
def exempt(
    target: str | None,
    until: str | None,
    by: str | None,
    reason: str | None,
    rule: str | None,
    number: str | None,
    site: Path | None,
    as_json: bool,
) -> None:
    """Record leave for TARGET (a zone, a supply, overhead, drip or all) to pass over restrictions; it ends by itself.

    Without TARGET: what is recorded. Leave is the authority's to give; dewpond only keeps the record of it.
    """
    service = service_of(site)
    if number is not None:
        _needed(by=by)
        tell(service, "end-exemption", number=number, by=by, reason=reason or "")
    elif target is None:
        _show(ask(service, "status")["body"], as_json)
    else:
        _needed(until=until, by=by, reason=reason)
        end = instant(str(until), site_now(service))
        tell(service, "exempt", target=target, until=end.isoformat(), by=by, reason=reason, rule=rule or "")


@click.command()
@click.argument("name", required=False)
@until_option
@by_option
@reason_option
@site_option
@json_option
def stage(
    name: str | None, until: str | None, by: str | None, reason: str | None, site: Path | None, as_json: bool
) -> None:
    """Declare stage NAME of restriction in force, or "none"; without NAME: which is in force."""
    service = service_of(site)
    if name is None:
        in_force = ask(service, "status")["body"]["stage"]
        print_json({"stage": in_force}) if as_json else click.echo(in_force or "No stage of restriction is in force.")
        return
    _needed(by=by, reason=reason)
    end: dict[str, Any] = {"until": instant(until, site_now(service)).isoformat()} if until else {}
    tell(service, "stage", stage="" if name == "none" else name, by=by, reason=reason, **end)


@click.command()
@click.option("--right", is_flag=True, help="You have looked: the clock is right as it stands.")
@by_option
@site_option
def clock(right: bool, by: str | None, site: Path | None) -> None:
    """Whether the daemon trusts the clock; --right --by NAME has it trust the clock as it stands now."""
    service = service_of(site)
    if right:
        _needed(by=by)
        tell(service, "clock", by=by)
        return
    body = ask(service, "status")["body"]
    told = "The clock is trusted." if body["clock_trusted"] else body["clock_doubt"] or "The clock is not trusted."
    click.echo(f"{body['at']} UTC. {told}")


def _needed(**given: str | None) -> None:
    missing = [f"--{name}" for name, value in given.items() if not value or not value.strip()]
    if missing:
        fail(f"{' and '.join(missing)} {'is' if len(missing) == 1 else 'are'} needed: it goes into the record")


def _show(body: dict[str, Any], as_json: bool) -> None:
    if as_json:
        print_json({"stage": body["stage"], "exemptions": body["exemptions"]})
        return
    for item in body["exemptions"]:
        rule = f" from {item['rule']}" if item["rule"] else ""
        click.echo(f"{item['number']}: {item['target']}{rule} until {item['until']} by {item['who']}: {item['reason']}")
    if not body["exemptions"]:
        click.echo("No exemption is recorded.")
