"""How commands speak: results on stdout, messages on stderr, one clear line for what went wrong."""

from __future__ import annotations

import json
import os
import pwd
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NoReturn

import click

from dewpond.settings.values import ServiceRefused, ServiceSettings

BAD_INPUT = 2
FAULTS = 1


def fail(text: str, code: int = BAD_INPUT) -> NoReturn:
    """Say what is wrong on stderr and exit."""
    click.echo(text, err=True)
    sys.exit(code)


def service_of(site: Path | None) -> ServiceSettings:
    """The settings a command works with; exits with one line when there are none."""
    from dewpond.settings.service import load_service  # noqa: PLC0415 - `run` has its settings read next door

    try:
        return load_service(site)
    except ServiceRefused as refused:
        fail(str(refused))


def print_json(body: Mapping[str, Any]) -> None:
    """Machine-readable output."""
    click.echo(json.dumps(body, indent=2, default=str))


def person() -> str:
    """Who asks, by the machine's own account name."""
    try:
        return pwd.getpwuid(os.getuid()).pw_name
    except KeyError:
        return f"account {os.getuid()}"


site_option = click.option(
    "--site",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The site file; DEWPOND_SITE is taken when this is not given.",
)
json_option = click.option("--json", "as_json", is_flag=True, help="Machine-readable output.")
