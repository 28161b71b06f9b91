"""The end of an opening: is the run as usual, does it belong to a slow change, and what is learned from it."""

from __future__ import annotations

import math

from dewpond.brain.pipes import usual
from dewpond.brain.pipes.opening import BLANK_S, Suspicion, limits, settle_time_s, start_key, steady_run
from dewpond.brain.pipes.others import draw_limit_l_min
from dewpond.brain.pipes.settings import WatchSettings
from dewpond.brain.pipes.state import Incident, LastRun, Opening, Spread, UsualFlow, UsualStart, WatchState, key_of
from dewpond.brain.pipes.usual import RUN_ALLOWANCE, RUN_LIMIT, Run
from dewpond.brain.pipes.verdict import IDLE_KINDS, SUPPLY_KINDS, ZONE_KINDS
from dewpond.model.copying import replace

# A run this far off is neither learned nor called usual [standard deviations].
GOOD_SCORE = 4.0
# Shorter openings are mere moments between two others: nothing is learned from them. [s]
SHORT_S = 20.0
# Log-likelihood ratio at which runs show that a fault is over: odds of 100 to 1.
BACK = math.log(100.0)
# Where others draw from the meter no single run proves too much flow: three in a row have to be high.
SHARED_SCORE = RUN_ALLOWANCE + RUN_LIMIT / 2.5


def finish(settings: WatchSettings, state: WatchState, opening: Opening) -> tuple[WatchState, Suspicion | None]:
    """Judge a finished opening and learn from it if it was a good run."""
    key = key_of(opening.zones)
    usual_flow = state.flows.get(key)
    own_settle_s = settle_time_s(opening, settings.meter.pulse_l)
    settle_s = _settle_s(settings, state, opening, own_settle_s)
    run = None if settle_s is None else steady_run(settings, opening, settle_s)
    if run is None:
        return _short(settings, state, opening, usual_flow), None
    if usual_flow is None:
        if opening.odd or _doubtful(state):
            return state, None
        return _learned(
            state, opening, usual.first_run(run, opening.total.time_s, settings.meter.shared), own_settle_s, run
        ), None
    return _judged(settings, state, opening, usual_flow, run, own_settle_s)


def proved(suspicion: Suspicion, opening: Opening) -> LastRun:
    """How far off an opening is by what has just been proved of it."""
    seen_l_min = max(suspicion.seen_l_min, 0.001 * suspicion.expected_l_min)
    return LastRun(
        time_s=suspicion.time_s,
        ratio=math.log(seen_l_min / suspicion.expected_l_min),
        excess_l_min=seen_l_min - suspicion.expected_l_min,
        sd=suspicion.doubt,
        odd=True,
        unclosed=opening.unclosed,
    )


def _short(settings: WatchSettings, state: WatchState, opening: Opening, usual_flow: UsualFlow | None) -> WatchState:
    """Learn the start of an opening too short to tell its steady flow, where that is known from longer ones.

    One that was proved to be off, and perhaps stopped for it, is remembered as that.
    """
    if opening.off is not None:
        last = replace(opening.off, time_s=opening.total.time_s)
        return replace(state, last_runs={**state.last_runs, key_of(opening.zones): last})
    if usual_flow is None or usual_flow.runs < settings.runs_to_know or opening.odd or state.incidents:
        return state
    if opening.total.seconds < SHORT_S:
        return state
    ln_kpa = opening.total.ln_kpa_s / opening.total.seconds
    flow_l_min = usual.expected_l_min(usual_flow, ln_kpa if ln_kpa > 0.0 else None)
    return _with_start(state, opening, flow_l_min, opening.total.seconds)


def _settle_s(settings: WatchSettings, state: WatchState, opening: Opening, own_s: float | None) -> float | None:
    """When the run was steady: not before it usually is; None where it was too short to show that it was at all."""
    if own_s is None:
        return None
    start = state.starts.get(start_key(opening))
    bounds = limits(settings, start, 1.0)
    if bounds.known:
        return max(bounds.settle_s, own_s)
    return own_s


def _judged(
    settings: WatchSettings, state: WatchState, opening: Opening, usual_flow: UsualFlow, run: Run, own_s: float | None
) -> tuple[WatchState, Suspicion | None]:
    gap, sd = usual.residual(usual_flow, run), usual.run_sd(usual_flow, run)
    score = gap / sd
    if settings.meter.shared and score < -GOOD_SCORE and usual_flow.runs < settings.runs_to_miss:
        return _learned(state, opening, usual.first_run(run, opening.total.time_s, True), own_s, run), None
    if not opening.odd:
        state = replace(state, incidents=tuple(_weighed(state, item, opening, gap, sd) for item in state.incidents))
    told = [item for item in state.incidents if item.kind in ZONE_KINDS and item.zone in opening.zones]
    odd = opening.odd or abs(score) > GOOD_SCORE or any(item.ratio and item.back < BACK for item in told)
    counted = min(score, SHARED_SCORE) if settings.meter.shared else score
    if opening.total.seconds < BLANK_S:  # what is left of a refill weighs in so short a run: no sign of slow change
        counted = min(score, 0.0)
    last = LastRun(opening.total.time_s, gap, run.flow_l_min * -math.expm1(-gap), sd, odd, opening.unclosed)
    if not (settings.meter.shared and odd and not opening.odd and gap > 0.0):  # perhaps somebody else's water
        state = replace(state, last_runs={**state.last_runs, key_of(opening.zones): last})
    if _doubtful(state):
        return state, None
    if not odd:
        learned = usual.with_score(usual.learn(usual_flow, run, opening.total.time_s), counted)
        state = _learned(state, opening, learned, own_s, run)
    else:
        learned = usual_flow if opening.odd or told else usual.with_score(usual_flow, counted)
        state = replace(state, flows={**state.flows, key_of(opening.zones): learned})
    if settings.meter.shared and score < RUN_ALLOWANCE:  # others only add, and a leak never pauses: there is none
        learned = replace(learned, above=0.0)
        state = replace(state, flows={**state.flows, key_of(opening.zones): learned})
    slow = max(learned.above, learned.below) > usual.RUN_LIMIT
    unknown = usual_flow.runs < settings.runs_to_know or draw_limit_l_min(settings, state.others) == math.inf
    if opening.odd or not slow or unknown:
        return state, None
    calm = replace(learned, above=0.0, below=0.0)
    state = replace(state, flows={**state.flows, key_of(opening.zones): calm})
    last = replace(last, odd=True)
    state = replace(state, last_runs={**state.last_runs, key_of(opening.zones): last})
    return state, _slow_change(opening, usual_flow, run, 1 if learned.above > learned.below else -1, sd)


def _weighed(state: WatchState, item: Incident, opening: Opening, gap: float, sd: float) -> Incident:
    """A zone's incident with what one run says for its end, by Wald's sequential test of two normals.

    ``back`` sums ((r - g)^2 - g^2)/(2 s^2), how much likelier the run is as usual than as when the fault was told.
    """
    if item.ratio == 0.0 or item.kind not in ZONE_KINDS or item.zone not in opening.zones:
        return item
    ratio, own, both = item.ratio, state.flows.get(item.zone), state.flows[key_of(opening.zones)]
    if own is not None and len(opening.zones) > 1:  # beside others the same fault is a smaller share of the flow
        share = usual.expected_l_min(own, None) / usual.expected_l_min(both, None)
        ratio = math.log1p(math.expm1(ratio) * min(share, 1.0))
    likelier = ((ratio - gap) ** 2 - gap**2) / (2.0 * sd**2)
    return replace(item, back=max(item.back + likelier, 0.0))


def _slow_change(opening: Opening, usual_flow: UsualFlow, run: Run, side: int, sd: float) -> Suspicion:
    expected = usual.expected_l_min(usual_flow, run.ln_kpa)
    return Suspicion(
        zones=opening.zones,
        zone=(opening.fresh or opening.zones)[-1],
        side=side,
        time_s=opening.total.time_s,
        expected_l_min=expected,
        seen_l_min=run.flow_l_min,
        doubt=sd,
        lost_l=max(run.flow_l_min - expected, 0.0) * opening.total.seconds / 60.0,
    )


def _doubtful(state: WatchState) -> bool:
    """Nothing is learned while water is lost or a meter or supply is in doubt."""
    return state.incident(SUPPLY_KINDS | IDLE_KINDS) is not None


def _learned(state: WatchState, opening: Opening, flow: UsualFlow, own_settle_s: float | None, run: Run) -> WatchState:
    key = key_of(opening.zones)
    if opening.lead is not None:
        lead = key_of(opening.lead.zones)
        seen = state.leads.get(lead, Spread()).with_value(opening.lead.l_min)
        state = replace(state, leads={**state.leads, lead: seen})
    if run.ln_kpa is not None and state.quiet_kpa is not None:
        flow = replace(flow, drop_kpa=flow.drop_kpa.with_value(state.quiet_kpa - math.exp(run.ln_kpa)))
    state = replace(state, flows={**state.flows, key: flow})
    return state if own_settle_s is None else _with_start(state, opening, run.flow_l_min, own_settle_s)


def _with_start(state: WatchState, opening: Opening, flow_l_min: float, settle_s: float) -> WatchState:
    """The state after one more start; its refill is the most litres that it was ever ahead of its steady flow.

    Below zero where the valve opened late in the first row, which is counted as if it had been open all through it.
    """
    begin = start_key(opening)
    start = state.starts.get(begin, UsualStart())
    marks = opening.marks[1:] or opening.marks
    extra_l = max([mark.litres - flow_l_min * mark.seconds / 60.0 for mark in marks])
    start = UsualStart(
        extra_l=start.extra_l.with_value(extra_l),
        short_l=start.short_l.with_value(opening.short_peak_l),
        settle_s=start.settle_s.with_value(settle_s),
    )
    return replace(state, starts={**state.starts, begin: start})
