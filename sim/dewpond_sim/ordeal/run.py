"""One ordeal put through, and the shortest list of faults with which it still fails."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TypeVar

from dewpond_sim.ordeal.draw import Ordeal, draw
from dewpond_sim.ordeal.faults import words
from dewpond_sim.ordeal.machine import Machine
from dewpond_sim.ordeal.records import compare

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What came of one ordeal. ``wrong`` is empty when every promise was kept; equal digests are equal journals."""

    ordeal: Ordeal
    wrong: tuple[str, ...]
    digest: str
    openings: int
    deaths: int
    steps: int
    passes: int


def put_through(ordeal: Ordeal) -> Verdict:
    """Run an ordeal to its end and judge it. Raises whatever the daemon raises: that is a programmer's fault."""
    machine = Machine(ordeal)
    machine.go()
    compare(machine.disk, machine.watch, ordeal, machine.end_s)
    return Verdict(
        ordeal=ordeal,
        wrong=tuple(machine.watch.wrong),
        digest=machine.disk.journal_digest(),
        openings=len(machine.watch.opened),
        deaths=len(machine.watch.dead),
        steps=len(machine.disk.steps),
        passes=machine.watch.passes,
    )


def of_seed(seed: int, days: int | None = None) -> Verdict:
    """The ordeal of a seed, put through."""
    return put_through(draw(seed, days))


def shrunk(ordeal: Ordeal, fails: Callable[[Ordeal], bool] | None = None) -> Ordeal:
    """The same ordeal with as few faults and deeds as still fail, found by leaving out one after the other."""
    fails = fails or (lambda each: bool(put_through(each).wrong))
    faults = _fewest(ordeal.faults, lambda few: fails(replace(ordeal, faults=few)))
    ordeal = replace(ordeal, faults=faults)
    return replace(ordeal, deeds=_fewest(ordeal.deeds, lambda few: fails(replace(ordeal, deeds=few))))


def _fewest(items: tuple[T, ...], enough: Callable[[tuple[T, ...]], bool]) -> tuple[T, ...]:
    """The items without which it is not enough, found by leaving out one after the other."""
    number = 0
    while number < len(items):
        fewer = (*items[:number], *items[number + 1 :])
        if enough(fewer):
            items = fewer
        else:
            number += 1
    return items


def told(verdict: Verdict) -> list[str]:
    """A failed ordeal as a person reads it."""
    ordeal = verdict.ordeal
    lines = [f"seed {ordeal.seed}, {ordeal.storm_days} days of faults:"]
    lines += [f"  wrong: {text}" for text in verdict.wrong]
    lines += [f"  fault: {words(fault)}" for fault in ordeal.faults]
    lines += [f"  person: day {deed.at_s / 86_400.0:.3f}: {deed.action} {deed.zone}" for deed in ordeal.deeds]
    return lines
