"""``dewpond handover``: what stands open for the one who takes over, the emergency card, a newcomer's first week."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click

from dewpond.adapters.system_clock import SystemClock
from dewpond.cli.answers import json_option, print_json, site_option
from dewpond.cli.steps_words import write_page
from dewpond.cli.upkeep_desk import AtDesk, Plain, at_desk, who_option
from dewpond.model.us_units import shown

file_argument = click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
version_option = click.option("--version", type=int, help="The version you saw; without it, the newest.")
HEADINGS = {
    "not_known": "",
    "emergency": "",
    "alarms": "alarm: ",
    "unproved": "not proved: ",
    "holds": "held: ",
    "locks": "locked: ",
    "exemptions": "exempt: ",
    "changed": "changed: ",
    "technician": "from the technician's check: ",
}


@click.group(invoke_without_command=True)
@click.pass_context
@site_option
@json_option
def handover(ctx: click.Context, site: Path | None, as_json: bool) -> None:
    """What the one who takes over has to know: open tasks, holds, locks, exemptions, changed values."""
    if ctx.invoked_subcommand is None:
        at = at_desk(site)
        _say(at, at.do("handover-show"), as_json=as_json)


@handover.command()
@file_argument
@site_option
def sheet(file: Path, site: Path | None) -> None:
    """Write the handover sheet to FILE, to print and sign (HTML)."""
    from dewpond.upkeep.handover.sheet import handover_sheet  # noqa: PLC0415

    at = at_desk(site)
    write_page(file, handover_sheet(at.do("handover-show"), at.site, _day(at)))


@handover.command()
@click.option("--to", required=True, help="Who takes the site over.")
@click.option("--note", help="What that person should know.")
@version_option
@who_option
@site_option
@json_option
def sign(to: str, note: str | None, version: int | None, who: str, site: Path | None, as_json: bool) -> None:
    """Hand the site over, and keep its numbers of today: the next sheet tells what was changed since."""
    at = at_desk(site, who)
    told = at.do("handover-keep", to=to, note=note, version=version)
    if as_json:
        print_json(told)
    else:
        click.echo(
            f"Handed over by {told['last']['by']} to {told['last']['to']}, with {_counted(told['last']['open'])}."
        )


@handover.command()
@click.argument("file", required=False, type=click.Path(path_type=Path, dir_okay=False))
@click.option("--shut-off", help="Where the main shut-off is, and how it turns.")
@click.option("--backflow", help="Where the backflow device is.")
@click.option("--power", help="Where the power of the valves is switched off.")
@click.option("--pump-isolator", help="Where the pump is switched off.")
@click.option("--valve-boxes", help="Where the valve boxes are.")
@click.option("--call", "calls", multiple=True, help='"NAME, NUMBER, WHEN"; all of them together, may be given again.')
@version_option
@who_option
@site_option
@json_option
def card(
    file: Path | None,
    calls: tuple[str, ...],
    version: int | None,
    who: str,
    site: Path | None,
    as_json: bool,
    **where: Any,
) -> None:
    """The emergency card: set what stands on it, and write it to FILE to print (HTML)."""
    from dewpond.upkeep.handover.emergency import emergency_card  # noqa: PLC0415

    at = at_desk(site, who)
    given = {name: text for name, text in where.items() if text is not None}
    if calls:
        given["calls"] = [_call(text) for text in calls]
    told = at.do("emergency-set", version=version, **given) if given else at.do("emergency-show")
    if file is not None:
        write_page(file, emergency_card(told, _day(at)))
    elif as_json:
        print_json(told)
    else:
        _say_card(told)


@handover.command("first-week")
@click.argument("file", required=False, type=click.Path(path_type=Path, dir_okay=False))
@site_option
def first_week_of(file: Path | None, site: Path | None) -> None:
    """A new crew member's first week on this site; to FILE as a page to print (HTML)."""
    from dewpond.upkeep.handover.first_week import first_week, first_week_sheet  # noqa: PLC0415

    at = at_desk(site)
    days = first_week(at.site)
    if file is not None:
        write_page(file, first_week_sheet(at.site, days, _day(at)))
        return
    for day in days:
        click.echo(day.title)
        for text, typed in day.tasks:
            click.echo(f"  {text}{f'  ({typed})' if typed else ''}")


def _say(at: AtDesk, told: Plain, *, as_json: bool) -> None:
    if as_json:
        print_json(told)
        return
    last = told["last"]
    click.echo(f"Last handed over to {last['to']} on {last['at'][:10]}." if last else "Never handed over yet.")
    lines = [f"task: {task['task']}, {task['urgency']}: {task['words']}" for task in told["tasks"]]
    lines += [f"{heading}{text}" for name, heading in HEADINGS.items() for text in told[name]]
    for line in lines:
        click.echo(shown(line, at.site.units))
    if not lines:
        click.echo("Nothing stands open.")


def _say_card(told: Plain) -> None:
    for name, text in told["where"].items():
        click.echo(f"{name.replace('_', ' ')}: {text or '?'}")
    for call in told["calls"]:
        click.echo(f"call {call['who']}, {call['phone']}{', ' + call['when'] if call['when'] else ''}")
    for number, step in enumerate(told["steps"], start=1):
        click.echo(f"{number}. {step['title']}: {step['text']}")
    if told["missing"]:
        click.echo(f"Missing: {', '.join(told['missing'])}.")


def _counted(open_now: Plain) -> str:
    words = {"tasks": "open tasks", "unproved": "zones not proved", "changed": "changed values"}
    return ", ".join(f"{count} {words.get(name, name)}" for name, count in open_now.items())


def _call(text: str) -> Plain:
    parts = [part.strip() for part in text.split(",", 2)]
    return dict(zip(("who", "phone", "when"), parts, strict=False))


def _day(at: AtDesk) -> str:
    return f"{SystemClock().now().wall.astimezone(ZoneInfo(at.site.timezone)):%d %B %Y}"
