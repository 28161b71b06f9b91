"""The rules of the place as they stand now: over the night, over a watering by hand, and over what already runs."""

from __future__ import annotations

from dewpond.brain import establishment
from dewpond.brain.ground import Ground
from dewpond.brain.openings import close_now
from dewpond.brain.place_state import ExemptionState
from dewpond.brain.plan_rows import plan_row
from dewpond.brain.state import NightState, Opening, State
from dewpond.model.commands import Command, PublishState
from dewpond.model.copying import replace
from dewpond.model.events import Now
from dewpond.model.site import Zone
from dewpond.model.states import Ending, ValveState

Told = tuple[State, list[Command]]


def broken_by_hand(ground: Ground, state: State, zone: Zone, seconds: float, now: Now) -> tuple[str, ...]:
    """The rules of the place that a watering by hand would break now; none can be told by a clock nobody trusts."""
    if not now.trusted:
        return ()
    at_s = now.wall.timestamp()
    return ground.rules.under(state.place).against(zone, at_s, at_s + seconds)


def said(ground: Ground, zone: Zone, night: NightState) -> tuple[str, ...]:
    """The exemptions that touch a zone's night or the day after it, as sentences. ``ground`` has what is declared."""
    if not ground.rules.exempt(zone):
        return ()
    ends_s = ground.days.end_s(ground.days.date_at(night.closes_s))
    found = ground.rules.exemptions(zone, night.opens_s, ends_s)
    return tuple(f"{words(ground, item)}." for item in found)


def words(ground: Ground, item: ExemptionState) -> str:
    """An exemption as a person reads it, in site time."""
    until = item.until.astimezone(ground.days.zone)
    return f"Exempt from {item.rule or 'restrictions'} until {until:%Y-%m-%d %H:%M} by {item.who}: {item.reason}"


def expire(state: State, now: Now) -> State:
    """Exemptions and a declared stage that are over end by themselves."""
    place = state.place
    if place.stage is None and not place.exemptions:
        return state
    left = {key: item for key, item in place.exemptions.items() if now.wall < item.until}
    stage = place.stage
    if stage is not None and stage.until is not None and now.wall >= stage.until:
        stage = None
    if len(left) == len(place.exemptions) and stage is place.stage:
        return state
    return replace(state, place=replace(place, exemptions=left, stage=stage))


def keep_within(ground: Ground, state: State, now: Now) -> Told:
    """After the rules have changed: drop and close what runs by schedule where they leave no time any more."""
    commands: list[Command] = []
    for item in state.openings:
        if item.by_hand or item.state is ValveState.CLOSING:
            continue
        broken = _broken(ground, state, item, now)
        if broken:
            state, told = close_now(state, item, f"stopped by {' and '.join(broken)}", now, Ending.RULED)
            commands += told
    return state, commands


def _broken(ground: Ground, state: State, item: Opening, now: Now) -> tuple[str, ...]:
    """The rules that what is left of an opening would break."""
    rules, zone = ground.rules.under(state.place), ground.zones[item.zone]
    if item.state is ValveState.WAITING:
        start_s = max(item.start_s, now.wall.timestamp())
        left_s = item.seconds
    else:
        start_s = now.wall.timestamp()
        left_s = item.opened_elapsed_s + item.seconds - now.elapsed_s if item.opened_at else item.seconds
    exempt = _of_day(item) and establishment.exempt_on(zone, ground.days.date_at(start_s))
    return rules.against(zone, start_s, start_s + max(1.0, left_s), exempt=exempt)


def under_new_file(ground: Ground, state: State, now: Now) -> Told:
    """The site file, or its time zone, has changed: what waits by the old hours runs within the new ones or not at all.

    The night keeps its date, so no zone that has begun begins again on it.
    """
    night = state.night
    if night is None:
        return keep_within(ground, state, now)
    window = ground.rules.window(night.window_date)
    state = replace(state, night=replace(night, opens_s=window.opens_s, closes_s=window.closes_s))
    kept, dropped = [], []
    for item in state.openings:
        by_night = not (item.by_hand or item.extra or _of_day(item))
        start_s = max(item.start_s, now.wall.timestamp())
        within = window.opens_s <= start_s and start_s + item.seconds <= window.closes_s
        if by_night and item.state is ValveState.WAITING and not within:
            dropped.append(item)
        elif by_night:  # of one that is open, this bounds what an interruption leaves of it
            last_s = window.closes_s if window.opens_s <= start_s else start_s
            kept.append(replace(item, latest_end_s=min(item.latest_end_s, last_s)))
        else:
            kept.append(item)
    state, told = keep_within(ground, replace(state, openings=tuple(kept)), now)
    return state, [*(plan_row(item, "dropped") for item in dropped), *told]


def _of_day(item: Opening) -> bool:
    """Whether an opening is a start by day of new plants."""
    return item.source == establishment.SOURCE


def topic(ground: Ground, state: State, now: Now) -> PublishState:
    """What is declared, for whoever listens."""
    place = state.place
    exemptions = [
        {
            "number": key,
            "target": item.target,
            "rule": item.rule or None,
            "until": item.until.isoformat(),
            "by": item.who,
            "reason": item.reason,
        }
        for key, item in sorted(place.exemptions.items())
    ]
    stage = ground.rules.under(place).stage
    return PublishState(topic="rules", body={"at": now.wall.isoformat(), "stage": stage, "exemptions": exemptions})
