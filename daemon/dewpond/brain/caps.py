"""The most water a zone gets in a calendar day and in any seven days, whatever the inputs.

By default the day's cap is 1.5 times the time to refill RAW. The week's is 1.5 times what the zone loses in seven days
of 10 mm of reference ET, no less than one day's cap and no more than seven (FAO-56 Table 2 has 6 to 8 mm/d and slightly
more for warm arid regions, from memory; the factor is our own). ``day_cap`` and ``week_cap`` of the zone replace them.
Water by hand and remainders count like all other; only caps that the site file states also refuse water by hand.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from dewpond.brain.ground import Ground
from dewpond.brain.state import NightState, State
from dewpond.brain.water_need import Need, least_run_s, night_cap_s
from dewpond.model.copying import replace
from dewpond.model.site import Zone

Span = tuple[float, float]  # first and last instant
WEEK_S = 7 * 86_400.0
HOT_ETO_MM_D = 10.0
SPARE = 1.5


def day_cap_s(zone: Zone) -> float:
    """The most watering of a zone in one site calendar day. [s]"""
    return night_cap_s(zone) if zone.day_cap_s is None else zone.day_cap_s


def week_cap_s(zone: Zone) -> float:
    """The most watering of a zone in any seven days. [s]"""
    if zone.week_cap_s is not None:
        return zone.week_cap_s
    lost_mm = 7 * HOT_ETO_MM_D * max(zone.crop_coefficient) * zone.exposure
    need_s = math.ceil(SPARE * lost_mm / zone.efficiency / zone.application_rate_mm_h * 3600.0)
    day_s = day_cap_s(zone)
    return min(max(float(need_s), day_s), 7.0 * day_s)


def remember(state: State, zone_id: str, start_s: float, open_s: float) -> State:
    """The state with one finished opening counted; what is older than a week is forgotten."""
    before = (span for span in state.ran.get(zone_id, ()) if span[0] + span[1] > start_s - WEEK_S)
    return replace(state, ran={**state.ran, zone_id: (*before, (start_s, open_s))})


def left(ground: Ground, state: State, zone: Zone, at_s: float) -> tuple[float, str]:
    """Seconds that a zone may still run from an instant on, and the cap that says so."""
    day = ground.days.date_at(at_s)
    day_left_s = day_cap_s(zone) - _ran_s(state, zone.id, ground.days.start_s(day), ground.days.end_s(day))
    week_left_s = week_cap_s(zone) - _ran_s(state, zone.id, at_s - WEEK_S, at_s)
    if day_left_s <= week_left_s:
        return max(0.0, day_left_s), f"the day's cap of {day_cap_s(zone) / 60:.0f} min"
    return max(0.0, week_left_s), f"the cap of {week_cap_s(zone) / 60:.0f} min in seven days"


def dates_of(ground: Ground, window: NightState) -> tuple[Span, ...]:
    """The calendar dates that a night's window touches: first and last instant of each."""
    dates = dict.fromkeys(ground.days.date_at(at_s) for at_s in (window.opens_s, window.closes_s - 1.0))
    return tuple((ground.days.start_s(day), ground.days.end_s(day)) for day in dates)


def limited(state: State, zone: Zone, need: Need, window: NightState, dates: Sequence[Span]) -> Need:
    """A need cut to what the caps leave in a night's window; what is cut waits for the following nights."""
    if not need.water:
        return need
    day_s, week_s = day_cap_s(zone), week_cap_s(zone)
    in_days_s = sum([max(0.0, day_s - _ran_s(state, zone.id, *span)) for span in dates])
    in_week_s = max(0.0, week_s - _ran_s(state, zone.id, window.opens_s - WEEK_S, window.closes_s))
    left_s = math.floor(min(in_days_s, in_week_s))
    if need.seconds <= left_s:
        return need
    cap = f"{day_s / 60:.0f} min a day" if in_days_s <= in_week_s else f"{week_s / 60:.0f} min a week"
    told = f"The zone's cap of {cap} is reached: {(need.seconds - left_s) / 60:.0f} min are carried to the next nights."
    limits = (*need.limits, told)
    if left_s < least_run_s(zone):
        return replace(need, water=False, net_mm=0.0, seconds=0.0, limits=limits)
    return replace(need, net_mm=need.net_mm * left_s / need.seconds, seconds=float(left_s), limits=limits)


def _ran_s(state: State, zone_id: str, from_s: float, to_s: float) -> float:
    ran = state.ran.get(zone_id, ())
    return math.fsum([min(a + open_s, to_s) - max(a, from_s) for a, open_s in ran if a < to_s and a + open_s > from_s])
