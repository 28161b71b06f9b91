"""Drawn seasons as a proof: a line of results each, and of one that fails also the fewest faults that still do it."""

from __future__ import annotations

from dewpond_sim.ordeal.draw import draw
from dewpond_sim.ordeal.faults import words
from dewpond_sim.ordeal.run import put_through, shrunk
from dewpond_sim.proofs.results import Result

PROOF = "seasons"


def kind_of(days: int | None) -> str:
    """How long their storms are, in words."""
    return "drawn" if days is None else f"{days} days"


def trial(seed: int, days: int | None) -> Result:
    """One season with its faults."""
    ordeal = draw(seed, days)
    verdict = put_through(ordeal)
    wrong = list(verdict.wrong)
    if wrong:
        fewest = shrunk(ordeal)
        wrong += [f"  fewest that fail: {words(fault)}" for fault in fewest.faults]
        wrong += [f"  and a person: day {deed.at_s / 86_400.0:.3f}: {deed.action} {deed.zone}" for deed in fewest.deeds]
    figures = {"days": ordeal.days, "openings": verdict.openings, "deaths": verdict.deaths, "passes": verdict.passes}
    return Result(proof=PROOF, kind=kind_of(days), seed=seed, wrong=wrong, count=len(ordeal.faults), figures=figures)
