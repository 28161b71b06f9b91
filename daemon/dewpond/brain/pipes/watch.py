"""The watch over one supply: meter rows in, verdicts out, all memory in a frozen state.

Each row goes to the one test that fits what the valves do at that moment: opening, closing or idle. What a test
suspects is weighed in ``causes``, told once in ``verdict``'s words, and stays open as an incident until evidence or a
person ends it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from dewpond.brain.pipes import calm, causes, idle, incidents, opening, runs, supply, usual
from dewpond.brain.pipes.columns import Columns, stretches
from dewpond.brain.pipes.opening import Left
from dewpond.brain.pipes.others import IdleFlow
from dewpond.brain.pipes.rows import MeterRow
from dewpond.brain.pipes.settings import WatchSettings
from dewpond.brain.pipes.state import Opening, WatchState, key_of
from dewpond.brain.pipes.verdict import IDLE_KINDS, Verdict
from dewpond.model.copying import replace

Step = tuple[WatchState, tuple[Verdict, ...]]


def first(settings: WatchSettings) -> WatchState:  # noqa: ARG001 - every watch begins the same, whatever its meter
    """The state of a watch that has seen nothing: not watching yet."""
    return WatchState()


def step(settings: WatchSettings, state: WatchState, rows: Iterable[MeterRow]) -> Step:
    """The state after some rows, oldest first, and the verdicts they led to."""
    told: list[Verdict] = []
    for row in rows:
        state, verdicts = _row(settings, state, row)
        told.extend(verdicts)
    return state, tuple(told)


def step_block(
    settings: WatchSettings, state: WatchState, rows: Columns, openings: Sequence[tuple[str, float, float]]
) -> Step:
    """The same for rows in columns and the openings known by now, (zone, from, to) each; calm stretches at once."""
    told: list[Verdict] = []
    for first_row, end, zones in stretches(rows.time_s, openings):
        place = first_row
        while place < end:
            state, taken = calm.skip(settings, state, rows, (place, end), zones)
            if not taken:
                state, verdicts = _row(settings, state, rows.row(place, zones))
                told.extend(verdicts)
            place += max(taken, 1)
    return state, tuple(told)


def knows(settings: WatchSettings, state: WatchState, zone: str) -> bool:
    """Whether a zone is watched yet; if not, say "not watching", never "no leak"."""
    flow = state.flows.get(zone)
    return flow is not None and flow.runs >= settings.runs_to_know


def accepted(state: WatchState, zone: str) -> WatchState:
    """A person takes a zone's flow of today as its usual: it is learned afresh, and its incidents are over."""
    return replace(
        state,
        flows={key: flow for key, flow in state.flows.items() if zone not in key.split("+")},
        last_runs={key: run for key, run in state.last_runs.items() if zone not in key.split("+")},
        incidents=tuple(item for item in state.incidents if item.zone != zone),
    )


def _row(settings: WatchSettings, state: WatchState, row: MeterRow) -> Step:
    if not 0.0 < row.window_s <= settings.meter.lost_s:
        return _leapt(settings, state, row)
    state, over = incidents.ended(settings, state, row)
    zones = () if state.opening is None else state.opening.zones
    if row.open_zones != zones:
        state, told = _moved(settings, state, row)
        return state, (*over, *told)
    state, told = _pressure(state, row)
    if state.opening is not None:
        state, flow_told = _running(settings, state, state.opening, row)
    else:
        state, flow_told = _idle(settings, state, row)
    return state, (*over, *told, *flow_told)


def _leapt(settings: WatchSettings, state: WatchState, row: MeterRow) -> Step:
    """Everything that was being counted is dropped; what is known stays."""
    begun = (
        opening.begin(replace(row, window_s=0.0), settings.meter.row_s, (), Left(math.inf), None)
        if row.open_zones
        else None
    )
    if begun is not None:
        begun = replace(begun, odd=True)
    others = replace(state.others, minute=(), silent_s=0.0)
    state = replace(state, opening=begun, closing=None, spell=None, others=others)
    return state, (incidents.worded(Verdict(time_s=row.time_s, kind="clock_jump")),)


def _pressure(state: WatchState, row: MeterRow) -> Step:
    kind = supply.pressure_fault(state, row)
    if kind == "low_pressure" and state.opening is not None:
        # The reading is of the row's end, its litres are of all of it: a draw that has just begun explains one row.
        again = state.low_s is not None and row.time_s - state.low_s <= row.window_s
        state = replace(state, low_s=row.time_s)
        kind = kind if again else None
    if kind == "no_supply" and state.opening is not None and not state.opening.odd:
        state = replace(state, opening=replace(state.opening, odd=True))
        if state.incident(frozenset({kind})) is not None:  # tried once more, and there is no water still
            return state, (incidents.worded(Verdict(time_s=row.time_s, kind=kind, again=True)),)
    if kind is None or state.incident(IDLE_KINDS | {"no_supply", kind}) is not None:
        return state, ()
    return incidents.tell(state, Verdict(time_s=row.time_s, kind=kind, expected_l_min=None, seen_l_min=None))


def _moved(settings: WatchSettings, state: WatchState, row: MeterRow) -> Step:
    """Valves moved within this row's window: the opening before is judged, the next one begins."""
    before = state.opening
    told: tuple[Verdict, ...] = ()
    left = Left()
    if before is not None:
        state, suspicion = runs.finish(settings, state, before)
        if suspicion is not None:
            state, told = _suspected(settings, state, replace(suspicion, time_s=row.time_s))
        left = _left(state, before, row)
    elif state.closing is not None:
        limit_l = idle.closing_limit_l(settings, state, state.closing.zones) or 0.0
        left = Left(limit_l, state.closing.zones if state.closing.full else ())
        state = replace(state, closing=None) if state.closing.full else idle.closing_done(state)
    if row.open_zones:
        usual_flow = state.flows.get(key_of(row.open_zones))
        begun = opening.begin(row, settings.meter.row_s, () if before is None else before.zones, left, usual_flow)
        begun = replace(begun, lead=opening.lead_in(before, begun))
        return replace(state, opening=begun, closing=None, spell=None), told
    closed = None if before is None else idle.close(settings, state, before.zones, row)
    return replace(state, opening=None, closing=closed, spell=None), told


def _left(state: WatchState, before: Opening, row: MeterRow) -> Left:
    """What the zones that closed in this very row leave to those that opened in it."""
    flow = state.flows.get(key_of(before.zones))
    gone = tuple(zone for zone in before.zones if zone not in row.open_zones)
    if not gone:
        return Left(0.0, before.unclosed)
    if flow is None:
        return Left()
    return Left(usual.expected_l_min(flow, None) * (row.window_s + opening.VALVE_S) / 60.0, gone)


def _running(settings: WatchSettings, state: WatchState, now_open: Opening, row: MeterRow) -> Step:
    now_open, suspicion = opening.step(settings, state, now_open, row)
    if settings.meter.shared:
        bounds = opening.limits(settings, state.starts.get(opening.start_key(now_open)), 1.0)
        now_open = opening.windowed(now_open, bounds.settle_s)
    state = replace(state, opening=now_open)
    if suspicion is None:
        return state, ()
    now_open = replace(now_open, odd=True, off=runs.proved(suspicion, now_open))
    return _suspected(settings, replace(state, opening=now_open), suspicion)


def _suspected(settings: WatchSettings, state: WatchState, suspicion: opening.Suspicion) -> Step:
    verdict = causes.judge(settings, state, suspicion)
    if verdict is None:
        return state, ()
    return (state, (incidents.worded(verdict),)) if verdict.again else incidents.tell(state, verdict)


def _idle(settings: WatchSettings, state: WatchState, row: MeterRow) -> Step:
    if state.closing is not None:
        state, flow = idle.closing_step(settings, state, row)
    else:
        state = supply.heard_idle(state, row)
        state, flow = idle.idle_step(settings, state, row)
    return (state, ()) if flow is None else _flows_idle(state, flow)


def _flows_idle(state: WatchState, flow: IdleFlow) -> Step:
    """Water flows with all valves closed; an incident already told is told again only when it has become a break."""
    open_now = state.incident(IDLE_KINDS)
    kind = incidents.idle_kind(state, flow)
    if open_now is not None and (kind != "main_break" or open_now.kind == "main_break"):
        return state, ()
    return incidents.tell(
        state,
        Verdict(
            time_s=flow.time_s,
            kind=kind,
            zone=flow.zone if kind == "stuck_open" else None,
            lost_l=flow.lost_l,
            expected_l_min=flow.expected_l_min,
            seen_l_min=flow.seen_l_min,
            sure=kind != "idle_flow",
        ),
    )
