"""Flow and pressure seen while a zone runs, judged against its usual flow, its list of heads and their rated pressure.

All limits here are common practice without a source, except where one is named.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from dewpond.brain.pipes.state import UsualFlow
from dewpond.brain.pipes.usual import allowance, expected_l_min
from dewpond.model.site import Heads, Zone
from dewpond.upkeep.register import head_flow_l_min, kinds, rated_kpa

USUAL_RUNS = 3  # from so many runs on the usual flow is worth more than the list of heads
USUAL_WIDTH = 3.0  # standard deviations that one run may be off
USUAL_LEAST_SHARE = 0.05  # a minute counts fewer pulses than a whole run
HEADS_SHARE = 0.15  # nozzles, wear and a list's own rounding
# Flow within a lateral may vary by 10 % and pressure by 20 %: Jarrett, Water Management, 2nd ed. 2000, pp. 336-337.
PRESSURE_SHARE = 0.20
MOST_L_MIN, MOST_KPA = 20_000.0, 2_000.0  # beyond these it is a wrong unit
SEVERAL = 3
SLOPE_PCT = 5.0  # from here water drains to the low heads and runs off


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What was seen while the zone ran; None where nobody looked. ``at_head`` is where the pressure was taken.

    ``counted_l`` are the litres a pulsing meter counted for this flow, None for a flow read otherwise.
    """

    flow_l_min: float | None = None
    counted_l: float | None = None
    pressure_kpa: float | None = None
    at_head: bool = False
    came_on: bool | None = None
    went_off: bool | None = None


@dataclass(frozen=True, slots=True)
class Judged:
    """The faults that the figures show, and what they were judged against, as sentences."""

    faults: tuple[str, ...]
    sentences: tuple[str, ...]


def fault_of(seen: Seen) -> str:
    """Why what was seen cannot be true, with the limit and the remedy, or ""."""
    for words, value, most, unit in (
        ("flow", seen.flow_l_min, MOST_L_MIN, "L/min"),
        ("pressure", seen.pressure_kpa, MOST_KPA, "kPa"),
    ):
        if value is not None and not (math.isfinite(value) and 0.0 <= value <= most):
            return f"{words} {value:g} {unit} is not from 0 to {most:g} {unit}; check number and unit"
    if seen.came_on is False and seen.flow_l_min:
        return f"the zone did not come on, and {seen.flow_l_min:g} L/min flowed; say which of the two is right"
    return ""


def judge(seen: Seen, zone: Zone, heads: Sequence[Heads], usual: UsualFlow | None, pulse_l: float = 0.0) -> Judged:
    """What flow and pressure say about a zone that ran. A count of litres is a pulse of the meter in doubt."""
    found, told = list[str](), list[str]()
    if seen.came_on is False:
        return Judged(("does-not-come-on",), ("No water came, or its relay did not answer.",))
    if seen.went_off is False:
        found.append("does-not-go-off")
        told.append("Water went on after it was shut.")
    doubt = pulse_l / max(seen.counted_l, pulse_l) if seen.counted_l is not None and pulse_l > 0.0 else 0.0
    _judge_flow(seen, _expected(seen, zone, heads, usual), doubt, found, told)
    _judge_pressure(seen, heads, found, told)
    return Judged(tuple(found), tuple(told))


def _judge_flow(
    seen: Seen, expectation: tuple[float, float, str], doubt: float, found: list[str], told: list[str]
) -> None:
    if seen.flow_l_min is None:
        told.append("Nobody saw its flow: there is no meter, or it was not read.")
        return
    expected, share, words = expectation
    share += doubt
    ratio = seen.flow_l_min / expected
    within = f"{seen.flow_l_min:.1f} L/min, {words} {expected:.1f} L/min (within {share * 100:.0f} %)"
    if ratio > 1.0 + share:
        found.append("flow-high")
        told.append(f"It takes {(ratio - 1.0) * 100:.0f} % more than it should: {within}.")
    elif ratio < 1.0 - share:
        found.append("flow-low")
        told.append(f"It takes {(1.0 - ratio) * 100:.0f} % less than it should: {within}.")
    else:
        told.append(f"Its flow is as it should be: {within}.")


def _expected(seen: Seen, zone: Zone, heads: Sequence[Heads], usual: UsualFlow | None) -> tuple[float, float, str]:
    """What to expect, the share it may be off, and what it was taken from. [L/min, -]"""
    ln_kpa = math.log(seen.pressure_kpa) if seen.pressure_kpa and not seen.at_head else None
    if usual is not None and usual.runs >= USUAL_RUNS:
        share = max(USUAL_LEAST_SHARE, allowance(usual, ln_kpa, USUAL_WIDTH))
        return expected_l_min(usual, ln_kpa), share, "usual"
    flow, rated = head_flow_l_min(heads), rated_kpa(heads)
    if flow is None:
        return zone.flow_l_min, HEADS_SHARE, "by the site file"
    if seen.at_head and seen.pressure_kpa and rated:
        # An orifice's flow goes with the root of its pressure (from memory); regulated heads stay below that.
        return flow * math.sqrt(seen.pressure_kpa / rated), HEADS_SHARE, "its heads at that pressure"
    return flow, HEADS_SHARE, "its heads"


def _judge_pressure(seen: Seen, heads: Sequence[Heads], found: list[str], told: list[str]) -> None:
    rated = rated_kpa(heads)
    if seen.pressure_kpa is None or rated is None:
        return
    where = "at a head" if seen.at_head else "at the supply"
    figures = f"{seen.pressure_kpa:.0f} kPa {where}, its heads are rated {rated:.0f} kPa"
    if seen.at_head and seen.pressure_kpa > (1.0 + PRESSURE_SHARE) * rated:
        found.append("pressure-high")
        told.append(f"The pressure is high: {figures}.")
    elif seen.pressure_kpa < (1.0 - PRESSURE_SHARE) * rated:
        found.append("pressure-low")
        told.append(f"The pressure is low: {figures}.")
    elif not seen.at_head and seen.pressure_kpa > (1.0 + PRESSURE_SHARE) * rated:
        # Between supply and head a good part is lost, so only a gauge at a head can tell.
        told.append(f"{figures[:1].upper()}{figures[1:]}: hold a gauge at a head to see whether it is too high.")
    else:
        told.append(f"The pressure is as it should be: {figures}.")


def signs(
    zone: Zone, heads: Sequence[Heads], findings: Sequence[tuple[str, int]], opens_by_hand: bool
) -> frozenset[str]:
    """What speaks for one cause or another in a zone, from its findings (fault, how many) of one walk."""
    found = {fault for fault, _ in findings}
    of_heads: dict[str, int] = {}
    for fault, count in findings:
        of_heads[fault] = of_heads.get(fault, 0) + count
    if any(count >= SEVERAL for fault, count in of_heads.items() if fault.startswith(("head-", "throw-", "emitter-"))):
        found.add("several")
    if len(kinds(heads)) > 1:
        found.add("mixed-kinds")
    if zone.slope_pct >= SLOPE_PCT:
        found.add("slope")
    if opens_by_hand:
        found.add("opens-by-hand")
    return frozenset(found)


def leak_l_min(litres: float, minutes: float) -> float:
    """The mean flow of a leak test. [L/min] Raises ValueError for a test that says nothing."""
    if not (math.isfinite(litres) and 0.0 <= litres <= 100_000.0):
        raise ValueError(f"leak test, litres {litres:g}: not from 0 to 100000; take the later reading less the earlier")
    if not 5.0 <= minutes <= 1440.0:
        raise ValueError(f"leak test, minutes {minutes:g}: not from 5 to 1440; less shows nothing, more is no test")
    return litres / minutes
