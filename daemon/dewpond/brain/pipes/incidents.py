"""Incidents: told once, kept open, ended by evidence."""

from __future__ import annotations

from dewpond.brain.pipes import causes, supply
from dewpond.brain.pipes.opening import expected_of_row, start_key
from dewpond.brain.pipes.others import IdleFlow, quiet_s
from dewpond.brain.pipes.rows import MeterRow
from dewpond.brain.pipes.settings import WatchSettings
from dewpond.brain.pipes.state import Incident, WatchState, key_of
from dewpond.brain.pipes.usual import expected_l_min
from dewpond.brain.pipes.verdict import IDLE_KINDS, NOTHING_DONE, ZONE_KINDS, Verdict
from dewpond.brain.pipes.wording import WORDS
from dewpond.model.copying import replace

# Idle flow is over after this long without a pulse, or after this many of its own pulse intervals.
OVER_S = 600.0
OVER_PULSES = 5.0
# Two good runs end a zone's incident; two zones' good runs end the meter's.
GOOD_RUNS = 2.0
WASTING = frozenset({"lateral_break", "high_flow"})
EXPLAINED = "another fault, told now, explains it"


def worded(verdict: Verdict) -> Verdict:
    """The verdict with its sentences and the action it asks for."""
    words = WORDS["no_flow_anywhere" if verdict.kind == "no_flow" and verdict.zone is None else verdict.kind]
    zone = " and ".join(verdict.zones) if len(verdict.zones) > 1 else verdict.zone or ""
    return replace(
        verdict,
        what=words.what.format(zone=zone),
        next_step=words.next_step.format(zone=zone),
        action=words.action if verdict.action == NOTHING_DONE else verdict.action,
    )


def tell(state: WatchState, verdict: Verdict) -> tuple[WatchState, tuple[Verdict, ...]]:
    """Open the incident of a verdict and put it into words; those that it explains are over."""
    after = causes.raised(state, verdict)
    explained = [item for item in state.incidents if item not in after.incidents]
    over = [
        Verdict(time_s=verdict.time_s, kind=item.kind, zone=item.zone, over=True, what=EXPLAINED) for item in explained
    ]
    return after, (*over, worded(verdict))


def idle_kind(state: WatchState, flow: IdleFlow) -> str:
    """Stuck valve, broken main or plain idle flow."""
    if flow.zone is not None:
        return "stuck_open"
    largest = max((expected_l_min(item, None) for item in state.flows.values()), default=0.0)
    return "main_break" if largest > 0.0 and flow.seen_l_min > causes.BREAK_SHARE * largest else "idle_flow"


def ended(settings: WatchSettings, state: WatchState, row: MeterRow) -> tuple[WatchState, tuple[Verdict, ...]]:
    """Incidents that this row ends, each told as over."""
    if not state.incidents:
        return state, ()
    kept: list[Incident] = []
    over: list[Verdict] = []
    for item in state.incidents:
        calmer = _calmer(settings, state, _losing(settings, state, item, row), row)
        if calmer is None:
            over.append(Verdict(time_s=row.time_s, kind=item.kind, zone=item.zone, lost_l=item.lost_l, over=True))
        else:
            kept.append(calmer)
    return replace(state, incidents=tuple(kept)), tuple(over)


def _losing(settings: WatchSettings, state: WatchState, item: Incident, row: MeterRow) -> Incident:
    """The incident with the litres that this row adds to its loss; refill of later openings is none."""
    opening = state.opening
    if item.kind in IDLE_KINDS and opening is None and not settings.meter.shared:
        return replace(item, lost_l=item.lost_l + row.litres)
    if item.kind not in WASTING or opening is None or item.zone not in opening.zones or row.open_zones != opening.zones:
        return item
    flow, start = state.flows.get(key_of(opening.zones)), state.starts.get(start_key(opening))
    filling_s = 0.0 if start is None or opening.first_end_s <= item.since_s else start.settle_s.mean
    if flow is None or row.time_s - opening.first_end_s <= filling_s:
        return item
    return replace(item, lost_l=item.lost_l + max(row.litres - expected_of_row(flow, row), 0.0))


def _calmer(settings: WatchSettings, state: WatchState, item: Incident, row: MeterRow) -> Incident | None:
    """The incident after a row, None when it is over."""
    if item.kind in IDLE_KINDS:
        return _idle_calmer(settings, state, item, row)
    if item.kind in ("low_pressure", "no_supply") and row.pressure_kpa is not None:
        return _after(item, 0.0 if supply.is_low(state, row) else item.calm + row.window_s, supply.BACK_S)
    good = [
        key
        for key, run in state.last_runs.items()
        if not run.odd and run.time_s > item.since_s and (item.zone is None or item.zone in key.split("+"))
    ]
    if item.kind in ZONE_KINDS and item.zone is not None:
        return None if good else item
    return None if len(good) >= GOOD_RUNS else item


def _idle_calmer(settings: WatchSettings, state: WatchState, item: Incident, row: MeterRow) -> Incident | None:
    if state.opening is not None or row.open_zones:
        return item
    if settings.meter.shared:
        return None if state.others.silent_s >= quiet_s(settings) else item
    interval_s = settings.meter.pulse_l * 60.0 / max(item.seen_l_min, 1e-6)
    return _after(item, 0.0 if row.litres > 0.0 else item.calm + row.window_s, max(OVER_S, OVER_PULSES * interval_s))


def _after(item: Incident, calm_s: float, enough_s: float) -> Incident | None:
    return None if calm_s >= enough_s else replace(item, calm=calm_s)
