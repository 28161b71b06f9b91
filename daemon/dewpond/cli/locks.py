"""Work locks and the winter state, straight at the valve keeper: they work with the daemon hung or dead."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any, NoReturn

import click

from dewpond.adapters.keeper_locks import ask_keeper
from dewpond.cli.answers import FAULTS, fail, json_option, print_json, service_of, site_option
from dewpond.settings.values import ServiceSettings

CAUTION = (
    "A software lock is not isolation: shut the hand valve, cut the power to the valves and lock both off yourself "
    "before anybody digs, cuts pipe or opens a box. Local codes and licensed practice come first."
)
WINTER_CAUTION = (
    "Closing here drains nothing: shut and drain the supply by hand. Blow-out air can burst pipe and injure people; "
    "keep to the pipe maker's pressure, stand clear, wear eye protection, or leave it to a licensed contractor. "
    "Backflow units need care of their own; local codes come first."
)
SPRING_CAUTION = (
    "Fill slowly: a fast fill hammers pipe and throws heads. Where local codes ask for it, the backflow unit is tested "
    "by a licensed tester before water is used."
)
who_option = click.option("--who", required=True, help="The person's own name.")


@click.command()
@click.argument("target")
@who_option
@click.option("--reason", required=True, help="What is being done there; shown wherever the lock is.")
@site_option
def lock(target: str, who: str, reason: str, site: Path | None) -> None:
    """Lock TARGET for work: a zone's id, supply:ID, or site.

    The keeper then opens nothing there, whoever asks. The lock survives restarts and never expires.
    """
    answer = _ask(service_of(site), op="lock", target=target, who=who, reason=reason)
    _end(answer, "NO lock is set", CAUTION)


@click.command()
@click.argument("target")
@who_option
@click.option("--reason", required=True, help="Why it may come off; recorded.")
@click.option("--owner", is_flag=True, help="Take off other people's locks, as the owner of the site.")
@site_option
def unlock(target: str, who: str, reason: str, owner: bool, site: Path | None) -> None:
    """Take your own lock off TARGET; with --owner all locks there. See first that nobody works there."""
    answer = _ask(service_of(site), op="unlock", target=target, who=who, reason=reason, owner=owner)
    _end(answer, "Nothing is unlocked", CAUTION)


@click.command()
@site_option
@json_option
def locks(site: Path | None, as_json: bool) -> None:
    """The locks that stand, from the keeper itself."""
    answer = _ask(service_of(site), op="locks")
    standing = answer.get("locks", [])
    if as_json:
        print_json({"locks": standing})
        return
    for item in standing:
        click.echo(f"{item['target']} is {item['words']}")
    click.echo(CAUTION if standing else "Nothing is locked.")


@click.group()
def winter() -> None:
    """Close the site for winter, and open it with a signed start-up list."""


@winter.command("close")
@who_option
@click.option("--reason", default="", help="Shown beside it.")
@site_option
def winter_close(who: str, reason: str, site: Path | None) -> None:
    """Let nothing open, master valves included, until the start-up list is signed. Do a blow-out before."""
    answer = _ask(service_of(site), op="winter_close", who=who, reason=reason)
    _end(answer, "The site is NOT closed for winter by this", WINTER_CAUTION)


@winter.command("open")
@who_option
@click.option("--signed", required=True, help="The items of the start-up list that are done, with commas between.")
@site_option
def winter_open(who: str, signed: str, site: Path | None) -> None:
    """End the winter: every item of the start-up list must be signed.

    slow-fill: the supply was opened slowly with the highest zone open. backflow: the backflow unit was checked.
    walked: every zone was walked. clock: clock and watering window were checked.
    """
    items = [item.strip() for item in signed.split(",") if item.strip()]
    answer = _ask(service_of(site), op="winter_open", who=who, signed=items)
    _end(answer, "Nothing opens yet", SPRING_CAUTION)


def _ask(service: ServiceSettings, **body: Any) -> dict[str, Any]:
    try:
        return ask_keeper(service.keeper_socket, body)
    except OSError as silent:
        click.echo(CAUTION, err=True)
        fail(
            f"{silent}. Take it that NO lock is set or taken off by this. Leases run out in two minutes where a keeper "
            "lives or its relays fall off by themselves; a latching valve stays open without power, and a keeper that "
            "comes back may open again.",
            FAULTS,
        )


def _end(answer: dict[str, Any], if_not: str, caution: str) -> None:
    """Say what came of it, and the caution each time; exit 1 where it was refused or a valve may still be open."""
    if not answer["ok"]:
        click.echo(caution, err=True)
        fail(f"{if_not}: {answer['why']}.", FAULTS)
    click.echo(answer.get("told", "Done."))
    click.echo(caution)
    if answer["why"]:
        _still_open(str(answer["why"]))


def _still_open(why: str) -> NoReturn:
    click.echo(f"The lock stands, but a valve may still be open: {why}. Shut the water by hand, now.", err=True)
    sys.exit(FAULTS)
