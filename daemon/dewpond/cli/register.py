"""``dewpond register``: what stands in the ground, zone by zone; as CSV for a spreadsheet, and to print."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click

from dewpond.adapters.system_clock import SystemClock
from dewpond.cli.answers import fail, json_option, print_json, site_option
from dewpond.cli.upkeep_desk import at_desk, who_option
from dewpond.model.us_units import shown

LARGEST_FILE_BYTES = 4_000_000


@click.group(invoke_without_command=True)
@click.pass_context
@site_option
@json_option
def register(ctx: click.Context, site: Path | None, as_json: bool) -> None:
    """Every zone's card: what it waters, valve, wires, heads. Without a command, all of them."""
    if ctx.invoked_subcommand is None:
        at = at_desk(site)
        told = at.do("register")
        print_json(told) if as_json else _list(told, at.site.units)


@register.command()
@click.argument("zone")
@site_option
@json_option
def show(zone: str, site: Path | None, as_json: bool) -> None:
    """ZONE's card, and where it differs from the site file."""
    at = at_desk(site)
    [card] = at.do("register", zone=zone)["zones"]
    print_json(card) if as_json else _card(card, at.site.units)


@register.command(name="set")
@click.argument("zone")
@click.option("--waters")
@click.option("--valve-kind")
@click.option("--valve-place", help="in a box; above ground with backflow protection; in a building.")
@click.option("--output", type=int, help="The relay output its wire is on.")
@click.option("--wiring", help="Colours, splices, where the cable runs.")
@click.option("--photo", help="Name of the picture file.")
@click.option("--notes")
@click.option("--version", type=int, help="The version you saw; without it, the newest.")
@who_option
@site_option
@json_option
def set_fields(
    zone: str, version: int | None, who: str, site: Path | None, as_json: bool, **fields: str | int | None
) -> None:
    """Write down what was found at ZONE. Heads are entered by import."""
    changes = {name: value for name, value in fields.items() if value is not None}
    if not changes:
        fail("nothing is given to write down; see dewpond register set --help")
    at = at_desk(site, who)
    told = at.do("register-set", zone=zone, changes=changes, version=version)
    print_json(told) if as_json else _card(told, at.site.units)


@register.command(name="export")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@site_option
def export_csv(file: Path, site: Path | None) -> None:
    """Write every card to FILE as CSV, one row for each group of heads."""
    at = at_desk(site)
    file.write_text(at.do("register-export")["csv"], encoding="utf-8", newline="")
    click.echo(f"{file} is written: {len(at.site.zones)} zones.")


@register.command(name="import")
@click.argument("file", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@who_option
@site_option
@json_option
def import_csv(file: Path, who: str, site: Path | None, as_json: bool) -> None:
    """Take the cards of FILE, as exported; all of it or nothing. The zones' numbers in the site file stay."""
    if file.stat().st_size > LARGEST_FILE_BYTES:
        fail(f"{file.name} is larger than {LARGEST_FILE_BYTES // 1_000_000} MB, the limit; split it")
    try:
        text = file.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        fail(f"{file.name}: byte {error.start} is not UTF-8; save it as CSV in UTF-8")
    told = at_desk(site, who).do("register-import", csv=text)
    if as_json:
        print_json(told)
    else:
        click.echo(f"Changed: {', '.join(told['changed']) or 'nothing'}.")


@register.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@site_option
def sheet(file: Path, site: Path | None) -> None:
    """Write the register to FILE as a page to print (HTML)."""
    from dewpond.upkeep.register_sheet import register_sheet  # noqa: PLC0415

    at = at_desk(site)
    day = f"{SystemClock().now().wall.astimezone(ZoneInfo(at.site.timezone)):%d %B %Y}"
    file.write_text(register_sheet(at.do("register"), at.site, day), encoding="utf-8")
    click.echo(f"{file} is written; open it in a browser and print it.")


def _list(told: dict[str, Any], units: str) -> None:
    for card in told["zones"]:
        flow = "" if card["head_flow_l_min"] is None else f", {card['head_flow_l_min']:.1f} L/min"
        differs = ", differs from the site file" if card["differences"] else ""
        where = card["valve_place"] or "valve not noted"
        text = f"{card['zone']}  {card['waters'] or 'not noted'}; {card['head_count']} heads{flow}; {where}{differs}"
        click.echo(shown(text, units))


def _card(card: dict[str, Any], units: str) -> None:
    click.echo(f"{card['name']} ({card['zone']}), supply {card['supply']}, version {card['version']}")
    for name in ("waters", "valve_kind", "valve_place", "output", "wiring", "photo", "notes"):
        if card[name]:
            click.echo(f"  {name.replace('_', ' ')}: {card[name]}")
    for group in card["heads"]:
        click.echo(shown(f"  {_group(group)}", units))
    if card["mixed_kinds"]:
        click.echo("  ! Heads of unlike kinds water this zone.")
    for text in card["differences"]:
        click.echo(shown(f"  ! {text}", units))
    if card["site_file_line"]:
        click.echo(f"  If the card is right, the site file's line is: {card['site_file_line']}")


def _group(group: dict[str, Any]) -> str:
    parts = [f"{group['count']} x {group['kind']}"]
    parts += [f"{group['arc_deg']:g} deg"] if group["arc_deg"] is not None else []
    parts += [f"radius {group['radius_m']:g} m"] if group["radius_m"] is not None else []
    parts += [f"rated {group['rated_pressure_kpa']:g} kPa"] if group["rated_pressure_kpa"] is not None else []
    parts += [f"{group['flow_l_min']:.3g} L/min each"] if group["flow_l_min"] is not None else []
    return ", ".join(parts)
