"""``dewpond percent``: one action changes a program's percent while its days and starts stay."""

from __future__ import annotations

from pathlib import Path

import click

from dewpond.adapters.operator_socket import NotReachable, OperatorClient
from dewpond.cli.answers import FAULTS, fail, service_of, site_option


@click.command()
@click.argument("program")
@click.argument("percent", required=False, type=click.FloatRange(0, 200))
@click.option("--back-to-file", is_flag=True, help="Run by the site file's own percent again.")
@site_option
def percent(program: str, percent: float | None, back_to_file: bool, site: Path | None) -> None:
    """Run PROGRAM at PERCENT of its minutes from the next planning on, until it is changed again."""
    if (percent is None) != back_to_file:
        fail("give a percent from 0 to 200, or --back-to-file")
    fields = {"program": program} if percent is None else {"program": program, "percent": percent}
    try:
        answer = OperatorClient(service_of(site).operator_socket).call("percent", **fields)
    except NotReachable as missing:
        fail(str(missing), FAULTS)
    if not answer["ok"]:
        fail(answer["text"])
    click.echo(answer["text"])
