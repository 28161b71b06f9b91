"""``dewpond audit run``: a zone run for its cups by the daemon, its wind and pressure watched meanwhile."""

from __future__ import annotations

import threading
from pathlib import Path

import click

from dewpond.cli.answers import FAULTS, fail, service_of, site_option
from dewpond.cli.operator import ask, at_terminal, tell
from dewpond.upkeep.cups import CAUTIONS
from dewpond.upkeep.cups.run_watch import Picture, run_seen, sentences, wind_fault

LOOK_S = 5.0
OPENS_WITHIN_S = 60.0
BEYOND_S = 60.0


@click.command("run")
@click.argument("zone")
@click.argument("minutes", type=click.FloatRange(0.5, 120))
@click.option("--ticked", is_flag=True, help="You have read the cautions; at a terminal you are asked.")
@click.option("--calm", is_flag=True, help="You see that it is calm, where no sensor tells the wind.")
@click.option("--watch/--no-watch", default=True, show_default=True, help="Stay and note wind and pressure.")
@click.option("--against-rule", is_flag=True, help="A rule of the place forbids it now, and you insist.")
@click.option("--by", default="", help="Your name; with --against-rule it is recorded.")
@site_option
def run_for_cups(
    zone: str,
    minutes: float,
    ticked: bool,
    calm: bool,
    watch: bool,
    against_rule: bool,
    by: str,
    site: Path | None,
) -> None:
    """Run ZONE for MINUTES for its cups, unless the wind is above 5 mph, and say what wind and pressure did.

    Many rules of the place allow a run for an audit; insist with your name where yours does.
    """
    from dewpond.upkeep.cautions import LAST_WORD, cautions  # noqa: PLC0415

    if against_rule and not by.strip():
        fail("--against-rule needs --by NAME: it goes into the record")
    service = service_of(site)
    fault = wind_fault(ask(service, "status")["body"], calm=calm)
    if fault:
        fail(fault, FAULTS)
    for caution in cautions(CAUTIONS):
        click.echo(f"! {caution.text} ({caution.source})")
    click.echo(f"! {LAST_WORD}")
    if not ticked and at_terminal():
        click.confirm("Read, and the cups stand", abort=True, err=True)
    elif not ticked:
        fail("cautions: not ticked; they are read before water runs; add --ticked")
    insisting = {"against_rule": True} if against_rule else {}
    tell(service, "water", zone=zone, seconds=minutes * 60.0, by=by, reason="catch-can audit", **insisting)
    pictures: list[Picture] = []
    for look in range(int((minutes * 60.0 + BEYOND_S) / LOOK_S) if watch else 0):
        pictures.append(ask(service, "status")["body"])
        seen = run_seen(pictures, zone)
        if seen.shut or (not seen.opened and look * LOOK_S > OPENS_WITHIN_S):
            break
        threading.Event().wait(LOOK_S)
    for sentence in sentences(run_seen(pictures, zone)) if watch else ():
        click.echo(sentence)
