"""One watering asked for by a person, for instance to wash fertiliser in: given once, whatever the balance says.

It runs in the next allowed night within caps, hours and holds, is counted by the balance like all water, and is then
gone. What an interruption left of it is given the following night; past its latest time it is dropped.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from dewpond.brain.ground import Ground
from dewpond.brain.rules.question import Depth
from dewpond.brain.state import State, WaterInState
from dewpond.model.copying import replace
from dewpond.model.events import Now, OperatorAsked
from dewpond.model.site import Zone

GIVEN_MM = 0.3  # less than this left of it counts as given
MOST_SHARE_OF_RAW = 1.5  # the night's cap, as a depth


@dataclass(frozen=True, slots=True)
class Answer:
    """What a person is told, and the wish to keep where it is taken."""

    text: str
    wish: WaterInState | None = None


def asked(ground: Ground, state: State, zone: Zone, event: OperatorAsked, now: Now) -> Answer:
    """Take a wish up or refuse it; what stands against it is part of the answer."""
    depth_mm = event.depth_mm or 0.0
    most_mm = MOST_SHARE_OF_RAW * zone.raw_mm
    if not GIVEN_MM < depth_mm <= most_mm:
        return Answer(f"{zone.id} takes {GIVEN_MM:g} to {most_mm:.0f} mm in one night; ask for a depth between them")
    if zone.rule == "calendar":
        return Answer(f"{zone.id} runs by its programs, not by depths; water it by hand instead")
    if event.until is not None and event.until <= now.wall:
        return Answer("the time it is wanted by is past; give a later one")
    wish = WaterInState(net_mm=depth_mm, who=event.who, by=event.until)
    text = f"{zone.name} is given {depth_mm:g} mm in the next allowed night{_conflicts(ground, state, zone, event)}."
    return Answer(text, wish)


def wanted(depth: Depth, wish: WaterInState | None) -> Depth:
    """Tonight's depth with the wish in it: the greater of both, since water for the roots also washes in."""
    if wish is None:
        return depth
    note = f"{wish.who} asked for {wish.net_mm:.1f} mm once."
    return replace(depth, net_mm=max(depth.net_mm, wish.net_mm), note=f"{depth.note} {note}".strip())


def given(state: State, zone_id: str, net_mm: float) -> State:
    """The state after this much water reached a zone; a wish that is fulfilled is gone."""
    wish = state.water_ins.get(zone_id)
    if wish is None:
        return state
    left_mm = wish.net_mm - net_mm
    others = {key: each for key, each in state.water_ins.items() if key != zone_id}
    kept = others if left_mm <= GIVEN_MM else {**others, zone_id: replace(wish, net_mm=left_mm)}
    return replace(state, water_ins=kept)


def expire(state: State, now: Now) -> State:
    """Wishes whose latest time is past are dropped."""
    left = {key: each for key, each in state.water_ins.items() if each.by is None or now.wall < each.by}
    return state if len(left) == len(state.water_ins) else replace(state, water_ins=left)


def summary(wish: WaterInState | None, zone: Zone, wanted_mm: float, seconds: float, missing_mm: float) -> str:
    """Why a zone is watered that need not be; empty where the balance asks for as much by itself."""
    if wish is None or wish.net_mm <= wanted_mm:
        return ""
    given_mm = seconds * zone.application_rate_mm_h * zone.efficiency / 3600.0
    return (
        f"Gets {given_mm:.1f} mm ({seconds / 60:.0f} min): {wish.who} asked for one watering, whatever the balance "
        f"says; {missing_mm:.1f} mm are missing."
    )


def _conflicts(ground: Ground, state: State, zone: Zone, event: OperatorAsked) -> str:
    notes = []
    hold = state.hold_on(zone.id)
    if hold is not None:
        until = f"{hold.until.astimezone(ground.days.zone):%Y-%m-%d %H:%M}"
        kind = "" if hold.kind == "other" else f" for {hold.kind}"
        notes.append(f"a hold{kind} until {until} stands against it and wins")
        if event.until is not None and hold.until >= event.until:
            notes.append("it would last past the time it is wanted by, so release it or give a later time")
    if zone.dormant is not None and zone.dormant.includes(_today(ground, event.at)):
        notes.append("the zone is dormant by the site file, which wins")
    return f", but {'; '.join(notes)}" if notes else ""


def _today(ground: Ground, at: datetime) -> date:
    return ground.days.date_at(at.timestamp())
