"""Holds by the weather itself: a wet rain switch, wind, freezing, and days after a heavy rain.

A wet rain switch keeps every zone of its supply shut, wind and freezing the overhead zones only: drip wets no paving
and nothing of it drifts. An opening that is due waits while wind or frost lasts and is given up at its latest end; for
a wet switch it is dropped. A running one ends at once by rain switch and freezing, and by wind only at 1.5 times the
limit, so that a gust at the limit does not chop the night (common practice, no source, as are the default limits).
Openings by hand are the person's own. A sensor without fresh word holds nothing. Whatever was given up is decided anew
by the next planning, within caps and capacity, so that no hold ends in a burst.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

from dewpond.brain.ground import Ground
from dewpond.brain.local_time import utc
from dewpond.brain.state import HoldState, Opening, SensorState, State
from dewpond.model.commands import Command, RecordReason
from dewpond.model.copying import replace
from dewpond.model.events import ReadingsArrived
from dewpond.model.site import Sensor, Zone

FRESH_S = 1800.0  # where the mapping states no max_age_s
SWITCH_FRESH_S = 3 * 86_400.0  # a switch that speaks only when it changes stays wet for days, but not for ever
FREEZE_LIMIT_C = 1.0  # where a temperature sensor is there and the site file says nothing
RUNNING_SHARE = 1.5
LOOK_AGAIN_S = 60.0
SWITCH = "the rain switch"
BY_RAIN = "/rain"  # the key of the hold by days among all holds


def hear(ground: Ground, state: State, blocks: Sequence[ReadingsArrived]) -> State:
    """Remember since when each rain switch is wet."""
    switches = {supply.rain_switch for supply in ground.site.supplies}
    heard = [block for block in blocks if block.sensor in switches and len(block.value)]
    if not heard:
        return state
    wet = dict(state.wet_since_s)
    for block in heard:
        if float(block.value[-1]) > 0.5:
            wet.setdefault(block.sensor, float(block.time_s[-1]))
        else:
            wet.pop(block.sensor, None)
    return state if wet == state.wet_since_s else replace(state, wet_since_s=wet)


def held(ground: Ground, state: State, zone: Zone, at_s: float, share: float = 1.0) -> str:
    """What of the weather keeps a zone from being opened now, as the start of a sentence; empty when nothing does.

    ``share`` of the wind limit: above 1 for a zone that is already running.
    """
    switch = ground.site.supply(zone.supply).rain_switch
    since_s = state.wet_since_s.get(switch or "")
    if since_s is not None and _fresh(state, switch or "", at_s, SWITCH_FRESH_S):
        return f"Held by {SWITCH}: wet since {_clock(ground, since_s, '%a %H:%M')}"
    return _wind(ground, state, at_s, share) or _freeze(ground, state, at_s) if zone.overhead else ""


def drops(text: str) -> bool:
    """Whether this hold gives an opening up at once; otherwise it waits for its latest end."""
    return SWITCH in text


def given_up(ground: Ground, state: State, item: Opening, text: str, at_s: float) -> tuple[State, list[Command]]:
    """Say that an opening was given up: in the zone's reason for this night, and for the date it ends on."""
    told = state.reasons.get(item.zone)
    if item.extra or told is None or told.window_date != item.window_date:
        return state, []
    ran = any(done.zone == item.zone and done.window_date == item.window_date for done in state.finished)
    note = f"{text}; an opening is given up and its water carried to the next night."
    if note in told.limits:
        return state, []
    told = replace(told, limits=(*told.limits, note), decided_at=utc(at_s))
    if not ran:
        summary = f"{text}; {told.depletion_mm:.1f} mm are missing and wait for the next planning."
        told = replace(told, decision="held", summary=summary, net_mm=0.0, gross_mm=0.0, seconds=0.0)
        told = replace(told, depletion_after_mm=told.depletion_mm, limits=told.limits[:-1])
        if state.reasons[item.zone].summary == summary:
            return state, []
    state = replace(state, reasons={**state.reasons, item.zone: told})
    return _on_its_date(ground, state, item, told.summary), [RecordReason(reason=told)]


def after_rain(ground: Ground, state: State, day: date, rain_mm: float | None, now_s: float) -> State:
    """A day's rain at or above the site's own limit holds the schedule for its days, and ends by itself."""
    rule = ground.site.watering.rain_hold
    if rule is None or rain_mm is None or rain_mm < rule.after_mm:
        return state
    until = utc(ground.days.end_s(day + timedelta(days=rule.days)))
    before = state.holds.get(BY_RAIN)
    if until.timestamp() <= now_s or (before is not None and before.until >= until):
        return state
    hold = HoldState(until=until, who="rain", reason=f"{rain_mm:.1f} mm on {day}", kind="rain")
    return replace(state, holds={**state.holds, BY_RAIN: hold})


def _on_its_date(ground: Ground, state: State, item: Opening, summary: str) -> State:
    if state.night is None or state.night.window_date != item.window_date:
        return state
    day = ground.days.date_at(state.night.closes_s - 1.0)
    texts = list(state.day_reasons.get(day, ()))
    z = ground.table.index[item.zone]
    if z >= len(texts):
        return state
    texts[z] = summary
    return replace(state, day_reasons={**state.day_reasons, day: tuple(texts)})


def _wind(ground: Ground, state: State, at_s: float, share: float) -> str:
    limit_m_s = ground.site.watering.wind_limit_m_s
    if limit_m_s is None:
        return ""
    for sensor in ground.open_air.get("wind", ()):
        if _fresh(state, sensor.id, at_s, _max_age_s(sensor)):
            last = state.sensors[sensor.id]
            if last.value > limit_m_s * share:
                return f"Held for wind: {last.value:.1f} m/s at {_clock(ground, last.at_s)}, limit {limit_m_s:g} m/s"
    return ""


def _freeze(ground: Ground, state: State, at_s: float) -> str:
    limit_c = ground.site.watering.freeze_limit_c
    limit_c = FREEZE_LIMIT_C if limit_c is None else limit_c
    for sensor in ground.open_air.get("temperature", ()):
        if _fresh(state, sensor.id, at_s, _max_age_s(sensor)):
            last = state.sensors[sensor.id]
            if last.value <= limit_c:
                return f"Held for frost: {last.value:.1f} degC at {_clock(ground, last.at_s)}, limit {limit_c:g} degC"
    return ""


def fresh_reading(ground: Ground, state: State, kind: str, at_s: float) -> SensorState | None:
    """The last word of the first sensor of the open air of a kind that is fresh at an instant, or None."""
    for sensor in ground.open_air.get(kind, ()):
        if _fresh(state, sensor.id, at_s, _max_age_s(sensor)):
            return state.sensors[sensor.id]
    return None


def _max_age_s(sensor: Sensor) -> float:
    return float(sensor.mapping.get("max_age_s") or FRESH_S)


def _fresh(state: State, sensor_id: str, at_s: float, max_age_s: float) -> bool:
    last = state.sensors.get(sensor_id)
    return last is not None and last.at_s > 0.0 and at_s - last.at_s <= max_age_s


def _clock(ground: Ground, at_s: float, form: str = "%H:%M") -> str:
    return utc(at_s).astimezone(ground.days.zone).strftime(form)
