"""The proofs by name: their trials, in order, and how a group of them is run at one place."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from dewpond.crash_points import POINTS
from dewpond_sim.proofs import broker_kills, crash, disk, kills, many, seasons, steady
from dewpond_sim.proofs.engine import Run, Trial, batches, scratch, tidy
from dewpond_sim.proofs.paced import paced_place
from dewpond_sim.proofs.place import ProofBroken
from dewpond_sim.proofs.real import LEASE_S, RENEW_S, RealPlace, real_place
from dewpond_sim.proofs.results import Result

SHORT_LEASE_S, SHORT_RENEW_S = 5.0, 1.0
MANY = 50

Opens = Callable[[Path], AbstractContextManager[Any]]
Tries = Callable[[Any, Trial], Result]


@dataclass(frozen=True, slots=True, kw_only=True)
class Suite:
    """Trials of one sort: where they are run (``opens``), how (``tries``), and how many share a place."""

    trials: tuple[Trial, ...]
    opens: Opens
    tries: Tries
    together: int
    again: str

    def run(self, run: Run) -> None:
        """Every trial of this lane that is not done; a place where something went wrong is kept for a look and left."""
        for group in batches(run.mine(self.trials), self.together):
            waiting = group
            while waiting:
                waiting = self._at_one_place(run, waiting)

    def _at_one_place(self, run: Run, group: list[Trial]) -> list[Trial]:
        folder, good, tried = scratch(run.out), False, 0
        try:
            with self.opens(folder) as place:
                for tried, each in enumerate(group, 1):  # noqa: B007 - how many were tried is wanted after the loop
                    good = run.keep(each, partial(self.tries, place, each), self.again)
                    if not good:
                        break
        except ProofBroken as fault:
            if not tried:
                tried = 1
                run.keep(group[0], partial(_raise, fault), self.again)
        tidy(folder, None if good else run.out)
        return group[tried:]


def _raise(fault: ProofBroken) -> Result:
    raise fault


def crash_points(points: Iterable[str], seeds: range, *, cold: bool) -> Suite:
    """Seed by seed through all points, so that a proof that is ended early has tried each as often."""
    names = tuple(points) or tuple(POINTS)
    return Suite(
        trials=tuple(Trial(crash.PROOF, point, seed) for seed in seeds for point in names),
        opens=paced_place,
        tries=lambda place, each: crash.trial(place, each.kind, each.seed, cold=cold),
        together=40,
        again="crash --point {kind} --trials 1 --seed {seed}" + (" --cold" if cold else ""),
    )


def random_kills(count: int, seed: int) -> Suite:
    """As many trials as make ``count`` kills."""
    seeds = range(seed, seed + -(-count // kills.KILLS))
    return Suite(
        trials=tuple(Trial(kills.PROOF, "daemon", each) for each in seeds),
        opens=partial(paced_place, programs=True),
        tries=lambda place, each: kills.trial(place, each.seed),
        together=5,
        again=f"kills --trials {kills.KILLS} --seed {{seed}}",
    )


def ordeals(seeds: range, days: int | None) -> Suite:
    """Seasons drawn with their faults, in one process and without any real time."""
    return Suite(
        trials=tuple(Trial(seasons.PROOF, seasons.kind_of(days), seed) for seed in seeds),
        opens=lambda _folder: nullcontext(),
        tries=lambda _place, each: seasons.trial(each.seed, days),
        together=100,
        again="seasons --trials 1 --seed {seed}" + ("" if days is None else f" --days {days}"),
    )


def processes(fault: str, seeds: range, *, real: bool) -> Suite:
    """Faults of processes on real time, with leases as they are or short ones."""
    lease_s, renew_s = (LEASE_S, RENEW_S) if real else (SHORT_LEASE_S, SHORT_RENEW_S)
    word = next(word for word, each in FAULT_WORDS.items() if each == fault)
    return Suite(
        trials=tuple(Trial(steady.PROOF, steady.kind_of(fault, lease_s), seed) for seed in seeds),
        opens=partial(_running, lease_s=lease_s, renew_s=renew_s),
        tries=lambda place, each: steady.trial(place, fault, each.seed),
        together=20,
        again=f"processes --fault {word} --trials 1 --seed {{seed}}" + ("" if real else " --short-lease"),
    )


def disks(kinds: Iterable[str], seeds: range) -> Suite:
    """Faults of the disk; each has a place of its own, since the next one must not find its traces."""
    names = tuple(kinds) or disk.KINDS
    return Suite(
        trials=tuple(Trial(disk.PROOF, kind, seed) for seed in seeds for kind in names),
        opens=partial(real_place, lease_s=SHORT_LEASE_S, renew_s=SHORT_RENEW_S),
        tries=_on_disk,
        together=1,
        again="disk --kind {kind} --trials 1 --seed {seed}",
    )


def broker(minutes: float, seed: int) -> Suite:
    """One long trial."""
    return Suite(
        trials=(Trial(broker_kills.PROOF, "mosquitto", seed),),
        opens=partial(_running, commands=True),
        tries=lambda place, each: broker_kills.trial(place, each.seed, minutes * 60.0),
        together=1,
        again=f"broker --minutes {minutes:g} --seed {{seed}}",
    )


def many_at_once(seeds: range, count: int = MANY) -> Suite:
    """Each time at a new place."""
    return Suite(
        trials=tuple(Trial(many.PROOF, f"{count}", seed) for seed in seeds),
        opens=real_place,
        tries=lambda place, each: many.trial(place, each.seed, count),
        together=1,
        again="many --trials 1 --seed {seed}",
    )


class _running:  # noqa: N801 - used like the function it extends
    """A real place with keeper and daemon at work."""

    def __init__(self, folder: Path, **settings: Any) -> None:
        self._place = real_place(folder, **settings)

    def __enter__(self) -> RealPlace:
        place = self._place.__enter__()
        place.start()
        return place

    def __exit__(self, *error: Any) -> None:
        self._place.__exit__(*error)


def _on_disk(place: RealPlace, each: Trial) -> Result:
    if each.kind != disk.FULL:
        place.start()
        return disk.trial(place, each.kind, each.seed)
    with disk.small_disk(place.state):
        place.start()
        result = disk.trial(place, each.kind, each.seed)
        place.crew.close()
        return result


FAULT_WORDS = {"killed": steady.KILLED, "stopped": steady.STOPPED, "keeper": steady.KEEPER}
