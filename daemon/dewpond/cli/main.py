"""The ``dewpond`` command: names and where they live. Each command is imported only when it is called."""

from __future__ import annotations

from importlib import import_module
from importlib.metadata import entry_points, version

import click

# Command name -> "module:function"; further commands come from installed packages by the group dewpond.commands.
OWN = {
    "account": "dewpond.cli.account:account",
    "as-usual": "dewpond.cli.pipes:as_usual",
    "attend": "dewpond.cli.attend:attend",
    "audit": "dewpond.cli.audit:audit",
    "care": "dewpond.cli.care:care",
    "check": "dewpond.cli.check:check",
    "clear": "dewpond.cli.pipes:clear",
    "clock": "dewpond.cli.place:clock",
    "commission": "dewpond.cli.commission:commission",
    "decode": "dewpond.cli.decode:decode",
    "design": "dewpond.cli.design:design",
    "eto": "dewpond.cli.weather:eto",
    "exempt": "dewpond.cli.place:exempt",
    "feed": "dewpond.cli.weather:feed",
    "flow": "dewpond.cli.flow:flow",
    "forget": "dewpond.cli.pipes:forget",
    "guide": "dewpond.cli.guide:guide",
    "handover": "dewpond.cli.handover:handover",
    "healthcheck": "dewpond.cli.operator:healthcheck",
    "hold": "dewpond.cli.operator:hold",
    "keeper": "dewpond.cli.service:keeper",
    "lock": "dewpond.cli.locks:lock",
    "locks": "dewpond.cli.locks:locks",
    "log": "dewpond.cli.inspection:log",
    "meter": "dewpond.cli.pipes:meter",
    "percent": "dewpond.cli.programs:percent",
    "plan": "dewpond.cli.operator:plan",
    "register": "dewpond.cli.register:register",
    "release": "dewpond.cli.operator:release",
    "report": "dewpond.cli.report:report",
    "run": "dewpond.cli.service:run",
    "sheet": "dewpond.cli.sheet:sheet",
    "stage": "dewpond.cli.place:stage",
    "status": "dewpond.cli.operator:status",
    "stop": "dewpond.cli.stop:stop",
    "tasks": "dewpond.cli.tasks:tasks",
    "technician": "dewpond.cli.technician:technician",
    "uniformity": "dewpond.cli.uniformity:uniformity",
    "unlock": "dewpond.cli.locks:unlock",
    "valves": "dewpond.cli.valves:valves",
    "walk": "dewpond.cli.walk:walk",
    "water": "dewpond.cli.operator:water",
    "water-in": "dewpond.cli.operator:water_in",
    "why": "dewpond.cli.report:why",
    "winter": "dewpond.cli.locks:winter",
}
SHORT = {
    "account": "Tariffs, bills and the allowance's factor, for reports.",
    "as-usual": "Take a zone's flow of today as its usual one.",
    "attend": "Keep a main under water for somebody who works beside it.",
    "audit": "Catch-can and drip audits: plan, run, judge, accept.",
    "care": "What care falls due: start-up, shut-down, tests, batteries, filters; the log.",
    "check": "Every error and design finding of a site file.",
    "clear": "Say that an alarm is dealt with.",
    "clock": "Whether the clock is trusted; say that it is right.",
    "commission": "Prove zones before they run by schedule, and sign them off.",
    "decode": "Turn one message into readings, as the daemon would.",
    "design": "Review of the pipes and heads: pressure, flow, spacing, zones, window.",
    "eto": "Daily reference ET from a weather station's records.",
    "exempt": "Record leave to pass over restrictions, until a time.",
    "feed": "Show what a saved weather answer says.",
    "flow": "Review a meter log with the daemon's own pipe watch.",
    "forget": "Give up what probes and meter have taught of a zone.",
    "guide": "Be led through a test of the pipes: leak, weeping valve, drainage, pump.",
    "handover": "What stands open for the next crew; emergency card; first week.",
    "healthcheck": "Exit 0 while daemon and keeper answer.",
    "hold": "Let nothing run by schedule until a time.",
    "keeper": "The valve keeper: owns the relays, closes them when in doubt.",
    "lock": "Lock a zone, a supply or the site for work: nothing opens there.",
    "locks": "Who has locked what.",
    "log": "What ran, under which rules, and by whose word, for an inspector.",
    "meter": "The smallest leak your meters can show, and how soon.",
    "percent": "Change a program's percent; days and starts stay.",
    "plan": "Tonight's timetable and the reason of every zone.",
    "register": "What stands in the ground, zone by zone; CSV and to print.",
    "release": "End a hold.",
    "report": "Where the water went: litres, money, need, allowance, bills, faults.",
    "run": "The daemon: reads, decides, waters.",
    "sheet": "Minutes and interval by month, for a plain timer.",
    "stage": "Declare the stage of restriction in force.",
    "status": "What is open, held, missing and heard just now.",
    "stop": "Close everything, or one zone, at once.",
    "tasks": "What came of findings, and what became of it.",
    "technician": "Pressure, flow, coils, splices and transformer, year by year.",
    "uniformity": "What a catch-can audit's cups say of a zone.",
    "unlock": "Take a work lock off.",
    "valves": "Click each relay for a second, with the water off.",
    "walk": "A walk-round inspection, guided step by step.",
    "water": "Water a zone by hand for some minutes.",
    "water-in": "One watering of a depth in the next allowed night.",
    "why": "Why a zone was watered or left dry, for one week.",
    "winter": "Close the site for winter; open it with a signed start-up list.",
    "proof": "Kill and hinder real daemons; judge what their valves did.",
    "demo": "Watch an invented site being watered, all parts real but the ground.",
    "replay": "Replay a recorded season through the daemon's own decisions.",
}


class Commands(click.Group):
    """Looks commands up by name without importing the others."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - the library names the arguments
        return sorted({*OWN, *(entry.name for entry in entry_points(group="dewpond.commands"))})

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name in OWN:
            module, name = OWN[cmd_name].split(":")
            found: click.Command = getattr(import_module(module), name)
            return found
        for entry in entry_points(group="dewpond.commands", name=cmd_name):
            loaded: click.Command = entry.load()
            return loaded
        return None

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Names with one line each; asking every command for its own help would import everything."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, SHORT.get(name, "")) for name in self.list_commands(ctx)])


@click.command(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(version("dewpond"), prog_name="dewpond")
def main() -> None:
    """Waters and looks after a landscape's buried sprinkler and drip system, and explains every decision.

    Exit codes: 0 done, 1 the run found faults, 2 bad input.
    """


if __name__ == "__main__":
    main()
