"""``dewpond proof``, also ``python -m dewpond_sim.proofs.command``: proofs of the valves, a thin door."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from dewpond_sim.proofs.suites import Suite

FAULTS = ("killed", "stopped", "keeper")
DISKS = ("full", "read-only", "locked", "damaged")
Command = Callable[..., Any]


@click.group()
def proof() -> None:
    """Kill and hinder real daemons, and judge by an outside recorder what their valves did.

    Results go to --out, a line each; a proof that was ended goes on where it was. Every trial that fails is told with
    the command that repeats it, and its folder is kept. `dewpond proof all` is the long version of everything.
    """


def _with(trials: int | None = 100, *, lanes: bool = True) -> Callable[[Command], Command]:
    options = [
        click.option("--seed", type=int, default=0, show_default=True, help="Of the first trial; they count upwards."),
        click.option("--out", type=click.Path(path_type=Path, file_okay=False), default="proofs", show_default=True),
        click.option("--lane", type=int, hidden=True),
    ]
    if trials is not None:
        options.insert(0, click.option("--trials", type=click.IntRange(1), default=trials, show_default=True))
    if lanes:
        options.append(click.option("--lanes", type=click.IntRange(1, 32), default=1, help="Places at once."))

    def decorate(command: Command) -> Command:
        for option in reversed(options):
            command = option(command)
        return command

    return decorate


@proof.command()
@click.option("--point", "points", multiple=True, help="A named crash point; all of them by default.")
@click.option("--cold", is_flag=True, help="Start each daemon from nothing instead of forking a loaded one.")
@_with(100)
def crash(points: tuple[str, ...], trials: int, seed: int, cold: bool, **common: Any) -> None:
    """kill -9 at the named points of an opening's life, TRIALS times each, at sped-up time."""
    from dewpond_sim.proofs import suites  # noqa: PLC0415

    _go(suites.crash_points(points, range(seed, seed + trials), cold=cold), **common)


@proof.command()
@_with(1000)
def kills(trials: int, seed: int, **common: Any) -> None:
    """kill -9 at random moments, TRIALS kills in all, at sped-up time."""
    from dewpond_sim.proofs import suites  # noqa: PLC0415

    _go(suites.random_kills(trials, seed), **common)


@proof.command()
@click.option("--days", type=click.IntRange(1, 400), help="Of faults; drawn by the seed if not given.")
@_with(100)
def seasons(days: int | None, trials: int, seed: int, **common: Any) -> None:
    """TRIALS seasons, each with a site, weather, faults and people drawn from its seed, in a simulated world."""
    from dewpond_sim.proofs import suites  # noqa: PLC0415

    _go(suites.ordeals(range(seed, seed + trials), days), **common)


@proof.command()
@click.option("--fault", type=click.Choice(FAULTS), required=True)
@click.option("--short-lease", is_flag=True, help="Leases of 5 s, renewed every second; bounds shrink with them.")
@_with(20)
def processes(fault: str, short_lease: bool, trials: int, seed: int, **common: Any) -> None:
    """A daemon killed or stopped (SIGSTOP), or a keeper killed, with a valve open, at real time."""
    from dewpond_sim.proofs import suites  # noqa: PLC0415

    kind = suites.FAULT_WORDS[fault]
    _go(suites.processes(kind, range(seed, seed + trials), real=not short_lease), **common)


@proof.command()
@click.option("--kind", "kinds", type=click.Choice(DISKS), multiple=True, help="All of them by default.")
@_with(20)
def disk(kinds: tuple[str, ...], trials: int, seed: int, **common: Any) -> None:
    """The disk is full, read-only or locked while a valve is open, or the database is damaged. Needs root."""
    from dewpond_sim.proofs import suites  # noqa: PLC0415

    _go(suites.disks(kinds, range(seed, seed + trials)), **common)


@proof.command()
@click.option("--minutes", type=click.FloatRange(1.0), default=60.0, show_default=True)
@_with(None, lanes=False)
def broker(minutes: float, seed: int, **common: Any) -> None:
    """The broker is killed every few seconds while the site is watered."""
    from dewpond_sim.proofs import suites  # noqa: PLC0415

    _go(suites.broker(minutes, seed), lanes=1, **common)


@proof.command()
@_with(1, lanes=False)
def many(trials: int, seed: int, **common: Any) -> None:
    """Fifty keepers and fifty daemons of one site started at once."""
    from dewpond_sim.proofs import suites  # noqa: PLC0415

    _go(suites.many_at_once(range(seed, seed + trials)), lanes=1, **common)


@proof.command()
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), default="proofs", show_default=True)
def report(out: Path) -> None:
    """The figures of all results in --out, and what so many trials prove."""
    from dewpond_sim.proofs.report import lines  # noqa: PLC0415
    from dewpond_sim.proofs.results import Book  # noqa: PLC0415

    results = Book(out).all()
    for line in lines(results):
        _say(line)
    sys.exit(1 if any(result.wrong for result in results) else 0)


@proof.command("all")
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), default="proofs", show_default=True)
@click.option("--lanes", type=click.IntRange(1, 32), default=2, show_default=True, help="Places at once.")
def everything(out: Path, lanes: int) -> None:
    """The long version of every proof, one after the other; takes some hours, and goes on where it was ended."""
    from dewpond_sim.proofs.engine import run_in_turn  # noqa: PLC0415

    run_in_turn([[*words, "--out", str(out)] for words in _long_version(str(lanes))])
    report.main(["--out", str(out)])


def _long_version(lanes: str) -> list[list[str]]:
    slept = ["--lanes", "10"]  # these mostly wait
    return [
        ["crash", "--trials", "100", "--lanes", lanes],
        ["kills", "--trials", "1000", "--lanes", lanes],
        ["seasons", "--trials", "10000", "--lanes", lanes],
        *(["processes", "--fault", fault, "--trials", "20", *slept] for fault in FAULTS),
        *(["processes", "--fault", fault, "--trials", "100", "--short-lease", *slept] for fault in FAULTS),
        ["disk", "--trials", "20", "--lanes", lanes],
        ["many"],
        ["broker", "--minutes", "60"],
    ]


def _go(suite: Suite, *, out: Path, lane: int | None, lanes: int) -> None:
    from dewpond_sim.proofs.engine import Run, end_in_order, in_lanes  # noqa: PLC0415

    end_in_order()
    if lane is None and lanes > 1:
        words = sys.argv[1:]
        sys.exit(in_lanes(words[1:] if words[0] == "proof" else words, lanes))
    run = Run(out=out, lane=lane or 0, lanes=lanes, say=_say)
    suite.run(run)
    sys.exit(1 if run.failed else 0)


def _say(text: str) -> None:
    click.echo(text)
    sys.stdout.flush()


if __name__ == "__main__":
    proof()
