"""Verdicts on what was asked, what the outside recorder saw, and what the daemon has on record. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

TOLERANCE_S = 10.0  # a run is right when it lies this close to what was asked
LONGEST_S = 120.0  # an output may stay on this long after a fault, at a lease of 90 s


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One asked watering, in seconds.

    ``promised`` is False where whoever asked got no answer: such a run may be given or not, but no more than once.
    ``booked_s`` is what the daemon's record says was given, ``reasons`` its words on what was not.
    """

    asked_s: float
    promised: bool
    given_s: float
    booked_s: float
    reasons: Sequence[str] = ()


def verdicts(case: Case) -> list[str]:
    """What is wrong, in the words of the promise: doubled, lost, unbooked. Empty when all is right."""
    wrong = []
    if case.given_s > case.asked_s + TOLERANCE_S:
        wrong.append(f"doubled: {case.given_s:.1f} s given of {case.asked_s:.0f} s asked")
    short = case.given_s < case.asked_s - TOLERANCE_S
    if case.promised and short and not any(case.reasons):
        wrong.append(f"lost: {case.given_s:.1f} s given of {case.asked_s:.0f} s asked, and no reason on record")
    if case.booked_s < case.given_s - TOLERANCE_S:
        wrong.append(f"unbooked: {case.given_s:.1f} s given, {case.booked_s:.1f} s on record")
    return wrong


def rate_below(trials: int) -> float:
    """The failure rate that so many trials without a failure rule out at 95 %: the rule of three, 3 / n.

    J. A. Hanley and A. Lippman-Hand, "If nothing goes wrong, is everything all right?", JAMA 249 (1983) 1743-1745
    (from memory; (1 - 3 / n) ** n < 0.05 for every n of 3 or more).
    """
    return 1.0 if trials < 3 else 3.0 / trials
