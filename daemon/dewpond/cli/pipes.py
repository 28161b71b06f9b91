"""The pipes from the terminal: what the meter can show, alarms dealt with, usual flows taken anew."""

from __future__ import annotations

import math
from dataclasses import asdict
from pathlib import Path

import click

from dewpond.adapters.operator_socket import NotReachable, OperatorClient
from dewpond.brain.pipes.sight import MeterSight, sights
from dewpond.cli.answers import FAULTS, fail, json_option, print_json, service_of, site_option
from dewpond.settings.problems import SiteRefused
from dewpond.settings.site_file import require_site


@click.command()
@click.argument("site", type=click.Path(path_type=Path, dir_okay=False))
@json_option
def meter(site: Path, as_json: bool) -> None:
    """The smallest leak that SITE's meters can show, and how soon: two pulses of it, and not below the least flow."""
    try:
        found = sights(require_site(site))
    except (SiteRefused, OSError) as refused:
        fail(str(refused))
    if as_json:
        print_json({"meters": [_plain(item) for item in found]})
        return
    if not found:
        click.echo("No supply here has a meter: these pipes are not watched.")
    for item in found:
        _show(item)


def _plain(item: MeterSight) -> dict[str, object]:
    plain = asdict(item)
    for zone in plain["zones"]:
        for key, value in zone.items():
            if isinstance(value, float) and math.isinf(value):
                zone[key] = None
    return plain


def _show(item: MeterSight) -> None:
    click.echo(
        f"supply {item.supply}: {item.pulse_l:g} L a pulse, nothing promised below {item.least_flow_l_min:.2f} L/min, "
        f"made for {item.greatest_flow_l_min:.0f} L/min"
    )
    if item.shared:
        click.echo(
            "  Others draw from it: a leak shows only as hours without the pauses they usually make, and too much "
            "water in a zone only beyond what they ever draw at once, or after three runs."
        )
    else:
        click.echo(
            f"  With every valve shut, a leak of {item.leak_in_a_minute_l_min:.2f} L/min shows within a minute, "
            f"one of {item.leak_in_an_hour_l_min:.2f} L/min within an hour; smaller ones may never."
        )
    for zone in item.zones:
        if zone.below_least_flow:
            click.echo(f"  {zone.zone}: {zone.flow_l_min:.2f} L/min is below what this meter measures; not watched")
        else:
            click.echo(
                f"  {zone.zone}: {zone.flow_l_min:.1f} L/min; steady, doubled flow shows in {_span(zone.doubled_s)}, "
                f"a quarter more in {_span(zone.quarter_s)}, a tenth in {_span(zone.tenth_s)}"
            )


def _span(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120.0 else f"{seconds / 60.0:.0f} min"


@click.command()
@click.argument("alarm")
@site_option
def clear(alarm: str, site: Path | None) -> None:
    """Say that ALARM (its key, as `status --json` shows it) is dealt with; what it kept shut may run again."""
    _tell(site, "clear", reason=alarm)


@click.command("as-usual")
@click.argument("zone")
@site_option
def as_usual(zone: str, site: Path | None) -> None:
    """Take ZONE's flow of today as its usual one, after heads or pipe were changed."""
    _tell(site, "as-usual", zone=zone)


@click.command()
@click.argument("zone")
@site_option
def forget(zone: str, site: Path | None) -> None:
    """Give up what probes and meter have taught of ZONE; its site file's numbers stand until more is seen."""
    _tell(site, "forget", zone=zone)


def _tell(site: Path | None, op: str, **fields: str) -> None:
    try:
        answer = OperatorClient(service_of(site).operator_socket).call(op, **fields)
    except NotReachable as gone:
        fail(str(gone), FAULTS)
    if not answer["ok"]:
        fail(answer["text"], FAULTS)
    click.echo(answer["text"])
