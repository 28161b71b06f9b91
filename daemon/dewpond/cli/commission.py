"""``dewpond commission``: zones named, flushed, proved by runs and cups, and signed off; until then held."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click

from dewpond.adapters.operator_socket import NotReachable, OperatorClient
from dewpond.adapters.system_clock import SystemClock
from dewpond.cli.answers import FAULTS, fail, json_option, print_json, site_option
from dewpond.cli.operator import at_terminal
from dewpond.cli.steps_words import say_step, write_page
from dewpond.cli.upkeep_desk import AtDesk, Plain, at_desk, who_option
from dewpond.model.us_units import shown

note_option = click.option("--note", help="What is worth knowing.")
version_option = click.option("--version", type=int, help="The version you saw, where somebody has reported before.")


@click.group(invoke_without_command=True)
@click.pass_context
@click.option("--zone", help="Only this zone.")
@site_option
@json_option
def commission(ctx: click.Context, zone: str | None, site: Path | None, as_json: bool) -> None:
    """Commissioning; without a command, where every zone stands.

    begin ZONES, then tick, click, flush, master, rain-switch and runs; audit with cups; then sign. A zone that is begun
    never runs by schedule until it is signed off; prove_zones = true in [site] asks it of every zone.
    """
    if ctx.invoked_subcommand is None:
        at = at_desk(site)
        _say(at, at.do("commission-show", zone=zone), as_json=as_json)


@commission.command()
@click.argument("zones", nargs=-1)
@click.option("--all", "all_zones", is_flag=True, help="Every zone of the site.")
@click.option("--agree", is_flag=True, help="You agree that they are held; at a terminal you are asked.")
@note_option
@who_option
@site_option
@json_option
def begin(
    zones: tuple[str, ...], all_zones: bool, agree: bool, note: str | None, who: str, site: Path | None, as_json: bool
) -> None:
    """Begin to commission ZONES: from now on they are held until they are signed off."""
    at = at_desk(site, who)
    wanted = [zone.id for zone in at.site.zones] if all_zones else list(zones)
    if bool(zones) == all_zones:
        fail("name the zones to commission, or say --all")
    known = {zone.id for zone in at.site.zones}
    unknown = sorted(set(wanted) - known)
    if unknown:
        fail(f"no zone {unknown[0]!r} here; zones are {', '.join(sorted(known))}")
    if not agree and not at_terminal():
        fail("nothing was begun: these zones stop running by schedule until they are signed off; add --agree")
    if not agree:
        click.confirm(f"Hold {', '.join(wanted)} until they are signed off", abort=True, err=True)
    states = {one["zone"]: one["state"] for one in at.do("commission-show")["zones"]}
    for zone in wanted:  # one that was never signed off is held by prove_zones alone, daemon or none
        may_be_silent = at.site.prove_zones and states[zone] != "signed"
        _tell(at, "commission", zone, note or "commissioning", may_be_silent=may_be_silent)
    _say(at, at.do("commission-begin", zones=wanted, note=note), as_json=as_json)


@commission.command()
@click.argument("step")
@click.argument("place")
@click.argument("keys", nargs=-1, required=True)
@who_option
@site_option
@json_option
def tick(step: str, place: str, keys: tuple[str, ...], who: str, site: Path | None, as_json: bool) -> None:
    """Say that you have read the cautions KEYS of STEP at PLACE (a zone, or a supply)."""
    at = at_desk(site, who)
    _say(at, at.do("commission-tick", step=step, place=place, keys=list(keys)), as_json=as_json)


@commission.command(name="click")
@click.argument("zone")
@click.argument("waters")
@note_option
@version_option
@who_option
@site_option
@json_option
def clicked(zone: str, waters: str, who: str, site: Path | None, as_json: bool, **more: Any) -> None:
    """The output of ZONE clicked the valve of WATERS (a zone, or nothing)."""
    _note(site, who, as_json, step="click", place=zone, waters=waters, **more)


@commission.command()
@click.argument("zone")
@click.argument("water", type=click.Choice(["clear", "dirty"]))
@note_option
@version_option
@who_option
@site_option
@json_option
def flush(zone: str, water: str, who: str, site: Path | None, as_json: bool, **more: Any) -> None:
    """ZONE was flushed before its nozzles went in; how the last WATER looked."""
    _note(site, who, as_json, step="flush", place=zone, water=water, **more)


@commission.command()
@click.argument("supply")
@click.argument("works", type=click.Choice(["works", "fails"]))
@note_option
@version_option
@who_option
@site_option
@json_option
def master(supply: str, works: str, who: str, site: Path | None, as_json: bool, **more: Any) -> None:
    """The master valve of SUPPLY lets water through when it should, and stops it."""
    _note(site, who, as_json, step="master", place=supply, works=works == "works", **more)


@commission.command(name="rain-switch")
@click.argument("supply")
@click.argument("works", type=click.Choice(["works", "fails"]))
@note_option
@version_option
@who_option
@site_option
@json_option
def rain_switch(supply: str, works: str, who: str, site: Path | None, as_json: bool, **more: Any) -> None:
    """The rain switch of SUPPLY stops the water when it is wetted."""
    _note(site, who, as_json, step="rain-switch", place=supply, works=works == "works", **more)


@commission.command()
@click.argument("zone")
@click.argument("flows", nargs=-1)
@note_option
@version_option
@who_option
@site_option
@json_option
def runs(zone: str, flows: tuple[str, ...], who: str, site: Path | None, as_json: bool, **more: Any) -> None:
    """The runs that set ZONE's usual flow: the meter's own count, or three FLOWS ("36 L/min") where none counts."""
    _note(site, who, as_json, step="runs", place=zone, flows=list(flows) or None, **more)


@commission.command(name="leave-out")
@click.argument("step")
@click.argument("place")
@click.option("--why", required=True, help="It stands on the sheet.")
@version_option
@who_option
@site_option
@json_option
def leave_out(step: str, place: str, why: str, version: int | None, who: str, site: Path | None, as_json: bool) -> None:
    """Leave STEP out at PLACE, with the reason; only flush and cups may be."""
    at = at_desk(site, who)
    told = at.do("commission-leave-out", step=step, place=place, why=why, version=version)
    _say(at, told, as_json=as_json)


@commission.command()
@click.argument("zone")
@note_option
@who_option
@site_option
@json_option
def sign(zone: str, note: str | None, who: str, site: Path | None, as_json: bool) -> None:
    """Sign ZONE off once every step is done: from now on it runs by schedule. Again, if the daemon did not hear it."""
    at = at_desk(site, who)
    told = at.do("commission-sign", zone=zone, note=note)
    _tell(at, "sign-off", zone, f"commissioning record {told['signed']['version']} of {zone}")
    if as_json:
        print_json(told)


@commission.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@site_option
def sheet(file: Path, site: Path | None) -> None:
    """Write the commissioning of every zone to FILE as a page to print and sign (HTML)."""
    from dewpond.upkeep.commissioning.sheet import commission_sheet  # noqa: PLC0415

    at = at_desk(site)
    day = f"{SystemClock().now().wall.astimezone(ZoneInfo(at.site.timezone)):%d %B %Y}"
    write_page(file, commission_sheet(at.do("commission-show"), at.site, day))


def _tell(at: AtDesk, op: str, zone: str, reason: str, *, may_be_silent: bool = False) -> None:
    """Have the daemon hold a zone or let it run; exits with one line where it does not."""
    try:
        answer = OperatorClient(at.service.operator_socket).call(op, zone=zone, by=at.who, reason=reason[:200])
    except NotReachable as missing:
        if may_be_silent:
            return  # the site file alone holds every zone that is not signed off
        kept = "the sign-off is kept, but nobody has told the daemon" if op == "sign-off" else "nothing was begun"
        fail(f"{missing} {kept}; start the daemon, then give the same command again", FAULTS)
    if not answer["ok"]:
        fail(answer["text"], FAULTS)
    click.echo(answer["text"], err=op == "commission")


def _note(site: Path | None, who: str, as_json: bool, **fields: Any) -> None:
    at = at_desk(site, who)
    told = at.do("commission-note", **fields)
    if as_json:
        print_json(told)
        return
    noted = told["noted"]
    click.echo(shown(f"{noted['place']}, {noted['step']}: {noted.get('said') or noted.get('why')}.", at.site.units))


def _say(at: AtDesk, told: Plain, *, as_json: bool) -> None:
    if as_json:
        print_json(told)
        return
    for zone in told["zones"]:
        click.echo(f"{zone['name']} ({zone['zone']}): {zone['state']}{_signed(zone)}")
        for row in zone["steps"] if zone["begun"] else ():
            said = f": {row['said']}" if row["said"] else ""
            place = "" if row["place"] == zone["zone"] else f" at {row['place']}"
            click.echo(shown(f"  {row['step']}{place}  {row['result'] or 'open'}{said}", at.site.units))
        if zone["may_sign"]:
            click.echo(f"  Every step is done: dewpond commission sign {zone['zone']}")
    following = next((zone["next"] for zone in told["zones"] if zone["next"]), None)
    if following is not None:
        shown_step = {**following, "step": f"{following['step']} {following['place']}"}
        say_step(shown_step, "dewpond commission tick")


def _signed(zone: Plain) -> str:
    return f" by {zone['signed']['by']} on {zone['signed']['at'][:10]}" if zone["signed"] else ""
