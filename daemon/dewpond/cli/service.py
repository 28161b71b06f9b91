"""``dewpond run`` and ``dewpond keeper``: the two processes of a site."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import click

from dewpond.cli.answers import fail

site_argument = click.argument("site", type=click.Path(path_type=Path, dir_okay=False))


@click.command()
@site_argument
def run(site: Path) -> None:
    """Run the daemon for SITE in the foreground: read, decide, water, record.

    It needs the valve keeper (`dewpond keeper SITE`) to open anything; the two start in either order.
    """
    # The arrays of a site are small: threads of the linear algebra library would only hold memory. It asks once, when
    # it is loaded by the import below.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from dewpond.adapters.stop_signals import Ending, on_stop_signals  # noqa: PLC0415
    from dewpond.settings.handover import Reading  # noqa: PLC0415

    ending = Ending()
    with on_stop_signals(ending.ask):
        reading = Reading(site)
        # Loaded while the child reads the file: half a second sooner ready on a small board.
        from dewpond.adapters.library_pages import give_back_library_pages  # noqa: PLC0415
        from dewpond.bootstrap import Refused, run_daemon  # noqa: PLC0415

        give_back_library_pages()
        try:
            sys.exit(run_daemon(reading, _say, ending))
        except Refused as refused:
            fail(str(refused))


@click.command()
@site_argument
@click.option("--off", is_flag=True, help="Switch every output off and exit; used by the service manager at stop.")
def keeper(site: Path, off: bool) -> None:
    """Run the valve keeper for SITE in the foreground: it owns the relays and closes them when a lease runs out."""
    arguments = [sys.executable, "-m", "dewpond_drivers.keeper", str(site), *(["--off"] if off else [])]
    sys.stdout.flush()
    os.execv(sys.executable, arguments)  # noqa: S606 - our own module, by its own interpreter


def _say(text: str) -> None:
    click.echo(text)
    sys.stdout.flush()
