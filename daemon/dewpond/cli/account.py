"""``dewpond account``: what people enter for the water accounts, tariffs, bills and the allowance's factor."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from dewpond.cli.answers import fail, json_option, print_json, site_option
from dewpond.cli.upkeep_desk import at_desk, who_option

version_option = click.option("--version", type=int, help="The version you saw; without it, the newest.")
unit_option = click.option("--unit", required=True, help="The bill's unit: m3, ft3, CCF, kgal, gal or L.")


@click.group(invoke_without_command=True)
@click.pass_context
@site_option
@json_option
def account(ctx: click.Context, site: Path | None, as_json: bool) -> None:
    """Tariffs, bills and the allowance's factor. Without a command, what is kept."""
    if ctx.invoked_subcommand is not None:
        return
    told = at_desk(site).do("accounts")
    if as_json:
        print_json(told)
        return
    for one in told["tariffs"]:
        tiers = ", ".join(_tier(tier) for tier in one["tiers"])
        click.echo(f"Tariff {one['supply']}: {tiers} {one['currency']} a {one['unit']}, {one['fixed']:g} fixed a bill")
    for one in told["bills"]:
        amount = "" if one["amount"] is None else f", {one['amount']:g}"
        click.echo(f"Bill {one['supply']} {one['first']} to {one['last']}: {one['units']:g} {one['unit']}{amount}")
    own = told["allowance"]
    click.echo(
        "No factor of the allowance is entered." if own is None else f"Factor {own['factor']:g}, {own['source']}"
    )


@account.command()
@click.argument("supply")
@click.option("--currency", required=True, help="EUR, USD, ...")
@unit_option
@click.option("--fixed", type=float, default=0.0, help="The charge of each bill, however little was used.")
@click.option("--price", type=float, required=True, help="Price of a unit; of the last tier where there are several.")
@click.option(
    "--tier", "tiers", multiple=True, metavar="UP_TO:PRICE", help="A lower tier, such as 10:1.85; repeatable."
)
@version_option
@who_option
@site_option
@json_option
def tariff(
    supply: str, price: float, tiers: tuple[str, ...], site: Path | None, who: str, as_json: bool, **fields: Any
) -> None:
    """Keep what SUPPLY's water costs."""
    table: list[dict[str, float]] = [_read_tier(text) for text in tiers]
    told = at_desk(site, who).do("tariff-set", supply=supply, tiers=[*table, {"price": price}], **fields)
    print_json(told) if as_json else click.echo(f"Tariff of {supply} is kept, version {told['version']}.")


@account.command()
@click.argument("supply")
@click.option("--from", "first", required=True, help="The date of the reading before: 2027-05-03.")
@click.option("--to", "last", required=True, help="The date it was read: 2027-06-02.")
@unit_option
@click.option("--units", type=float, help="How many units were billed.")
@click.option("--before", type=float, help="The meter's reading before, instead of --units.")
@click.option("--after", type=float, help="The meter's reading after.")
@click.option("--amount", type=float, help="The amount billed.")
@click.option("--note", help="Such as: the reading was estimated.")
@version_option
@who_option
@site_option
@json_option
def bill(supply: str, who: str, site: Path | None, as_json: bool, **fields: Any) -> None:
    """Keep a bill of SUPPLY; the same last date again corrects it. dewpond report sets it against our litres."""
    told = at_desk(site, who).do("bill-set", supply=supply, **fields)
    print_json(told) if as_json else click.echo(f"Bill {told['bill']} is kept: {told['litres']:,.0f} L.")


@account.command()
@click.argument("supply")
@click.argument("last")
@version_option
@who_option
@site_option
def withdraw(supply: str, last: str, version: int | None, who: str, site: Path | None) -> None:
    """Take back the bill of SUPPLY that was read LAST on this date; the record of it stays."""
    told = at_desk(site, who).do("bill-withdraw", supply=supply, last=last, version=version)
    click.echo(f"Bill {told['bill']} is withdrawn.")


@account.command()
@click.argument("factor", type=float)
@click.option("--source", required=True, help="Where the factor was read, such as the ordinance and its section.")
@click.option("--special", multiple=True, help="A zone that may use all of reference ET; repeatable.")
@version_option
@who_option
@site_option
def allowance(
    factor: float, source: str, special: tuple[str, ...], version: int | None, who: str, site: Path | None
) -> None:
    """Keep the ET adjustment FACTOR of the place's water allowance. The authority's word wins over ours."""
    told = at_desk(site, who).do("allowance-set", factor=factor, source=source, special=list(special), version=version)
    click.echo(f"Factor {told['factor']:g} is kept, version {told['version']}.")


def _read_tier(text: str) -> dict[str, float]:
    top, _, price = text.partition(":")
    try:
        return {"up_to": float(top), "price": float(price)}
    except ValueError:
        fail(f"--tier {text[:20]!r} is not UP_TO:PRICE, such as 10:1.85")


def _tier(tier: dict[str, float]) -> str:
    return f"{tier['price']:g} up to {tier['up_to']:g}" if "up_to" in tier else f"{tier['price']:g}"
