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
MORE = "it shows much more than the water that came"
LESS = "it shows much less than the water that came"
SLOW = (DRIFTS, MOVES, MORE, LESS)
GOOD_AFTER_DRIFT_DAYS = 45  # a drift agrees with the balance for a while after each new start
# A probe's scale by its zone's waterings: each counts less with every later one.
WATERING_MM, SCALE_KEPT, SCALE_SD = 4.0, 0.9, 0.15
LEAST_SCALE, MOST_SCALE = 0.6, 1.6
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


def compared(probe: ProbeState, risen_mm: float, came_mm: float) -> ProbeState:
    """The probe with one watering more: how far its reading rose, and how much came beyond what was used. [mm]"""
    return replace(
        probe,
        shown_mm2=SCALE_KEPT * probe.shown_mm2 + risen_mm * came_mm,
        came_mm2=SCALE_KEPT * probe.came_mm2 + came_mm**2,
    )


def off_scale(probe: ProbeState, day_sd_mm: float) -> str:
    """Why a probe is not believed that shows waterings much too large or too small; "" as long as that is not clear.

    The slope of shown over come, by least squares through zero; ``day_sd_mm`` is the noise of one day's reading.
    """
    if probe.came_mm2 <= 2.0 * (day_sd_mm / SCALE_SD) ** 2:
        return ""
    slope = probe.shown_mm2 / probe.came_mm2
    return MORE if slope > MOST_SCALE else LESS if slope < LEAST_SCALE else ""


def with_verdict(probe: ProbeState, odd: str, *, counted: bool) -> ProbeState:
    """The probe after a day that was odd or good: several odd ones end its hearing, several good ones restore it."""
    if odd:
        days = probe.odd_days + 1
        gone = odd if days >= ODD_DAYS or odd.startswith(("it has not", "it reads")) else probe.given_up
        return replace(probe, odd_days=days, good_days=0, given_up=gone)
    if not counted:
        return probe
    good = probe.good_days + 1
    enough = GOOD_AFTER_DRIFT_DAYS if probe.given_up in SLOW else GOOD_AGAIN_DAYS
    again = "" if good >= enough else probe.given_up
    return replace(probe, odd_days=0, good_days=good, given_up=again)
