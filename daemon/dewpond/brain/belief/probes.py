"""One day of one soil probe: can it be believed, and what did it see?

Range, rate, flat line and disagreement are looked at in this order. A probe that cannot be believed three days in a row
is given up, named, and heard again once it agrees for a while.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dewpond.brain.belief.state import FloatArray, ProbeState
from dewpond.model.copying import replace

# Limits without a published source are common practice.
LEAST_M3_M3, MOST_M3_M3 = 0.01, 0.60  # dry air and pores full of water
FALL_M3_M3_H = 0.06  # no root-zone mean falls faster, drainage of a wetting included
STEP_M3_M3 = 0.0015  # less than this is resolution
EVENING_S = 5 * 3600.0  # the last hours of a date, whose readings stand for its end
FLAT_MM = 5.0  # used from the zone while the probe did not move
ODD_DAYS = 3
SILENT_DAYS = 2
GOOD_AGAIN_DAYS = 5
DRIFTS = "it drifts away from the balance"
MOVES = "its reading at field capacity moves, and a soil's does not"
GOOD_AFTER_DRIFT_DAYS = 45  # a drift agrees with the balance for a while after each new start
KEPT_S = 3 * 86_400.0
MOST_KEPT = 4000  # readings of one probe in memory


@dataclass(frozen=True, slots=True)
class DayOfProbe:
    """``seen_m3_m3`` stands for the end of the date; where it is None, ``odd`` says why, "" where there is no fault."""

    seen_m3_m3: float | None
    odd: str = ""


def heard(probe: ProbeState, time_s: FloatArray, value: FloatArray) -> ProbeState:
    """Keep readings until their date is closed; a late one is put in its place."""
    times, values = np.concatenate((probe.time_s, time_s)), np.concatenate((probe.value, value))
    order = np.argsort(times, kind="stable")
    kept = order[times[order] > times.max() - KEPT_S][-MOST_KEPT:]
    return replace(probe, time_s=times[kept], value=values[kept])


def look(probe: ProbeState, begin_s: float, end_s: float, watered_late: bool) -> DayOfProbe:
    """What the probe says of the date between these instants, by itself."""
    here = (probe.time_s > begin_s) & (probe.time_s <= end_s)
    if not here.any():
        return DayOfProbe(None, "silent")
    times, values = probe.time_s[here], probe.value[here]
    inside = (values >= LEAST_M3_M3) & (values <= MOST_M3_M3)
    if inside.mean() < 0.5:
        return DayOfProbe(None, f"it reads {float(np.median(values)):.3f} m3/m3, which no soil holds")
    times, values = times[inside], values[inside]
    fall = -np.diff(values) / np.maximum(np.diff(times) / 3600.0, 0.25)
    if len(fall) and float(fall.max(initial=0.0)) > FALL_M3_M3_H:
        return DayOfProbe(None, "it falls faster than soil can dry")
    evening = times > end_s - EVENING_S
    if watered_late or not evening.any():
        return DayOfProbe(None)
    return DayOfProbe(float(np.median(values[evening])))


def moved(probe: ProbeState, begin_s: float, end_s: float) -> bool:
    """Whether the readings of a date differ by more than the resolution."""
    here = (probe.time_s > begin_s) & (probe.time_s <= end_s)
    return bool(here.any()) and float(np.ptp(probe.value[here])) > STEP_M3_M3


def judged(probe: ProbeState, day: DayOfProbe, moves: bool, changed_mm: float) -> tuple[ProbeState, str]:
    """The probe after a date, and why its reading cannot be believed ("" where it can or there is none)."""
    if day.odd == "silent":
        silent = probe.silent_days + 1
        why = "it has not been heard for two days" if silent >= SILENT_DAYS else ""
        return replace(probe, silent_days=silent), why
    probe = replace(probe, silent_days=0, still_mm=0.0 if moves else probe.still_mm + changed_mm)
    if day.odd:
        return probe, day.odd
    if probe.still_mm > FLAT_MM:
        return probe, f"it has not moved while {probe.still_mm:.0f} mm came and went"
    return probe, ""


def with_verdict(probe: ProbeState, odd: str, *, counted: bool) -> ProbeState:
    """The probe after a day that was odd or good: several odd ones end its hearing, several good ones restore it."""
    if odd:
        days = probe.odd_days + 1
        gone = odd if days >= ODD_DAYS or odd.startswith(("it has not", "it reads")) else probe.given_up
        return replace(probe, odd_days=days, good_days=0, given_up=gone)
    if not counted:
        return probe
    good = probe.good_days + 1
    enough = GOOD_AFTER_DRIFT_DAYS if probe.given_up in (DRIFTS, MOVES) else GOOD_AGAIN_DAYS
    again = "" if good >= enough else probe.given_up
    return replace(probe, odd_days=0, good_days=good, given_up=again)
