"""Water with every valve closed: the minute after closing, then pulse by pulse, and on shared meters by the hour."""

from __future__ import annotations

import math

from dewpond.brain.pipes.causes import BREAK_SHARE
from dewpond.brain.pipes.opening import VALVE_S
from dewpond.brain.pipes.others import CLOSING_S, IdleFlow, draw_limit_l_min, shared_step
from dewpond.brain.pipes.rows import MeterRow
from dewpond.brain.pipes.settings import WatchSettings
from dewpond.brain.pipes.state import Closing, Spell, Spread, WatchState, key_of
from dewpond.brain.pipes.usual import expected_l_min
from dewpond.brain.pipes.verdict import ZONE_KINDS
from dewpond.model.copying import replace

# A meter starts to turn at about this share of Q1; slower pulses are not a flow. Common practice, no source.
START_SHARE = 0.25
# Flow right after closing that is at least this share of the zone's own is the zone's.
STUCK_SHARE = 0.4
# A row that carries this share of a zone's flow shows no closing within it.
FULL_SHARE = 0.9


def close(settings: WatchSettings, state: WatchState, zones: tuple[str, ...], row: MeterRow) -> Closing:
    """The last valve has closed within this row's window."""
    return Closing(zones=zones, since_s=row.time_s, full=is_full(settings, state, zones, row))


def is_full(settings: WatchSettings, state: WatchState, zones: tuple[str, ...], row: MeterRow) -> bool:
    """Whether these zones passed their full flow over the whole row, although they were closed in it or before."""
    flow = state.flows.get(key_of(zones))
    if flow is None or flow.runs < settings.runs_to_know:
        return False
    full_l = swollen(state, zones) * expected_l_min(flow, None) * row.window_s / 60.0
    return row.litres >= FULL_SHARE * full_l - settings.meter.pulse_l


def closing_limit_l(settings: WatchSettings, state: WatchState, zones: tuple[str, ...]) -> float | None:
    """Litres these zones may pass after the row in which they closed; None while their flow is not known."""
    usual_flow = state.flows.get(key_of(zones))
    if usual_flow is None or usual_flow.runs < settings.runs_to_know:
        return None
    more = swollen(state, zones)
    flow_l_min = more * expected_l_min(usual_flow, usual_flow.ref_ln_kpa or None)
    seen = state.closings.get(key_of(zones), Spread())
    if seen.count < settings.runs_to_know:
        return flow_l_min * VALVE_S / 60.0
    floor_l = max(settings.meter.pulse_l / 12.0**0.5, flow_l_min / 60.0)
    return min(more * seen.upper(settings.width, floor_l), flow_l_min * VALVE_S / 60.0)


def swollen(state: WatchState, zones: tuple[str, ...]) -> float:
    """How much more than usual these zones passed up to now: a broken lateral passes more while it closes as well."""
    last, flow = state.last_runs.get(key_of(zones)), state.flows.get(key_of(zones))
    more = math.exp(last.ratio) if last is not None and last.odd else 1.0
    broken = [item.seen_l_min for item in state.incidents if item.zone in zones and item.kind in ZONE_KINDS]
    if flow is not None and broken:
        more = max(more, *(seen_l_min / expected_l_min(flow, None) for seen_l_min in broken))
    return max(more, 1.0)


def closing_step(settings: WatchSettings, state: WatchState, row: MeterRow) -> tuple[WatchState, IdleFlow | None]:
    """One row within the minute after closing."""
    closing = state.closing
    if closing is None:
        return state, None
    full = closing.full and is_full(settings, state, closing.zones, row)
    closing = replace(closing, litres=closing.litres + row.litres, seconds=closing.seconds + row.window_s, full=full)
    if closing.seconds >= CLOSING_S:
        return closing_done(replace(state, closing=closing)), None
    limit_l = closing_limit_l(settings, state, closing.zones)
    drawn_l = draw_limit_l_min(settings, state.others) * closing.seconds / 60.0
    state = replace(state, closing=closing)
    slow = closing.seconds <= VALVE_S + settings.meter.row_s and not is_full(settings, state, closing.zones, row)
    if slow or row.litres <= 0.0:
        return state, None  # the flow falls, or is over: a slow valve
    if limit_l is None or closing.litres <= limit_l + drawn_l + settings.meter.verdict_l - 1e-9:
        return state, None
    return replace(state, closing=None), _after_closing(settings, state, closing, row)


def closing_done(state: WatchState) -> WatchState:
    """The closing was a usual one: remember what it let through."""
    closing = state.closing
    if closing is None or closing.seconds <= 0.0:
        return replace(state, closing=None)
    key = key_of(closing.zones)
    seen = state.closings.get(key, Spread()).with_value(closing.litres)
    return replace(state, closing=None, closings={**state.closings, key: seen})


def _after_closing(settings: WatchSettings, state: WatchState, closing: Closing, row: MeterRow) -> IdleFlow:
    seen = closing.litres * 60.0 / closing.seconds
    last = row.litres * 60.0 / row.window_s
    flows = {zone: expected_l_min(state.flows[zone], None) for zone in closing.zones if zone in state.flows}
    zone = min(flows, key=lambda name: abs(flows[name] - seen), default=closing.zones[-1])
    least, doubt = min(seen, last), settings.meter.pulse_l * 60.0 / closing.seconds
    if _flowed_beside(state, closing.zones, least):
        zone = _ran_before(state, closing)
        flows = {zone: expected_l_min(state.flows[zone], None)} if zone in state.flows else {}
    own_l_min = flows.get(zone, seen if zone else math.inf)
    # More than the zone ever passes is not the zone's: then the main is open, whatever valve was closed last.
    stuck = STUCK_SHARE * own_l_min <= least <= BREAK_SHARE * own_l_min + doubt
    return IdleFlow(
        time_s=row.time_s,
        zone=zone if stuck else None,
        seen_l_min=seen,
        expected_l_min=0.0,
        lost_l=closing.litres,
    )


def _flowed_beside(state: WatchState, zones: tuple[str, ...], l_min: float) -> bool:
    """Whether what flows on is only what flowed beside these zones in their run: then they have closed."""
    last, flow = state.last_runs.get(key_of(zones)), state.flows.get(key_of(zones))
    if last is None or flow is None or not last.odd or last.excess_l_min <= 0.0:
        return False
    return l_min < last.excess_l_min + STUCK_SHARE * expected_l_min(flow, None)


def _ran_before(state: WatchState, closing: Closing) -> str:
    """The zone that ran last before these; "" where none is known. One of an earlier run would have shown in it."""
    apart = {key: run for key, run in state.last_runs.items() if not set(key.split("+")) & set(closing.zones)}
    latest = max(apart, key=lambda key: apart[key].time_s, default="")
    return latest if latest in state.flows and "+" not in latest else ""


def idle_step(settings: WatchSettings, state: WatchState, row: MeterRow) -> tuple[WatchState, IdleFlow | None]:
    """One row with every valve closed for more than a minute."""
    if settings.meter.shared:
        others, flow = shared_step(settings, state.others, row)
        return replace(state, others=others), flow
    if row.litres <= 0.0:
        return state, None
    spell = _grown_spell(settings, state.spell, row)
    state = replace(state, spell=spell)
    if spell.litres < settings.meter.verdict_l - 1e-9:
        return state, None
    return state, IdleFlow(
        time_s=row.time_s, zone=None, seen_l_min=_spell_l_min(settings, spell), expected_l_min=0.0, lost_l=spell.litres
    )


def _grown_spell(settings: WatchSettings, spell: Spell | None, row: MeterRow) -> Spell:
    longest_gap_s = settings.meter.pulse_l * 60.0 / (START_SHARE * settings.meter.q1_l_min)
    if spell is None or row.time_s - spell.last_s > longest_gap_s:
        return Spell(row.time_s, row.time_s, row.litres, row.litres)
    return Spell(spell.first_s, row.time_s, spell.litres + row.litres, spell.first_l)


def _spell_l_min(settings: WatchSettings, spell: Spell) -> float:
    """Mean flow of a spell; pulses of one row came within the time between two rows."""
    if spell.last_s > spell.first_s:
        return (spell.litres - spell.first_l) * 60.0 / (spell.last_s - spell.first_s)
    return spell.litres * 60.0 / settings.meter.row_s
