"""What a person watching the demonstration sees in the terminal."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from rich.console import Console, Group
from rich.live import Live
from rich.table import Table
from rich.text import Text

from dewpond.adapters.system_clock import SystemClock
from dewpond_sim.demo import DAY_S, DemoOptions, Stage

REFRESH_S = 0.5


def watch(stage: Stage, options: DemoOptions) -> None:
    """Show simulated time, speed, open zones and the board's address until somebody stops the demonstration."""
    clock = SystemClock()
    console = Console()
    if not console.is_terminal:
        console.print(f"The demonstration of {stage.site.name} runs; end it with Ctrl-C or SIGTERM.")
    before = (clock.now().elapsed_s, stage.conductor.now_s)
    with Live(console=console, auto_refresh=False) as live:
        while not stage.stop.wait(REFRESH_S):
            stage.check()
            after = (clock.now().elapsed_s, stage.conductor.now_s)
            speed = (after[1] - before[1]) / max(after[0] - before[0], 1e-3)
            before = after
            if console.is_terminal:
                live.update(picture(stage, options, speed), refresh=True)


def picture(stage: Stage, options: DemoOptions, speed: float) -> Group:
    """One look: a small table and how to end it."""
    local = stage.wall.astimezone(ZoneInfo(stage.site.timezone))
    table = Table(show_header=False, box=None)
    table.add_row("Place", f"{stage.site.name} (invented)")
    table.add_row("Time there", f"{local:%A} {local.day} {local:%B %Y, %H:%M:%S}")
    table.add_row("Speed", f"{speed:,.0f} times real time{_after_days(stage, options)}")
    table.add_row("Open now", ", ".join(_open_names(stage)) or "nothing")
    table.add_row("Board", stage.url or "off")
    return Group(table, Text("Ctrl-C ends it.", style="dim"))


def _after_days(stage: Stage, options: DemoOptions) -> str:
    over = options.days is not None and stage.conductor.now_s >= options.days * DAY_S
    return f" (the {options.days} days asked for are over)" if over else ""


def _open_names(stage: Stage) -> list[str]:
    names = {zone.id: zone.name for zone in stage.site.zones}
    return [names[zone] for zone in stage.world.open_zones()]
