"""``dewpond stop``: to the keeper first, before anything else is even loaded, then to the daemon."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from dewpond.adapters.keeper_stop import close_all_now, close_zone_now
from dewpond.cli.answers import FAULTS, fail, json_option, person, print_json, site_option
from dewpond.settings.state_folder import state_dir_of
from dewpond.settings.values import KEEPER_SOCKET, OPERATOR_SOCKET, ServiceRefused


@click.command()
@click.argument("zone", required=False)
@site_option
@json_option
def stop(zone: str | None, site: Path | None, as_json: bool) -> None:
    """Close everything, or ZONE, at once. Works with the daemon hung or dead."""
    try:
        folder = state_dir_of(site, os.environ)
    except ServiceRefused as refused:
        fail(str(refused))
    closed, trouble = _close_at_keeper(folder, zone)
    from dewpond.adapters.operator_socket import NotReachable, OperatorClient  # noqa: PLC0415 - the valves come first

    try:
        daemon = OperatorClient(folder / OPERATOR_SOCKET, timeout_s=3.0)
        answer = daemon.call("stop", **({"zone": zone} if zone else {}))
    except NotReachable:
        if not closed:
            fail(f"{trouble}. The daemon does not answer either: shut the water by hand.", FAULTS)
        _say({"ok": True, "text": f"{closed} The daemon does not answer; its plan is not changed."}, as_json)
        return
    _say(answer, as_json)


def _say(answer: Mapping[str, Any], as_json: bool) -> None:
    """Print an answer; exits with 1 where it is a refusal."""
    if as_json:
        print_json({"ok": answer["ok"], "text": answer["text"]})
    elif answer["ok"]:
        click.echo(answer["text"])
    if not answer["ok"]:
        fail(answer["text"], FAULTS)


def _close_at_keeper(folder: Path, zone: str | None) -> tuple[str, str]:
    """Straight to the keeper: what was done, or what was the matter."""
    try:
        if zone is None:
            return close_all_now(folder / KEEPER_SOCKET, person()), ""
        return close_zone_now(folder / KEEPER_SOCKET, zone, person()), ""
    except OSError as silent:
        return "", str(silent)
