"""``dewpond attend``: a main kept under water for somebody who works beside it and says so every few minutes."""

from __future__ import annotations

from pathlib import Path

import click

from dewpond.adapters.operator_socket import NotReachable, OperatorClient
from dewpond.cli.answers import FAULTS, fail, service_of, site_option

CAUTION = (
    "Backflow unit, hydrants and hand valves are under full pressure: open slowly, stand clear, keep to local codes."
)


@click.command()
@click.argument("supply")
@click.option("--who", "--by", "who", required=True, help="The name of the person who stays there.")
@click.option("--reason", default="", help="What is being done; recorded as maintenance. Needed to begin.")
@click.option("--end", is_flag=True, help="End the test now.")
@site_option
def attend(supply: str, who: str, reason: str, end: bool, site: Path | None) -> None:
    """Open the master valve of SUPPLY for five minutes of an attended test; the same command again goes on.

    It closes by itself when WHO has said nothing for five minutes, after a quarter of an hour, and when the meter sees
    a flow the size of a break. What is drawn by hand meanwhile is no alarm.
    """
    if not end and not reason:
        fail("an attended test is recorded: give --reason")
    fields = {"target": supply, "by": who} if end else {"target": supply, "by": who, "reason": reason}
    try:
        answer = OperatorClient(service_of(site).operator_socket).call("end-attended" if end else "attend", **fields)
    except NotReachable as missing:
        fail(str(missing), FAULTS)
    if not answer["ok"]:
        fail(answer["text"], FAULTS)
    click.echo(answer["text"])
    if not end:
        click.echo(CAUTION)
