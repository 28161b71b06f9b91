"""The pressure at the point of connection: lost, low, or as usual for this supply at this time of day."""

from __future__ import annotations

import math
from functools import cache

from dewpond.brain.pipes.opening import expected_of_row
from dewpond.brain.pipes.rows import MeterRow
from dewpond.brain.pipes.state import Opening, Spread, WatchState, key_of
from dewpond.model.copying import replace
from dewpond.science.change_detection import width_for_budget

# A town's pressure has a daily wave: parts of the day are learned apart, over whole days before "low" has a meaning.
PARTS = 8
DAY_S = 86_400.0
PART_S = DAY_S / PARTS
KNOW_S = 2.0 * DAY_S
# One idle row in five tells something new: 12,000 tests in a season, of which one in a hundred seasons may err.
LOW_TESTS, LOW_ERRORS = 12_000.0, 0.01
SENSOR_SD_KPA = 2.0
LOST_SHARE = 0.2
BACK_S = 600.0
# In the first rows of an opening the filling pipe pulls the pressure down; it never lasts this long at nothing.
FILLING_S = 30.0
# More than this times the usual flow draws the pressure down by itself.
DRAWN_FACTOR = 1.2
DROPS_TO_KNOW = 3


@cache
def low_width() -> float:
    """Standard deviations below usual that a low pressure must lie. [-]"""
    return float(width_for_budget(LOW_TESTS, LOW_ERRORS))


def part_of_day(time_s: float) -> int:
    """Index of the part of the day that a time lies in."""
    return int(time_s % DAY_S // PART_S)


def usual_kpa(state: WatchState, time_s: float) -> float | None:
    """Usual idle pressure at this time of day; None while it is not known. [kPa]"""
    if state.idle_kpa_s < KNOW_S:
        return None
    part = part_of_day(time_s)
    seen = state.idle_kpa[part]
    return min(seen.mean, _between_parts(state, time_s)) if seen.count >= PARTS else None


def _between_parts(state: WatchState, time_s: float) -> float:
    """The wave of a day has no steps: between the middles of two parts it lies between their means. [kPa]"""
    place = time_s % DAY_S / (DAY_S / PARTS) - 0.5
    first = math.floor(place)
    early, late = state.idle_kpa[first % PARTS], state.idle_kpa[(first + 1) % PARTS]
    if min(early.count, late.count) < PARTS:
        return math.inf
    return early.mean + (place - first) * (late.mean - early.mean)


def pressure_sd(state: WatchState) -> float:
    """Standard deviation about the usual of each part of the day, all parts together. [kPa]"""
    count, squares = 0, 0.0
    for seen in state.idle_kpa:
        count += seen.count
        squares += seen.squares
    return math.sqrt(squares / max(count - PARTS, 1) + SENSOR_SD_KPA**2)


def pressure_fault(state: WatchState, row: MeterRow) -> str | None:
    """``no_supply`` or ``low_pressure`` where the pressure shows it and more flow than usual does not explain it."""
    usual = usual_kpa(state, row.time_s)
    opening = state.opening
    if row.pressure_kpa is None or usual is None or (row.litres > 0.0 and opening is None):
        return None
    if row.pressure_kpa < LOST_SHARE * usual:
        filling = opening is not None and row.time_s - opening.first_end_s < FILLING_S and row.litres > 0.0
        return None if filling else "no_supply"
    if opening is not None and _drawn_down(state, opening, row):
        return None
    return "low_pressure" if is_low(state, row) else None


def is_low(state: WatchState, row: MeterRow) -> bool:
    """Whether the pressure is below what it ever is at this time of day with these zones open."""
    usual = usual_kpa(state, row.time_s)
    if usual is None or row.pressure_kpa is None:
        return False
    flow = None if state.opening is None else state.flows.get(key_of(state.opening.zones))
    drop_kpa = 0.0 if flow is None else max(flow.drop_kpa.mean, 0.0)
    if flow is not None and row.window_s > 0.0:  # what is lost on the way goes with the square of the flow
        drop_kpa *= max(row.litres / expected_of_row(flow, row), 1.0) ** 2
    return row.pressure_kpa < usual - drop_kpa - low_width() * pressure_sd(state)


def _drawn_down(state: WatchState, opening: Opening, row: MeterRow) -> bool:
    """Whether filling pipe or more flow than usual explains a low pressure."""
    flow = state.flows.get(key_of(opening.zones))
    if flow is None or flow.drop_kpa.count < DROPS_TO_KNOW or row.time_s - opening.first_end_s < FILLING_S:
        return True
    return row.litres > DRAWN_FACTOR * expected_of_row(flow, row)


def heard_idle(state: WatchState, row: MeterRow) -> WatchState:
    """Learn the idle pressure from a quiet row without an incident."""
    if row.pressure_kpa is None or row.litres > 0.0 or state.incidents:
        return state
    parts = state.idle_kpa or (Spread(),) * PARTS
    part = part_of_day(row.time_s)
    parts = (*parts[:part], parts[part].with_value(row.pressure_kpa), *parts[part + 1 :])
    return replace(state, idle_kpa=parts, idle_kpa_s=state.idle_kpa_s + row.window_s, quiet_kpa=row.pressure_kpa)
