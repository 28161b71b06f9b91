"""Commands of the simulator, a thin door: everything heavy is imported when a command runs."""

from __future__ import annotations

import sys

import click

HEADLESS_DAYS = 3


@click.command()
@click.option("--days", type=click.IntRange(1, 365), help="Simulated days; without it until you stop it.")
@click.option("--headless", is_flag=True, help="No display: run the days (3 unless told), print the result, exit.")
@click.option("--port", type=click.IntRange(1, 65535), help="Port of the board on 127.0.0.1; a free one by default.")
@click.option(
    "--speed",
    type=click.FloatRange(1, 100_000),
    default=300.0,
    show_default=True,
    help="Simulated seconds per real second while you watch; --headless goes as fast as it can.",
)
def demo(days: int | None, headless: bool, port: int | None, speed: float) -> None:
    """Watch an invented site being watered: broker, keeper, daemon and board are real, ground and time are simulated.

    After --days the time goes on at its natural pace and the board stays, until Ctrl-C.
    """
    from dewpond_sim.demo import DemoFailed, DemoOptions, run_demo  # noqa: PLC0415
    from dewpond_sim.demo_screen import watch  # noqa: PLC0415

    if headless and days is None:
        days = HEADLESS_DAYS
    try:
        sys.exit(run_demo(DemoOptions(days=days, headless=headless, port=port, speed=speed), _say, watch))
    except DemoFailed as failure:
        click.echo(f"The demonstration failed: {failure}", err=True)
        sys.exit(1)


def _say(text: str) -> None:
    click.echo(text)
    sys.stdout.flush()
