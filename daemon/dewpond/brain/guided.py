"""Guided tests: a person is led through a test of the pipes, step by step, beside what the valves and the meter do.

A test is a short machine of steps over an attended test's lease: while it goes on no zone of its supply opens, a main
is under water only as long as its person says so every five minutes, a flow the size of a break closes, and locks,
stops and the keeper end it. A step that runs a zone is an ordinary watering by hand, with every refusal and every
record of one; a pump never runs but behind such a zone. What was found is journalled as maintenance.
"""

from __future__ import annotations

import math
from dataclasses import asdict

from dewpond.brain import attended, attended_desk
from dewpond.brain.ground import Ground
from dewpond.brain.guided_state import LEASED, RUN, UNDER_WATER, Count, Found, Guided, Result
from dewpond.brain.guided_verdict import Facts, Verdict, amount, flows, judge
from dewpond.brain.guided_words import LABELS
from dewpond.brain.openings import ON_TIME_S, close_now, find
from dewpond.brain.pipes.settings import MeterSettings
from dewpond.brain.pipes.usual import expected_l_min
from dewpond.brain.state import Opening, State
from dewpond.model.commands import Command, NoteMaintenance, PublishState
from dewpond.model.copying import replace
from dewpond.model.events import Now, ReadingsArrived
from dewpond.model.states import Ending

SETTLE_S = 20.0  # a main that comes under water fills, and stretches. Common practice, no source.
FILLED_S = 60.0  # and a zone's laterals. Common practice, no source.
SHORTEST_S, LONGEST_S = 60.0, 600.0  # a step is measured this long, unless its person asks for another time
LEAST_ISOLATED_S = 30.0
DRY_S = 20.0  # so long a pump may get too little; meters count in steps, which may take longer
DEAF_S = 60.0  # a meter that says nothing so long while a zone runs sees nothing
Told = tuple[State, list[Command]]


def meter_of(ground: Ground, supply: str) -> MeterSettings | None:
    """The meter of a supply, None where there is none."""
    settings = ground.watch.get(supply)
    return None if settings is None else settings.meter


def by_eye(test: Guided, meter: MeterSettings | None) -> bool:
    """Whether only a person's eyes can judge the step: no meter, or too little flow for it."""
    if meter is None:
        return True
    return test.step.name == "isolate" and not flows(meter, test.found[0])


def measured(test: Guided, now: Now) -> float:
    """Seconds of the step that the meter's reports cover so far, or without a meter that a person has looked."""
    return test.count.seconds if test.count is not None else max(0.0, now.elapsed_s - test.since_s)


def wanted_s(test: Guided, meter: MeterSettings | None) -> float:
    """How long the step is to be measured. Beside a known flow, until twice the pulses it takes would be missed. [s]"""
    if test.step.name != "isolate" or meter is None or not test.found:
        return test.wants_s
    base = test.found[0]
    rate_l_min = (base.litres or 0.0) * 60.0 / max(base.seconds, 1.0)
    need_s = 2.0 * meter.verdict_l * 60.0 / max(rate_l_min, 1e-9)
    return min(max(need_s, LEAST_ISOLATED_S), LONGEST_S)


def usual_step_s(meter: MeterSettings | None) -> float:
    """Until the meter's least flow would have given two pulses, within bounds. [s]"""
    if meter is None:
        return SHORTEST_S
    return min(max(meter.verdict_l * 60.0 / meter.q1_l_min, SHORTEST_S), LONGEST_S)


def remember(state: State, supply: str, test: Guided) -> State:
    """The state with this test of a supply."""
    return replace(state, guided=replace(state.guided, tests={**state.guided.tests, supply: test}))


def counting(ground: Ground, supply: str, test: Guided, now: Now, settle_s: float) -> Guided:
    """The test with its step measured from now on."""
    fresh = Count(from_s=now.wall.timestamp() + settle_s) if meter_of(ground, supply) is not None else None
    return replace(test, count=fresh, since_s=now.elapsed_s, saw="", note="")


def on_meter(ground: Ground, state: State, supply: str, block: ReadingsArrived, now: Now) -> Told:
    """Meter increments [L] while a step is measured; a pump that gets too little is stopped with its zone."""
    test = state.guided.tests.get(supply)
    if test is None or block.window_s is None:
        return state, []
    for time_s, litres, window_s in zip(
        block.time_s.tolist(), block.value.tolist(), block.window_s.tolist(), strict=True
    ):
        count = None if test.count is None else _added(test.count, time_s, litres, window_s)
        thin = None if test.thin is None else _added(test.thin, time_s, litres, window_s)
        test = replace(test, count=count, thin=thin, heard_s=now.elapsed_s)
    state = remember(state, supply, test)
    return _too_thin(ground, state, supply, test, now)


def on_pressure(ground: Ground, state: State, block: ReadingsArrived) -> State:
    """Pressure readings [kPa] while a step is measured."""
    for supply, test in state.guided.tests.items():
        if test.count is None or ground.site.supply(supply).pressure != block.sensor:
            continue
        inside = block.value[block.time_s >= test.count.from_s]
        if len(inside):
            first = float(inside[0]) if test.count.kpa_first is None else test.count.kpa_first
            count = replace(test.count, kpa_first=first, kpa_last=float(inside[-1]))
            state = remember(state, supply, replace(test, count=count))
    return state


def due(ground: Ground, state: State, now: Now) -> Told:
    """Follow what valves did: the zone of a step has opened or shut, a lease is over, a person has said nothing."""
    commands: list[Command] = []
    for supply, test in state.guided.tests.items():
        if test.step.name in LEASED:
            lease = state.attended.tests.get(supply)
            if lease is not None and not lease.closing:
                continue
            why = state.attended.ended.get(supply, "ended") if lease is None else lease.closing
            told = finish(ground, state, supply, why, now)
        elif test.step.name == RUN:
            told = _run(ground, state, supply, test, now)
        elif now.elapsed_s >= test.limit_s - ON_TIME_S:
            told = finish(ground, state, supply, "nothing was said for five minutes", now)
        else:
            continue
        state = told[0]
        commands += told[1]
    return state, commands


def next_wake_s(state: State) -> float:
    """Elapsed time at which a test wants something by itself."""
    return min((min(test.limit_s, _deaf_s(test)) for test in state.guided.tests.values()), default=math.inf)


def on_started(ground: Ground, state: State, now: Now) -> Told:
    """The daemon came up: whoever was led has nobody to lead them, so every test is over."""
    commands: list[Command] = []
    for supply, test in state.guided.tests.items():
        state = remember(state, supply, replace(test, began_s=min(test.began_s, now.elapsed_s)))
        state, told = finish(ground, state, supply, "the daemon was restarted", now)
        commands += told
    return state, commands


def found_now(test: Guided, now: Now, after_s: float = 0.0) -> Found:
    """What the step has come to so far."""
    count = test.count
    drop = None
    if count is not None and count.kpa_first is not None and count.kpa_last is not None:
        drop = count.kpa_first - count.kpa_last
    return Found(
        step=test.step,
        seconds=measured(test, now),
        litres=None if count is None else count.litres,
        saw=test.saw,
        kpa_drop=drop,
        note=test.note,
        after_s=after_s,
    )


def stepped(ground: Ground, state: State, supply: str, now: Now) -> Told:
    """The step is done: keep what it came to, and go to the next one or finish."""
    test = state.guided.tests[supply]
    test = replace(test, found=(*test.found, found_now(test, now, _after_s(test, now))))
    if test.place + 1 == len(test.steps):
        return finish(ground, remember(state, supply, test), supply, "done", now)
    test = replace(test, place=test.place + 1, count=None, thin=None, saw="", note="", limit_s=math.inf)
    return enter(ground, remember(state, supply, test), supply, now)


def enter(ground: Ground, state: State, supply: str, now: Now) -> Told:
    """Have the valves as the step needs them, and measure from then on where nothing is to be done first."""
    test = state.guided.tests[supply]
    commands: list[Command] = []
    lease = state.attended.tests.get(supply)
    opens = test.step.name in UNDER_WATER and lease is not None and lease.runs and not lease.held
    if opens and lease is not None:
        until_s = test.said_s + attended.RENEW_S
        held = frozenset(run for _, run in lease.runs)
        lease = replace(lease, held=held, opened_s=now.elapsed_s, until_s=until_s)
        state, commands = attended.remember(state, supply, lease), attended.openings(lease, now)
    if test.step.name in LEASED and test.step.name != "isolate":
        test = counting(ground, supply, test, now, SETTLE_S)
    elif test.step.name == "isolate" and by_eye(test, meter_of(ground, supply)):
        test = counting(ground, supply, test, now, 0.0)
    return remember(state, supply, test), commands


def facts_of(ground: Ground, state: State, supply: str, test: Guided) -> Facts:
    """What a verdict on a test rests on."""
    zones = {step.zone for step in test.steps if step.zone is not None}
    memory = state.pipes.get(supply)
    learned = {} if memory is None else memory.watch.flows
    usual = {z: expected_l_min(learned[z], None) if z in learned else ground.zones[z].flow_l_min for z in zones}
    pump = ground.site.supply(supply).pump
    return Facts(
        found=test.found,
        meter=meter_of(ground, supply),
        names={z: ground.zones[z].name for z in sorted(zones)},
        flows=usual,
        least_l_min=0.0 if pump is None else pump.least_flow_l_min,
        greatest_l_min=None if pump is None else pump.greatest_flow_l_min,
    )


def finish(ground: Ground, state: State, supply: str, why: str, now: Now) -> Told:
    """A test is over: what it came to is told, journalled and kept; its lease and its zone are shut."""
    test = state.guided.tests[supply]
    lease = state.attended.tests.get(supply)
    if why != "done" and measured(test, now) > 0.0 and test.step.name in LEASED:  # what was counted still counts
        test = replace(test, found=(*test.found, found_now(test, now, _after_s(test, now))))
    verdict = judge(test.kind, facts_of(ground, state, supply, test))
    text = verdict.text if why == "done" else f"Broken off ({why}). {verdict.text}"
    result = Result(kind=test.kind, at=now.wall, text=text, confidence=verdict.confidence)
    tests = {key: other for key, other in state.guided.tests.items() if key != supply}
    results = {**state.guided.results, supply: result}
    state = replace(state, guided=replace(state.guided, tests=tests, results=results))
    commands: list[Command] = [_note(supply, test, verdict, text, now), _topic(supply, result, now)]
    if lease is not None and not lease.closing:
        state, told = attended.end(state, supply, f"the {LABELS[test.kind]} is over", now)
        commands = [*told, *commands]
    running = find(state, test.run_id) if test.run_id else None
    if running is not None:
        state, told = close_now(state, running, f"stopped: the {LABELS[test.kind]} is over", now, Ending.RULED)
        commands = [*told, *commands]
    return state, commands


def _added(count: Count, time_s: float, litres: float, window_s: float) -> Count:
    """A count after one report, of which only the part behind its beginning belongs to it."""
    if window_s <= 0.0 or time_s <= count.from_s:
        return count
    inside = min(1.0, (time_s - count.from_s) / window_s)
    return replace(count, litres=count.litres + litres * inside, seconds=count.seconds + window_s * inside)


def _after_s(test: Guided, now: Now) -> float:
    """Seconds since the zone of a step had shut."""
    return max(0.0, now.elapsed_s - test.since_s) if test.step.name == "after" else 0.0


def _deaf_s(test: Guided) -> float:
    """Elapsed time from which on a meter that should tell of a pump has said nothing for too long."""
    watched = test.step.name == RUN and test.thin is not None
    return max(test.since_s, test.heard_s) + DEAF_S if watched else math.inf


def _run(ground: Ground, state: State, supply: str, test: Guided, now: Now) -> Told:
    """Follow the zone of a step: measured once it is open, and once it has shut the step is done."""
    item = find(state, test.run_id)
    if item is not None:
        if item.opened_at is not None and math.isinf(test.since_s):
            return remember(state, supply, _opened(ground, supply, test, now)), []
        if now.elapsed_s >= _deaf_s(test) - ON_TIME_S:
            return _stop(state, supply, test, item, "the meter said nothing, so nobody saw whether it ran dry", now)
        if now.elapsed_s >= test.limit_s - ON_TIME_S:
            return finish(ground, state, supply, "nothing was said for five minutes", now)
        return state, []
    if math.isinf(test.since_s):
        return finish(ground, state, supply, "the zone did not run", now)
    if supply in state.masters:
        return state, []  # it shuts within seconds, and then the step is done
    if test.kind == "pump":
        return stepped(ground, state, supply, now)
    return _watch_after(ground, state, supply, now)


def _opened(ground: Ground, supply: str, test: Guided, now: Now) -> Guided:
    test = counting(ground, supply, test, now, FILLED_S)
    metered = test.kind == "pump" and meter_of(ground, supply) is not None
    return replace(test, thin=Count(from_s=now.wall.timestamp()) if metered else None)


def _watch_after(ground: Ground, state: State, supply: str, now: Now) -> Told:
    """The zone has shut: the main comes under water again, for its person to watch the lowest head."""
    test = state.guided.tests[supply]
    place = ground.site.supply(supply)
    fault = attended_desk.not_free(ground, state, place)
    if fault:
        return finish(ground, state, supply, fault, now)
    lease = attended_desk.unopened(ground, state, place, (test.who, test.reason), now)
    return stepped(ground, attended.remember(state, supply, lease), supply, now)


def _too_thin(ground: Ground, state: State, supply: str, test: Guided, now: Now) -> Told:
    """Stop a pump's zone where the meter has proved that less than the pump's least flow passes."""
    pump, meter = ground.site.supply(supply).pump, meter_of(ground, supply)
    item = find(state, test.run_id) if test.run_id else None
    if pump is None or meter is None or item is None or test.thin is None:
        return state, []
    least_l_min = max(pump.least_flow_l_min, attended.LEAST_DRAWN_L_MIN)
    if test.thin.seconds < max(DRY_S, meter.verdict_l * 60.0 / least_l_min):
        return state, []
    seen_l_min = (test.thin.litres + meter.pulse_l) * 60.0 / test.thin.seconds
    if seen_l_min >= least_l_min:
        return remember(state, supply, replace(test, thin=Count(from_s=test.thin.from_s + test.thin.seconds))), []
    why = f"it got at most {amount(seen_l_min)} L/min of the {amount(least_l_min)} L/min it needs, and was stopped"
    return _stop(state, supply, test, item, why, now)


def _stop(state: State, supply: str, test: Guided, item: Opening, why: str, now: Now) -> Told:
    state = remember(state, supply, replace(test, note=why, thin=None))
    return close_now(state, item, "stopped: too little flow for the pump", now, Ending.RULED)


def _note(supply: str, test: Guided, verdict: Verdict, text: str, now: Now) -> NoteMaintenance:
    counted = [item.litres for item in test.found if item.litres is not None]
    return NoteMaintenance(
        at=now.wall,
        work=LABELS[test.kind],
        target=supply,
        who=test.who,
        reason=test.reason,
        began=test.began_at,
        seconds=max(0.0, now.elapsed_s - test.began_s),
        litres=math.fsum(counted) if counted else None,
        outcome=f"{text} ({verdict.confidence})",
        facts={
            "confidence": verdict.confidence,
            "smallest_l_min": _finite(verdict.smallest_l_min),
            "steps": [asdict(item) for item in test.found],
        },
    )


def _finite(value: float | None) -> float | None:
    return None if value is None or math.isinf(value) else value


def _topic(supply: str, result: Result, now: Now) -> PublishState:
    body = {"at": now.wall.isoformat(), "test": result.kind, "text": result.text, "confidence": result.confidence}
    return PublishState(topic=f"supply/{supply}/guided", body=body)
