"""``dewpond technician``: pressure, flow, coils, wires, splices and transformer, compared with the year before."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from dewpond.cli.answers import json_option, print_json, site_option
from dewpond.cli.steps_words import say_step, write_page
from dewpond.cli.upkeep_desk import AtDesk, Plain, at_desk, who_option
from dewpond.model.us_units import shown

version_option = click.option("--version", type=int, help="The version you saw, where somebody has reported before.")
note_option = click.option("--note", help="What is worth knowing.")
MARKS = {"good": " ", "look": "?", "fault": "!"}


@click.group(invoke_without_command=True)
@click.pass_context
@site_option
@json_option
def technician(ctx: click.Context, site: Path | None, as_json: bool) -> None:
    """The technician's check; without a command, where the one that is on stands.

    begin, then tick the cautions and report static, dynamic, flow, output, coil, splices and transformer in any
    order, by as many people as come; then end. Figures are compared with the check of a year ago.
    """
    if ctx.invoked_subcommand is None:
        at = at_desk(site)
        _say(at, at.do("technician-show"), as_json=as_json)


@technician.command()
@who_option
@site_option
@json_option
def begin(who: str, site: Path | None, as_json: bool) -> None:
    """Begin a check."""
    at = at_desk(site, who)
    _say(at, at.do("technician-begin"), as_json=as_json)


@technician.command(name="list")
@site_option
@json_option
def list_checks(site: Path | None, as_json: bool) -> None:
    """Every check, oldest first."""
    told = at_desk(site).do("technician-list")
    if as_json:
        print_json(told)
        return
    for one in told["checks"]:
        state = "ended" if one["ended"] else "still on"
        found = f"{one['faults']} faults, {one['to_look_at']} worth a look"
        click.echo(f"{one['check']} by {one['by']}: {one['measured']} measured, {found}, {state}")
    if not told["checks"]:
        click.echo("No technician's check yet; begin one with: dewpond technician begin")


@technician.command()
@click.argument("step")
@click.argument("keys", nargs=-1, required=True)
@who_option
@site_option
@json_option
def tick(step: str, keys: tuple[str, ...], who: str, site: Path | None, as_json: bool) -> None:
    """Say that you have read the cautions KEYS of STEP; once in a check, for yourself."""
    at = at_desk(site, who)
    _say(at, at.do("technician-tick", step=step, keys=list(keys)), as_json=as_json)


@technician.command()
@click.argument("supply")
@click.argument("pressure")
@click.option("--clock", help="When it was read, as 07:30; now when not given.")
@note_option
@version_option
@who_option
@site_option
@json_option
def static(supply: str, pressure: str, who: str, site: Path | None, as_json: bool, **more: Any) -> None:
    """Static PRESSURE of SUPPLY ("62 psi"), every outlet shut; at several hours of the day."""
    _note(site, who, as_json, step="static", place=supply, pressure=pressure, **more)


@technician.command()
@click.argument("zone")
@click.argument("first")
@click.argument("last")
@note_option
@version_option
@who_option
@site_option
@json_option
def dynamic(zone: str, first: str, last: str, who: str, site: Path | None, as_json: bool, **more: Any) -> None:
    """Pressure at the FIRST and the LAST head of ZONE while it runs."""
    _note(site, who, as_json, step="dynamic", place=zone, first=first, last=last, **more)


@technician.command()
@click.argument("zone")
@click.option("--flow", help='As read, such as "36 L/min".')
@click.option("--volume", help='What passed the meter or filled the bucket, such as "5 gal".')
@click.option("--seconds", type=float, help="How long that took.")
@note_option
@version_option
@who_option
@site_option
@json_option
def flow(zone: str, who: str, site: Path | None, as_json: bool, **more: Any) -> None:
    """Flow of ZONE: as read, or volume and seconds by the meter's dial or a bucket."""
    _note(site, who, as_json, step="flow", place=zone, **more)


@technician.command()
@click.argument("zone")
@click.argument("waters")
@note_option
@version_option
@who_option
@site_option
@json_option
def output(zone: str, waters: str, who: str, site: Path | None, as_json: bool, **more: Any) -> None:
    """What the output of ZONE WATERS: the zone that came on, or nothing."""
    _note(site, who, as_json, step="output", place=zone, waters=waters, **more)


@technician.command()
@click.argument("zone")
@click.argument("ohm")
@click.option("--power-off", is_flag=True, help="The power of the valves is off, and seen to be off.")
@click.option("--coils", type=int, help="How many coils hang on this output; one when not given.")
@note_option
@version_option
@who_option
@site_option
@json_option
def coil(zone: str, ohm: str, power_off: bool, who: str, site: Path | None, as_json: bool, **more: Any) -> None:
    """Resistance of ZONE's circuit with the power off: OHM, or "open"."""
    read: Plain = {"open": True} if ohm == "open" else {"ohm": ohm}
    _note(site, who, as_json, step="coil", place=zone, power_off=power_off, **read, **more)


@technician.command()
@click.argument("zone")
@click.argument("worst", metavar="sound|loose|wet|corroded|'not found'")
@note_option
@version_option
@who_option
@site_option
@json_option
def splices(zone: str, worst: str, who: str, site: Path | None, as_json: bool, **more: Any) -> None:
    """The worst splice of ZONE."""
    _note(site, who, as_json, step="splices", place=zone, splice=worst, **more)


@technician.command()
@click.argument("va")
@click.option("--volts", type=float, help="Of its low-voltage side; 24 when not given.")
@click.option("--holding", type=float, help="Amperes that one coil takes while it holds; 0.3 when not given.")
@click.option("--inrush", type=float, help="Amperes that one coil takes while it pulls in; 0.5 when not given.")
@note_option
@version_option
@who_option
@site_option
@json_option
def transformer(va: str, who: str, site: Path | None, as_json: bool, **more: Any) -> None:
    """VA of the transformer, against what max_open, master valves and pump relays may take at once."""
    _note(site, who, as_json, step="transformer", place="site", va=va, **more)


@technician.command()
@note_option
@who_option
@site_option
@json_option
def end(note: str | None, who: str, site: Path | None, as_json: bool) -> None:
    """End the check; what was not measured stays so."""
    at = at_desk(site, who)
    _say(at, at.do("technician-end", note=note), as_json=as_json)


@technician.command()
@click.argument("check", required=False)
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), help="Write the page to print (HTML) here.")
@site_option
@json_option
def show(check: str | None, out: Path | None, site: Path | None, as_json: bool) -> None:
    """CHECK, or the one that is on: figures, judgements, and what changed in a year."""
    at = at_desk(site)
    told = at.do("technician-show", check=check)
    if out is not None:
        from dewpond.upkeep.technician.sheet import technician_sheet  # noqa: PLC0415

        write_page(out, technician_sheet(told, at.site))
        return
    _say(at, told, as_json=as_json)


def _note(site: Path | None, who: str, as_json: bool, **fields: Any) -> None:
    at = at_desk(site, who)
    told = at.do("technician-note", **fields)
    if as_json:
        print_json(told)
        return
    noted = told["noted"]
    click.echo(f"{noted['place']}, {noted['step']}:")
    for word in noted["words"]:
        _word(at, word)


def _word(at: AtDesk, word: Plain) -> None:
    remedy = f" {word['remedy'][:1].upper()}{word['remedy'][1:]}." if word["remedy"] else ""
    click.echo(shown(f"  {MARKS[word['state']]} {word['text']}{remedy}", at.site.units))


def _say(at: AtDesk, told: Plain, *, as_json: bool) -> None:
    if as_json:
        print_json(told)
        return
    state = "ended" if told["ended"] else "on"
    click.echo(f"Technician's check {told['check']} by {told['by']}, {state}; {len(told['outstanding'])} to measure.")
    for row in told["measured"]:
        click.echo(f"{row['place']}, {row['step']}:")
        for word in row["words"]:
            _word(at, word)
    compared = told["compared"]
    if compared is not None:
        click.echo(f"Against the check of {compared['day']}:")
        for one in compared["changes"]:
            share = "" if one["share"] is None else f" ({one['share'] * 100:+.0f} %)"
            figures = f"{one['then']:.4g} {one['unit']} then, {one['now']:.4g} {one['unit']} now{share}"
            click.echo(
                shown(f"  {'!' if one['told'] else ' '} {one['place']}, {one['what']}: {figures}", at.site.units)
            )
    say_step(told["next"], "dewpond technician tick")
