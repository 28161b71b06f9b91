"""``dewpond stop``: to the keeper first, before anything else is even loaded, then to the daemon.

Where no keeper answers, every output is switched off without one.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from dewpond.adapters.keeper_stop import NotClosed, close_all_now, close_zone_now
from dewpond.cli.answers import FAULTS, fail, json_option, person, print_json, site_option
from dewpond.settings.state_folder import state_dir_of
from dewpond.settings.values import KEEPER_SOCKET, OPERATOR_SOCKET, ServiceRefused

OFF_S = 30.0  # the switching itself gives up after 12 s, and asks a keeper that hangs for 7 s before


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
    closed, trouble = _close(folder, zone, site)
    from dewpond.adapters.operator_socket import NotReachable, OperatorClient  # noqa: PLC0415 - the valves come first

    try:
        daemon = OperatorClient(folder / OPERATOR_SOCKET, timeout_s=3.0)
        answer = daemon.call("stop", **({"zone": zone} if zone else {}))
    except NotReachable:
        if not closed:
            fail(f"{trouble}. The daemon does not answer either: shut the water by hand.", FAULTS)
        answer = {"ok": True, "text": f"{closed} The daemon does not answer; once it does, it leaves them shut."}
    else:
        if trouble and closed:
            answer = {"ok": True, "text": f"{closed} {trouble}; start it again."}
    _say(answer, as_json)


def _say(answer: Mapping[str, Any], as_json: bool) -> None:
    """Print an answer; exits with 1 where it is a refusal."""
    if as_json:
        print_json({"ok": answer["ok"], "text": answer["text"]})
    elif answer["ok"]:
        click.echo(answer["text"])
    if not answer["ok"]:
        fail(answer["text"], FAULTS)


def _close(folder: Path, zone: str | None, site: Path | None) -> tuple[str, str]:
    """Straight to the keeper, or where none answers to the relays: what was done, and what was the matter."""
    try:
        if zone is None:
            return close_all_now(folder / KEEPER_SOCKET, person()), ""
        return close_zone_now(folder / KEEPER_SOCKET, zone, person()), ""
    except NotClosed as refused:
        return "", str(refused)
    except OSError as silent:
        return _switch_off(folder, site), str(silent)


def _switch_off(folder: Path, site: Path | None) -> str:
    """Every output off, a single zone's wish included: without a keeper nobody knows what else is open."""
    named = site or os.environ.get("DEWPOND_SITE")
    if not named:
        return ""
    import subprocess  # noqa: PLC0415 - seldom needed, and a stop must not wait for libraries

    command = [sys.executable, "-P", "-m", "dewpond_drivers.keeper", "--off", f"--by={person()}", str(named)]
    try:
        done = subprocess.run(
            command,
            env={**os.environ, "DEWPOND_STATE_DIR": str(folder)},
            capture_output=True,
            timeout=OFF_S,
            check=False,
        )
    except (OSError, subprocess.SubprocessError) as fault:
        click.echo(f"the relays could not be reached without a keeper: {fault}", err=True)
        return ""
    if done.returncode:
        click.echo(done.stderr.decode(errors="replace").strip(), err=True)
        return ""
    return "Every output is switched off, without a keeper."
