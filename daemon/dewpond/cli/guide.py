"""``dewpond guide``: tests of the pipes that a person is led through, step by step."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from dewpond.cli.answers import FAULTS, fail, service_of, site_option
from dewpond.cli.operator import ask
from dewpond.model.operations import GUIDED_TESTS


@click.command()
@click.argument("test", type=click.Choice(GUIDED_TESTS))
@click.argument("supply")
@click.option("--who", "--by", "who", required=True, help="The name of the person who does it and stays there.")
@click.option("--zone", help="The zone: needed for drainage, one alone for weeping, else the largest for a pump.")
@click.option("--saw", type=click.Choice(("yes", "no")), help="The answer to what was asked, where eyes judge.")
@click.option("--minutes", type=float, help="How long a step is measured; the longer, the smaller the leak that shows.")
@click.option("--reason", default="", help="Why; recorded with the result.")
@click.option("--against-rule", is_flag=True, help="You know the rule of the place against running a zone, and insist.")
@click.option("--end", is_flag=True, help="End the test now; what it has found is told and recorded.")
@site_option
def guide(test: str, supply: str, end: bool, site: Path | None, **given: Any) -> None:
    """Be led through a TEST of SUPPLY; the same command again goes on, and renews your stay of five minutes.

    leak: master valve shut, then open, the pump off. weeping: one zone after another is shut by hand to find a valve
    that weeps. drainage: whether a zone's lowest head stops after its valve shut. pump: flow of the pump through an
    open zone, never dry and never against shut valves.
    """
    service = service_of(site)
    if end:
        answer = ask(service, "end-guided", target=supply, by=given["who"])
    else:
        answer = ask(service, "guide", target=supply, kind=test, **_wish(**given))
    if not answer["ok"]:
        fail(answer["text"], FAULTS)
    click.echo(answer["text"])


def _wish(
    who: str, zone: str | None, saw: str | None, minutes: float | None, reason: str, against_rule: bool
) -> dict[str, Any]:
    """The fields of the request: what was not given is left out."""
    seconds = None if minutes is None else minutes * 60.0
    wish = {"by": who, "zone": zone, "answer": saw, "seconds": seconds, "reason": reason, "against_rule": against_rule}
    return {name: value for name, value in wish.items() if value not in (None, "", False)}
