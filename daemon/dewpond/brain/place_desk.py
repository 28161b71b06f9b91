"""People's word on the rules of the place: exemptions, the stage of restriction in force, and the clock.

Each is journalled as it was asked, with who and why, and answered in one line. Exemptions have an end of their own.
"""

from __future__ import annotations

from datetime import timedelta

from dewpond.brain import place_now, place_words
from dewpond.brain.ground import Ground
from dewpond.brain.holds import replan
from dewpond.brain.place_state import ExemptionState, StageState
from dewpond.brain.rules_of_place import DAYS
from dewpond.brain.state import State
from dewpond.model.commands import AnswerOperator, Command, TrustClock
from dewpond.model.copying import replace
from dewpond.model.events import Now, OperatorAsked

LONGEST_EXEMPTION_DAYS = 366
MOST_EXEMPTIONS = 100
NO_CLOCK = "the clock is not trusted, so no end can be judged; set it, or say that it is right with `dewpond clock`"
Told = tuple[State, list[Command]]


def on_asked(ground: Ground, state: State, event: OperatorAsked, now: Now) -> Told:
    """Carry out one request, or refuse it with the limit and the remedy."""
    return ACTIONS[event.action](ground, state, event, now)


def changed(ground: Ground, state: State, now: Now) -> Told:
    """Decide the night afresh under rules that have changed, and end what they leave no time any more."""
    state, ended = place_now.keep_within(ground, state, now)
    state, planned = replan(ground, state, now)
    return state, [place_now.topic(ground, state, now), *ended, *planned]


def expire(ground: Ground, state: State, now: Now) -> Told:
    """End exemptions and a stage that are over."""
    left = place_now.expire(state, now)
    return (state, []) if left is state else changed(ground, left, now)


def _exempt(ground: Ground, state: State, event: OperatorAsked, now: Now) -> Told:
    fault = _exemption_fault(ground, state, event, now)
    if fault:
        return state, [_answer(event, fault, accepted=False)]
    assert event.until is not None  # noqa: S101 - the fault above says so
    number = str(state.place.recorded + 1)
    item = ExemptionState(
        target=event.target,
        rule=event.rule,
        who=event.person,
        reason=event.reason,
        since=now.wall,
        until=event.until,
    )
    place = replace(state.place, exemptions={**state.place.exemptions, number: item}, recorded=state.place.recorded + 1)
    state, told = changed(ground, replace(state, place=place), now)
    text = f"Exemption {number} is recorded for {event.target}: {place_now.words(ground, item)}. It ends by itself."
    return state, [*told, _answer(event, text)]


def _exemption_fault(ground: Ground, state: State, event: OperatorAsked, now: Now) -> str:
    """Why an exemption is not recorded, with limit and remedy, or ""."""
    targets = ("all", "overhead", "drip", *ground.zones, *(supply.id for supply in ground.site.supplies))
    rules = (DAYS, *(place_words.called(n, rule) for n, rule in enumerate(ground.site.restrictions)))
    last = now.wall + timedelta(days=LONGEST_EXEMPTION_DAYS)
    if not now.trusted:
        return NO_CLOCK
    if event.target not in targets:
        return f"nothing here is called {event.target!r}; an exemption is for one of {', '.join(targets)}"
    if event.rule and event.rule not in rules:
        return f"no rule {event.rule!r} here; rules are {', '.join(rules)}"
    if event.until is None or not now.wall < event.until <= last:
        return f"an exemption needs an end in the future, at most {LONGEST_EXEMPTION_DAYS} days from now"
    if not event.reason.strip():
        return "an exemption needs a reason; it is recorded, so say who gave leave and why"
    if len(state.place.exemptions) >= MOST_EXEMPTIONS:
        return f"{MOST_EXEMPTIONS} exemptions stand already, which is the limit; end one of them first"
    return ""


def _end(ground: Ground, state: State, event: OperatorAsked, now: Now) -> Told:
    known = state.place.exemptions
    if event.number not in known:
        there = f"; there are {', '.join(sorted(known))}" if known else "; none is recorded"
        return state, [_answer(event, f"no exemption {event.number!r} stands{there}", accepted=False)]
    left = {key: item for key, item in known.items() if key != event.number}
    state, told = changed(ground, replace(state, place=replace(state.place, exemptions=left)), now)
    return state, [*told, _answer(event, f"Exemption {event.number} is ended by {event.person}; the rules hold again.")]


def _stage(ground: Ground, state: State, event: OperatorAsked, now: Now) -> Told:
    stages = ground.site.watering.stages
    fault = ""
    if event.stage and event.stage not in stages:
        known = f"stages are {', '.join(stages)}" if stages else "the site file names no stage of restriction"
        fault = f"no stage {event.stage!r} here; {known}"
    elif not event.reason.strip():
        fault = "a stage needs a reason; it is recorded, so say who declared it"
    elif event.until is not None and not now.trusted:
        fault = NO_CLOCK
    elif event.until is not None and event.until <= now.wall:
        fault = "the end of a stage lies in the future; leave it out to have it last until the next word"
    if fault:
        return state, [_answer(event, fault, accepted=False)]
    stage = StageState(name=event.stage, who=event.person, reason=event.reason, since=now.wall, until=event.until)
    state, told = changed(ground, replace(state, place=replace(state.place, stage=stage)), now)
    until = f" until {event.until.astimezone(ground.days.zone):%Y-%m-%d %H:%M}" if event.until else ""
    what = f'Stage "{event.stage}" is' if event.stage else "No stage of restriction is"
    return state, [*told, _answer(event, f"{what} in force{until}, by the word of {event.person}.")]


def _clock(ground: Ground, state: State, event: OperatorAsked, now: Now) -> Told:
    local = now.wall.astimezone(ground.days.zone)
    if now.trusted:
        return state, [_answer(event, f"The clock is trusted already; it says {local:%Y-%m-%d %H:%M:%S}.")]
    text = f"The clock is taken as right by the word of {event.person}; it says {local:%Y-%m-%d %H:%M:%S}."
    return state, [TrustClock(who=event.person), _answer(event, text)]


def _answer(event: OperatorAsked, text: str, *, accepted: bool = True) -> AnswerOperator:
    return AnswerOperator(request_id=event.request_id, accepted=accepted, text=text)


ACTIONS = {"exempt": _exempt, "end-exemption": _end, "stage": _stage, "clock": _clock}
