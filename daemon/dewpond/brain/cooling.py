"""Short overhead runs in the heat of the day, only where a zone's site file asks for them.

A run begins when a fresh reading of the air passes the limit within the zone's hours. Restrictions and watering days
hold as ever; only the watering window does not. Runs of a date are spread over the hours, so that one hot noon does not
use them all (common practice, no source). The water is booked like all other and counts under the caps; it never
counts as the night's watering, nor does what is missed by it come later.
"""

from __future__ import annotations

from datetime import date

from dewpond.brain import caps, locks, place_record, proving_words, weather_holds
from dewpond.brain.ground import Ground
from dewpond.brain.local_time import utc
from dewpond.brain.openings import active
from dewpond.brain.plan_rows import plan_row
from dewpond.brain.state import CooledState, Opening, SensorState, State
from dewpond.brain.timetable import GUARD_S
from dewpond.model.commands import Command
from dewpond.model.copying import replace
from dewpond.model.events import Now
from dewpond.model.reasons import Input
from dewpond.model.site import Cooling, Zone

SOURCE = "cooling"
LONGEST_WAIT_S = 1800.0  # for room on the supply or a lull; later the heat is another matter


def due(ground: Ground, state: State, now: Now) -> tuple[State, list[Command]]:
    """Queue a run for every zone that is too hot now and may be cooled."""
    commands: list[Command] = []
    for zone in ground.site.zones:
        heat = None if zone.cooling is None else _heat(ground, state, zone.cooling, now)
        if zone.cooling is None or heat is None or not _may(ground, state, zone, zone.cooling, now):
            continue
        ends_s = _allowed_until_s(place_record.declared(ground, state), zone, zone.cooling, now.wall.timestamp())
        if ends_s is None:
            continue
        state, item = _queued(ground, state, zone, zone.cooling, heat, ends_s, now)
        commands.append(plan_row(item, "planned"))
    return state, commands


def inputs(state: State, zone: Zone, window_date: date) -> tuple[Input, ...]:
    """The cooling runs since the morning of a night's date, for the zone's reason."""
    cooled = state.cooled.get(zone.id)
    if zone.cooling is None or cooled is None or cooled.day < window_date:
        return ()
    name, source = f"cooling of {cooled.day}", f"air above {zone.cooling.above_c:g} degC"
    return (Input(name=name, value=cooled.runs, unit="runs", source=source, known_at=utc(cooled.last_s)),)


def _heat(ground: Ground, state: State, asked: Cooling, now: Now) -> SensorState | None:
    """The reading that is above the zone's limit now, or None."""
    last = weather_holds.fresh_reading(ground, state, "temperature", now.wall.timestamp())
    return last if last is not None and last.value > asked.above_c else None


def _may(ground: Ground, state: State, zone: Zone, asked: Cooling, now: Now) -> bool:
    """Whether number and spread of runs, holds, faults, locks, caps and the season leave room for a run."""
    at_s = now.wall.timestamp()
    day, hold = ground.days.date_at(at_s), state.hold_on(zone.id)
    cooled, night = state.cooled.get(zone.id), state.night
    runs, last_s = (cooled.runs, cooled.last_s) if cooled is not None and cooled.day == day else (0, float("-inf"))
    spread_s = (ground.days.clock_s(day, asked.hours.end) - ground.days.clock_s(day, asked.hours.start)) / asked.most
    return (
        state.keeper_ready
        and now.trusted
        and runs < asked.most
        and at_s >= last_s + spread_s
        and (hold is None or hold.until <= now.wall)
        and state.block_on(zone.id, zone.supply) is None
        and locks.on(ground, state, zone) is None
        and not proving_words.held(ground, state, zone)
        and (zone.dormant is None or not zone.dormant.includes(day))
        and not (night is not None and at_s < night.closes_s and zone.id in night.stopped_zones)
        and not weather_holds.held(ground, state, zone, at_s)
        and caps.left(ground, state, zone, at_s)[0] >= asked.seconds
        and all(item.zone != zone.id for item in active(state, zone.supply))
    )


def _allowed_until_s(ground: Ground, zone: Zone, asked: Cooling, at_s: float) -> float | None:
    """When the allowed interval ends that has room for a whole run from now on; None where there is none."""
    for start_s, end_s in ground.rules.by_day(zone, ground.days.date_at(at_s), asked.hours):
        if start_s <= at_s and at_s + asked.seconds + GUARD_S <= end_s:
            return end_s
    return None


def _queued(
    ground: Ground, state: State, zone: Zone, asked: Cooling, heat: SensorState, ends_s: float, now: Now
) -> tuple[State, Opening]:
    at_s = now.wall.timestamp()
    day, before = ground.days.date_at(at_s), state.cooled.get(zone.id)
    number = before.runs + 1 if before is not None and before.day == day else 1
    clock = utc(heat.at_s).astimezone(ground.days.zone)
    item = Opening(
        run_id=f"{day}/{zone.id}/{SOURCE}/{number}",
        zone=zone.id,
        supply=zone.supply,
        output=zone.output,
        source=SOURCE,
        window_date=day,
        start_no=number,
        start_s=at_s,
        seconds=asked.seconds,
        latest_end_s=min(ends_s, at_s + asked.seconds + LONGEST_WAIT_S),
        flow_l_min=zone.flow_l_min,
        gross_mm=asked.seconds * zone.application_rate_mm_h / 3600.0,
        not_before_elapsed_s=now.elapsed_s,
        cause=f"{SOURCE}: {heat.value:.1f} degC at {clock:%H:%M}, limit {asked.above_c:g} degC",
        extra=True,
    )
    cooled = {**state.cooled, zone.id: CooledState(day=day, runs=number, last_s=at_s)}
    openings = tuple(sorted((*state.openings, item), key=lambda each: (each.start_s, each.run_id)))
    return replace(state, cooled=cooled, openings=openings), item
