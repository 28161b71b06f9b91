"""People's word on attended tests: begin, go on, end. Each is answered in one line."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from dewpond.brain import pumps
from dewpond.brain.attended import (
    DRY_S,
    LONGEST_S,
    RENEW_S,
    RUN,
    break_words,
    clock_at,
    end,
    last_s,
    locked,
    openings,
    parts,
    remember,
)
from dewpond.brain.attended_state import Attended
from dewpond.brain.ground import Ground
from dewpond.brain.openings import ON_TIME_S, active
from dewpond.brain.pipes.causes import BREAK_SHARE
from dewpond.brain.pipes.usual import expected_l_min
from dewpond.brain.state import State
from dewpond.model.commands import AnswerOperator, Command
from dewpond.model.copying import replace
from dewpond.model.events import Now, OperatorAsked
from dewpond.model.site import Supply

CAUTION = "Stay there, open hand valves slowly, and keep clear of what is under pressure"
PUMP_CAUTION = (
    f" The pump starts with it: a hand valve must be open, for with too little drawn for {DRY_S:.0f} s it is stopped; "
    "stay clear of shaft and wires."
)
Told = tuple[State, list[Command]]


def on_asked(ground: Ground, state: State, event: OperatorAsked, now: Now) -> Told:
    """Begin, renew or end a test, or refuse it with the limit and the remedy."""
    known = [supply.id for supply in ground.site.supplies]
    if event.target not in known:
        return state, [_refuse(event, f"no supply {event.target!r} here; there are {', '.join(known)}")]
    return ACTIONS[event.action](ground, state, event, now)


def _attend(ground: Ground, state: State, event: OperatorAsked, now: Now) -> Told:
    supply = ground.site.supply(event.target)
    running = state.attended.tests.get(supply.id)
    if running is not None:
        return _renew(ground, state, running, event, now)
    fault = _fault(ground, state, supply, now)
    if fault:
        return state, [_refuse(event, fault)]
    stamp = f"{now.wall:%Y-%m-%dT%H:%M:%SZ}"
    runs = tuple((output, f"{RUN}{supply.id}/{stamp}/{part}") for part, output in parts(supply))
    test = Attended(
        who=event.by,
        reason=event.reason,
        began_at=now.wall,
        began_s=now.elapsed_s,
        until_s=now.elapsed_s + RENEW_S,
        runs=runs,
        held=frozenset({runs[0][1]}),
        break_l_min=break_l_min(ground, state, supply),
        least_l_min=supply.pump.least_flow_l_min if supply.pump is not None else 0.0,
    )
    text = (
        f"The master valve of {supply.id} opens for {test.who} until {clock_at(ground, test.until_s, now)}; say so "
        f"again within {RENEW_S / 60.0:.0f} min to go on, {break_words(test)}. {CAUTION}."
        f"{PUMP_CAUTION if supply.pump is not None else ''}"
    )
    return remember(state, supply.id, test), [*openings(test, now), _accept(event, text)]


def unopened(ground: Ground, state: State, supply: Supply, by: tuple[str, str], now: Now) -> Attended:
    """The lease of a guided test, for (who, reason), with nothing open yet: it will open the master, never a pump."""
    stamp = f"{now.wall:%Y-%m-%dT%H:%M:%SZ}"
    master = parts(supply)[:1]
    return Attended(
        who=by[0],
        reason=by[1],
        began_at=now.wall,
        began_s=now.elapsed_s,
        until_s=now.elapsed_s + RENEW_S,
        runs=tuple((output, f"{RUN}{supply.id}/{stamp}/{part}") for part, output in master),
        break_l_min=break_l_min(ground, state, supply),
    )


def _renew(ground: Ground, state: State, test: Attended, event: OperatorAsked, now: Now) -> Told:
    if test.closing:
        text = f"the test of {event.target} is ending ({test.closing}); begin a new one when it is shut"
        return state, [_refuse(event, text)]
    if event.by.casefold() != test.who.casefold():
        text = f"{test.who} attends the test of {event.target}; only that person renews it, anybody may end it"
        return state, [_refuse(event, text)]
    until_s = min(now.elapsed_s + RENEW_S, last_s(test))
    until = clock_at(ground, until_s, now)
    if until_s <= test.until_s + ON_TIME_S:
        text = f"the test of {event.target} ends at {until}, {LONGEST_S / 60.0:.0f} min after it began; then begin anew"
        return state, [_refuse(event, text)]
    test = replace(test, until_s=until_s)
    text = f"The master valve of {event.target} stays open for {test.who} until {until}. {CAUTION}."
    return remember(state, event.target, test), [*openings(test, now), _accept(event, text)]


def _end_asked(_ground: Ground, state: State, event: OperatorAsked, now: Now) -> Told:
    if event.target not in state.attended.tests:
        return state, [_refuse(event, f"no attended test is on at {event.target}")]
    state, told = end(state, event.target, f"ended by {event.person}", now)
    return state, [*told, _accept(event, f"The attended test of {event.target} ends; its master valve closes.")]


def _fault(ground: Ground, state: State, supply: Supply, now: Now) -> str:
    """Why no test can begin, with the remedy, or ""."""
    if not parts(supply):
        return f"supply {supply.id} has no master valve to open; its main is under water all the time"
    busy = not_free(ground, state, supply)
    if busy:
        return busy
    if supply.pump is not None and supply.meter is None:
        return f"supply {supply.id} has a pump and no meter, so nobody sees whether it runs dry; water a zone instead"
    rests = pumps.resting(ground, state, supply, now)
    return f"{rests[:1].lower()}{rests[1:]}; begin the test after that" if rests else ""


def not_free(ground: Ground, state: State, supply: Supply) -> str:
    """Why nothing can be tested on a supply now, whatever the test, with the remedy, or ""."""
    if not state.keeper_ready:
        return "the valve keeper does not answer or cannot reach the relays; start it, then ask again"
    words_of_lock = locked(ground, state, supply)
    if words_of_lock:
        return f"nothing opens at {supply.id}: {words_of_lock}"
    running = active(state, supply.id)
    if running:
        return f"{ground.zones[running[0].zone].name} runs at {supply.id}; stop it first, then begin the test"
    if supply.id in state.masters:
        return f"the master valve of {supply.id} is open for a zone; wait until it has shut, then begin the test"
    return ""


def break_l_min(ground: Ground, state: State, supply: Supply) -> float:
    """A flow no person draws by hand: a quarter above the largest zone's, and what others draw besides. [L/min]"""
    flows = [zone.flow_l_min for zone in ground.site.zones if zone.supply == supply.id]
    if supply.meter is None or not flows:
        return math.inf
    memory = state.pipes.get(supply.id)
    if memory is None:
        return BREAK_SHARE * max(flows)
    usual = [expected_l_min(flow, None) for flow in memory.watch.flows.values()]
    return BREAK_SHARE * max(*flows, *usual) + memory.watch.others.draw_l_min


def _accept(event: OperatorAsked, text: str) -> AnswerOperator:
    return AnswerOperator(request_id=event.request_id, accepted=True, text=text)


def _refuse(event: OperatorAsked, text: str) -> AnswerOperator:
    return AnswerOperator(request_id=event.request_id, accepted=False, text=text)


ACTIONS: Mapping[str, Callable[[Ground, State, OperatorAsked, Now], Told]] = {
    "attend": _attend,
    "end-attended": _end_asked,
}
