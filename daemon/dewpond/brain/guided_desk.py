"""People's word on guided tests: begin, go on, end. Each is answered with what to do, or look at, now."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from dewpond.brain import attended, attended_desk, guided, holds
from dewpond.brain.ground import Ground
from dewpond.brain.guided_state import AFTER, ISOLATE, LEASED, LOOK, OPEN, RUN, SHUT, Guided, Step
from dewpond.brain.guided_verdict import DRAINED_S, amount, smallest_l_min, span
from dewpond.brain.guided_words import CAUTIONS, LABELS, task
from dewpond.brain.state import State
from dewpond.model.commands import AnswerOperator, Command
from dewpond.model.copying import replace
from dewpond.model.events import Now, OperatorAsked
from dewpond.model.site import Supply, Zone

SHORTEST_ASKED_S, LONGEST_ASKED_S = 30.0, 840.0  # the lease of a step is a quarter of an hour
DRAIN_RUN_S = 120.0  # fills the laterals to their ends. Common practice, no source.
PUMP_RUN_S, UNSEEN_RUN_S = 180.0, 60.0  # with and without a meter
SHOWN_S = 86_400.0  # the last result stays on screens for a day
Told = tuple[State, list[Command]]


def on_asked(ground: Ground, state: State, event: OperatorAsked, now: Now) -> Told:
    """Begin, go on with or end a test, or refuse it with the limit and the remedy."""
    known = [supply.id for supply in ground.site.supplies]
    if event.target not in known:
        return state, [_refuse(event, f"no supply {event.target!r} here; there are {', '.join(known)}")]
    return ACTIONS[event.action](ground, state, event, now)


def words(ground: Ground, state: State, supply: str, now: Now) -> str:
    """The test that is on, or what the last one of today found, for screens; "" where there is neither."""
    test = state.guided.tests.get(supply)
    if test is not None:
        return f"{_titled(test)} with {test.who}: {_progress(ground, supply, test)} {_task(ground, supply, test)}"
    result = state.guided.results.get(supply)
    if result is None or (now.wall - result.at).total_seconds() > SHOWN_S:
        return ""
    at = result.at.astimezone(ground.days.zone)
    return f"Last {LABELS[result.kind]}, {at:%H:%M}: {result.text} ({result.confidence})"


def _guide(ground: Ground, state: State, event: OperatorAsked, now: Now) -> Told:
    test = state.guided.tests.get(event.target)
    if test is not None:
        return _go_on(ground, state, test, event, now)
    supply = ground.site.supply(event.target)
    fault = _fault(ground, state, supply, event)
    steps = () if fault else _steps(ground, supply, event)
    if not steps:
        return state, [_refuse(event, fault or _no_zone(ground, supply, event))]
    test = Guided(
        kind=event.kind,
        who=event.by,
        reason=event.reason or LABELS[event.kind],
        began_at=now.wall,
        began_s=now.elapsed_s,
        steps=steps,
        said_s=now.elapsed_s,
        wants_s=event.seconds or guided.usual_step_s(guided.meter_of(ground, supply.id)),
        limit_s=now.elapsed_s + attended.RENEW_S if steps[0].name == LOOK else math.inf,
    )
    if steps[0].name in LEASED:
        lease = attended_desk.unopened(ground, state, supply, (test.who, test.reason), now)
        state = attended.remember(state, supply.id, lease)
    state, commands = guided.enter(ground, guided.remember(state, supply.id, test), supply.id, now)
    if steps[0].name == RUN:
        state, told, refused = _start_run(ground, state, supply.id, event, now)
        if refused:
            return _forgotten(state, supply.id), [_refuse(event, refused)]
        commands += told
    text = f"{_titled(test)}. {CAUTIONS[test.kind]} {_say(ground, state, supply.id, now)}"
    return state, [*commands, _accept(event, text)]


def _go_on(ground: Ground, state: State, test: Guided, event: OperatorAsked, now: Now) -> Told:
    supply = event.target
    if event.kind != test.kind:
        text = f"a {LABELS[test.kind]} is on at {supply}; end it first, then begin another"
        return state, [_refuse(event, text)]
    if event.by.casefold() != test.who.casefold():
        text = (
            f"{test.who} is led through the {LABELS[test.kind]} of {supply}; only that person goes on, anybody ends it"
        )
        return state, [_refuse(event, text)]
    commands: list[Command] = []
    limit_s = test.limit_s if math.isinf(test.limit_s) else now.elapsed_s + attended.RENEW_S
    test = replace(test, said_s=now.elapsed_s, limit_s=limit_s)
    state = guided.remember(state, supply, test)
    if supply in state.attended.tests:
        state, commands = attended.renewed(state, supply, now)
    if test.step.name == LOOK:
        state, told, refused = _start_run(ground, state, supply, event, now)
        if refused:
            return state, [*commands, _refuse(event, refused)]
        return state, [*commands, *told, _accept(event, _say(ground, state, supply, now))]
    test = replace(test, saw=event.answer or test.saw)
    state = guided.remember(state, supply, test)
    eye = guided.by_eye(test, guided.meter_of(ground, supply))
    if test.step.name == ISOLATE and not eye and test.count is None:
        state = guided.remember(state, supply, guided.counting(ground, supply, test, now, 0.0))
    elif _is_done(ground, supply, test, event, now):
        state, told = guided.stepped(ground, state, supply, now)
        commands += told
    return state, [*commands, _accept(event, _say(ground, state, supply, now))]


def _is_done(ground: Ground, supply: str, test: Guided, event: OperatorAsked, now: Now) -> bool:
    """Whether a step has been looked at, or measured, enough."""
    meter = guided.meter_of(ground, supply)
    if test.step.name == RUN:
        return False  # it is done when its zone has shut
    if test.step.name == AFTER:
        return event.answer == "no" or (event.answer == "yes" and now.elapsed_s >= test.since_s + DRAINED_S)
    if guided.by_eye(test, meter):
        return event.answer != ""
    return guided.measured(test, now) >= guided.wanted_s(test, meter)


def _end_guided(ground: Ground, state: State, event: OperatorAsked, now: Now) -> Told:
    if event.target not in state.guided.tests:
        return state, [_refuse(event, f"no guided test is on at {event.target}")]
    state, told = guided.finish(ground, state, event.target, f"ended by {event.person}", now)
    return state, [*told, _accept(event, state.guided.results[event.target].text)]


def _start_run(
    ground: Ground, state: State, supply: str, event: OperatorAsked, now: Now
) -> tuple[State, list[Command], str]:
    """Have the zone of the next step watered by hand, with every refusal of that; the last item says why not, or ""."""
    test = state.guided.tests[supply]
    place = next(number for number, step in enumerate(test.steps) if step.name == RUN)
    seconds = DRAIN_RUN_S
    if test.kind == "pump":
        seconds = UNSEEN_RUN_S if guided.meter_of(ground, supply) is None else PUMP_RUN_S
    wish = replace(event, action="water", zone=test.steps[place].zone, seconds=seconds)
    before = state
    state, commands = holds.on_asked(ground, state, wish, now)
    reply = next(item for item in commands if isinstance(item, AnswerOperator))
    if not reply.accepted:
        return before, [], reply.text
    opening = replace(state.openings[0], cause=f"maintenance: {LABELS[test.kind]} by {event.person}")
    state = replace(state, openings=(opening, *state.openings[1:]))
    limit_s = now.elapsed_s + attended.RENEW_S
    test = replace(test, place=place, run_id=opening.run_id, limit_s=limit_s, since_s=math.inf)
    return guided.remember(state, supply, test), [item for item in commands if item is not reply], ""


def _steps(ground: Ground, supply: Supply, event: OperatorAsked) -> tuple[Step, ...]:
    """The steps of a test; none where there is no zone for it."""
    zones = _zones(ground, supply, event)
    if event.kind == "leak":
        before = (Step(name=SHUT),) if supply.master_output is not None else ()
        return (*before, Step(name=OPEN))
    if not zones:
        return ()
    if event.kind == "weeping":
        return (Step(name=OPEN), *(Step(name=ISOLATE, zone=zone.id) for zone in zones))
    if event.kind == "drainage":
        return (Step(name=RUN, zone=zones[0].id), Step(name=AFTER, zone=zones[0].id))
    return (Step(name=LOOK, zone=zones[0].id), Step(name=RUN, zone=zones[0].id))


def _zones(ground: Ground, supply: Supply, event: OperatorAsked) -> list[Zone]:
    """The zones a test is of: the one asked for; for a pump the largest within its bounds; to isolate, all."""
    here = [zone for zone in ground.site.zones if zone.supply == supply.id and event.zone in (None, zone.id)]
    if event.kind == "drainage":
        return here if event.zone is not None else []
    if event.kind != "pump" or supply.pump is None:
        return here
    least, greatest = supply.pump.least_flow_l_min, supply.pump.greatest_flow_l_min or math.inf
    fit = [zone for zone in here if least <= zone.flow_l_min <= greatest]
    return sorted(fit, key=lambda zone: -zone.flow_l_min)


def _no_zone(ground: Ground, supply: Supply, event: OperatorAsked) -> str:
    here = ", ".join(zone.id for zone in ground.site.zones if zone.supply == supply.id)
    if event.kind == "pump":
        return f"no zone alone takes what the pump of {supply.id} needs; it is never run against shut valves"
    return f"a {LABELS[event.kind]} needs one zone of {supply.id}; they are {here or 'none'}"


def _fault(ground: Ground, state: State, supply: Supply, event: OperatorAsked) -> str:
    """Why no test can begin, with the remedy, or ""."""
    if event.kind not in LABELS:
        return f"no test {event.kind!r}; there are {', '.join(LABELS)}"
    if event.kind == "pump" and supply.pump is None:
        return f"supply {supply.id} has no pump in the site file; there is nothing to check"
    asked_s = event.seconds
    if asked_s is not None and not SHORTEST_ASKED_S <= asked_s <= LONGEST_ASKED_S:
        return f"a step is measured {SHORTEST_ASKED_S:.0f} s to {LONGEST_ASKED_S / 60.0:.0f} min; ask for that"
    attends = attended.holding(state, supply.id)
    return f"{attends}; end it first" if attends else attended_desk.not_free(ground, state, supply)


def _say(ground: Ground, state: State, supply: str, now: Now) -> str:
    """Where the test stands, what to do now, and until when its person has to say so again; or what it came to."""
    test = state.guided.tests.get(supply)
    if test is None:
        result = state.guided.results[supply]
        return f"The {LABELS[result.kind]} is over: {result.text} ({result.confidence})"
    lease = state.attended.tests.get(supply)
    until_s = test.limit_s if lease is None else lease.until_s
    again = f" Go on by {attended.clock_at(ground, until_s, now)} at the latest." if math.isfinite(until_s) else ""
    return f"{_progress(ground, supply, test)} {_task(ground, supply, test)}{again}"


def _progress(ground: Ground, supply: str, test: Guided) -> str:
    """The step, what was counted so far, and what that could show."""
    meter, where = guided.meter_of(ground, supply), f"Step {test.place + 1} of {len(test.steps)}."
    if meter is None or test.count is None or test.step.name == RUN:
        return where
    wanted_s, seconds = guided.wanted_s(test, meter), test.count.seconds
    counted = f"{amount(test.count.litres)} L counted in {span(seconds)} of {span(wanted_s)}"
    limit = smallest_l_min(meter, max(wanted_s, seconds))
    return f"{where} {counted}; leaks below {amount(limit)} L/min would not show in that time."


def _task(ground: Ground, supply: str, test: Guided) -> str:
    meter = guided.meter_of(ground, supply)
    zone = ground.zones[test.step.zone].name if test.step.zone is not None else ""
    waits = test.count is None and test.step.name == ISOLATE
    return task(test, ground.site.supply(supply), zone, by_eye=guided.by_eye(test, meter), waits=waits)


def _titled(test: Guided) -> str:
    label = LABELS[test.kind]
    return f"{label[:1].upper()}{label[1:]}"


def _forgotten(state: State, supply: str) -> State:
    tests = {key: test for key, test in state.guided.tests.items() if key != supply}
    return replace(state, guided=replace(state.guided, tests=tests))


def _accept(event: OperatorAsked, text: str) -> AnswerOperator:
    return AnswerOperator(request_id=event.request_id, accepted=True, text=text)


def _refuse(event: OperatorAsked, text: str) -> AnswerOperator:
    return AnswerOperator(request_id=event.request_id, accepted=False, text=text)


ACTIONS: Mapping[str, Callable[[Ground, State, OperatorAsked, Now], Told]] = {
    "guide": _guide,
    "end-guided": _end_guided,
}
