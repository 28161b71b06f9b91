"""Whose fault it is: one zone's, the meter's, the supply's or the wiring's.

One zone off is that zone. Zones that share no pipe off by the same factor, with none as usual between them, are the
meter; without a pressure sensor too little everywhere is the supply. Two zones that take each other's flow are wires.
"""

from __future__ import annotations

import math

from dewpond.brain.pipes.opening import NOTHING, Suspicion
from dewpond.brain.pipes.settings import WatchSettings
from dewpond.brain.pipes.state import Incident, LastRun, WatchState, key_of
from dewpond.brain.pipes.usual import expected_l_min
from dewpond.brain.pipes.verdict import IDLE_KINDS, STOP_ZONE, SUPPLY_KINDS, ZONE_KINDS, Verdict
from dewpond.model.copying import replace

# Flow beyond the largest zone's by this factor, beside or without an open zone, is no zone's: the main is broken.
# Common practice, no source.
BREAK_SHARE = 1.25
# Two zones together pass at least this share of the sum of their flows: EPANET runs of a garden and a campus.
TOGETHER = 0.87
# A valve that stayed open passes within this share of its own flow beside another zone.
STILL_OPEN = 0.1
# Where the excess is known no better than within this share of the zone's own flow, a break explains it as well: what
# breaks add is spread over two to three times that flow.
MOST_ROOM = 0.5
# Pressure tells true flow from counted flow when the two would differ by this many of its standard deviations.
APART = 5.0
# Halfway between no draw-down and the usual one lies this many of them from either.
HALFWAY = 4.0
DROPS_TO_KNOW = LEADS_TO_KNOW = 3
SENSOR_SD_KPA = 2.0
# Two ratios of flow agree within this, beside their own uncertainty [of ln q].
AGREE = 0.1


def judge(settings: WatchSettings, state: WatchState, suspicion: Suspicion) -> Verdict | None:
    """The verdict a suspicion leads to; None while an incident explains it."""
    whose = _whose(state, suspicion)
    if _explained(state, suspicion):
        return _again(state, whose) or _broke(settings, state, whose)
    suspicion = whose
    seen = max(suspicion.seen_l_min, 0.001 * suspicion.expected_l_min)
    ratio = math.log(seen / suspicion.expected_l_min)
    twin = _swapped_with(settings, state, suspicion, ratio)
    if twin is not None:
        return _verdict(suspicion, "wrong_zone", twin, (twin, suspicion.zone), sure=True)
    if suspicion.side == 0 and _drawn_uncounted(state, suspicion):
        return _verdict(suspicion, "meter_fault", None, (), sure=True)
    everywhere = _everywhere(state, suspicion, ratio)
    if everywhere is not None:
        return everywhere
    stuck = _still_open(settings, state, suspicion)
    if stuck is not None:
        return _verdict(suspicion, "stuck_open", stuck, (stuck,), sure=False)
    if _meter_by_pressure(state, suspicion):
        return _verdict(suspicion, "meter_fault", None, (), sure=False)
    alone, together = _as_another(state, suspicion)
    sure = not (alone or together)
    kind = _zone_kind(settings, suspicion, ratio, sure)
    verdict = _verdict(suspicion, kind, suspicion.zone, (suspicion.zone,), sure)
    # Another zone's own flow may be crossed wires, and that ground gets its water. So much more than the zone's own is
    # a break, a head that is gone or a second valve, each of which is to be stopped.
    wasted = together and not alone and _zone_kind(settings, suspicion, ratio, sure=True) == "lateral_break"
    return replace(verdict, action=STOP_ZONE) if wasted else verdict


def _again(state: WatchState, suspicion: Suspicion) -> Verdict | None:
    """The word that a zone told as passing nothing was tried once more and passes nothing still."""
    if suspicion.side != 0:
        return None
    for zone in (suspicion.zone, None):
        if any(item.kind == "no_flow" and item.zone == zone for item in state.incidents):
            zones = () if zone is None else (zone,)
            return replace(_verdict(suspicion, "no_flow", zone, zones, sure=zone is not None), again=True)
    return None


def _broke(settings: WatchSettings, state: WatchState, suspicion: Suspicion) -> Verdict | None:
    """The word that a zone told as taking somewhat too much takes far too much by now: its crack is a break."""
    bound = math.log(settings.limits_of(suspicion.zone).break_factor)
    cracked = state.incident(frozenset({"high_flow"}), suspicion.zone)
    if cracked is None or not 0.0 < cracked.ratio < bound or state.incident(SUPPLY_KINDS | IDLE_KINDS) is not None:
        return None
    far = suspicion.side > 0 and math.log(suspicion.seen_l_min / suspicion.expected_l_min) >= bound
    if not far or any(_as_another(state, suspicion)):
        return None
    return _verdict(suspicion, "lateral_break", suspicion.zone, (suspicion.zone,), sure=True)


def _explained(state: WatchState, suspicion: Suspicion) -> bool:
    if state.incident(SUPPLY_KINDS) is not None:
        return True
    if suspicion.side > 0 and state.incident(IDLE_KINDS) is not None:
        return True
    if suspicion.side == 0 and any(item.kind == "no_flow" and item.zone is None for item in state.incidents):
        return True
    return any(state.incident(ZONE_KINDS, zone) is not None for zone in suspicion.zones)


def _whose(state: WatchState, suspicion: Suspicion) -> Suspicion:
    """The suspicion of the one of several zones that is off, and of nothing at all where all its flow is missing.

    It is a zone that was open already, if the flow was off as much before the last one came; else it is the last one.
    """
    lead = None if state.opening is None else state.opening.lead
    usual_lead = None if lead is None else state.leads.get(key_of(lead.zones))
    if lead is None or usual_lead is None or usual_lead.count < LEADS_TO_KNOW:
        return suspicion
    off_before, off_now = lead.l_min - usual_lead.mean, suspicion.seen_l_min - suspicion.expected_l_min
    early = off_before * off_now > 0.5 * off_now**2
    zone = lead.zones[-1] if early else suspicion.zone
    own, usual_own = lead.l_min, usual_lead.mean
    if not early:
        own, usual_own = suspicion.seen_l_min - own, suspicion.expected_l_min - usual_own
    nothing = suspicion.side < 0 and own <= NOTHING * usual_own
    return replace(suspicion, zone=zone, side=0 if nothing else suspicion.side)


def _zone_kind(settings: WatchSettings, suspicion: Suspicion, ratio: float, sure: bool) -> str:
    if suspicion.side > 0:
        broken = ratio >= math.log(settings.limits_of(suspicion.zone).break_factor)
        return "lateral_break" if sure and broken else "high_flow"
    return "no_flow" if suspicion.side == 0 else "low_flow"


def _verdict(suspicion: Suspicion, kind: str, zone: str | None, zones: tuple[str, ...], sure: bool) -> Verdict:
    return Verdict(
        time_s=suspicion.time_s,
        kind=kind,
        zone=zone,
        zones=zones,
        lost_l=suspicion.lost_l,
        expected_l_min=suspicion.expected_l_min,
        seen_l_min=suspicion.seen_l_min,
        sure=sure,
    )


def _odd_elsewhere(state: WatchState, zones: tuple[str, ...]) -> dict[str, LastRun]:
    """Odd runs of sets that share no zone with these, since the last run of such a set that was as usual."""
    apart = {key: run for key, run in state.last_runs.items() if not set(key.split("+")) & set(zones)}
    usual_s = max((run.time_s for run in apart.values() if not run.odd), default=-math.inf)
    return {key: run for key, run in apart.items() if run.odd and run.time_s > usual_s}


def _everywhere(state: WatchState, suspicion: Suspicion, ratio: float) -> Verdict | None:
    """What is the matter when zones that share no pipe are off alike; None where they are not."""
    elsewhere = _odd_elsewhere(state, suspicion.zones).values()
    if any(max(ratio, run.ratio) <= math.log(2.0 * NOTHING) for run in elsewhere):
        return _verdict(suspicion, "no_flow", None, (), sure=False)
    same_side = [run for run in elsewhere if run.ratio * ratio > 0.0]
    stuck = _open_since(state, suspicion, same_side)
    if stuck is not None:
        return _verdict(suspicion, "stuck_open", stuck, (stuck,), sure=False)
    if suspicion.side > 0 and any(_same_litres(suspicion, run, ratio) for run in same_side):
        return _beside(state, suspicion)
    if not any(_same_factor(suspicion, run, ratio) for run in same_side):
        return None
    blind = not state.idle_kpa
    kind = "low_pressure" if blind and suspicion.side < 0 else "meter_fault"
    return _verdict(suspicion, kind, None, (), sure=not blind)


def _open_since(state: WatchState, suspicion: Suspicion, runs: list[LastRun]) -> str | None:
    """The zone that was not seen to close before an odd run and whose flow that run and this one have too much."""
    excess = suspicion.seen_l_min - suspicion.expected_l_min
    if suspicion.side <= 0 or excess <= 0.0:
        return None
    doubt = AGREE + 2.0 * suspicion.doubt * suspicion.seen_l_min / excess
    for run in runs:
        for zone in run.unclosed:
            flow = state.flows.get(zone)
            own = math.inf if flow is None or zone in suspicion.zones else expected_l_min(flow, None)
            if abs(run.excess_l_min / own - 1.0) <= 2.0 * AGREE and abs(excess / own - 1.0) <= doubt:
                return zone
    return None


def _same_factor(suspicion: Suspicion, run: LastRun, ratio: float) -> bool:
    """Whether both zones are off by one factor. While pipe still fills, too little is too little by that at least."""
    doubt = AGREE + 2.0 * math.hypot(run.sd, suspicion.doubt)
    if suspicion.settling and suspicion.side < 0:
        return run.ratio - doubt <= ratio
    return abs(run.ratio - ratio) <= doubt


def _same_litres(suspicion: Suspicion, run: LastRun, ratio: float) -> bool:
    """Whether the same flow was added to both zones, rather than the same factor applied to them."""
    added = abs(math.log((suspicion.seen_l_min - suspicion.expected_l_min) / run.excess_l_min))
    return added <= AGREE + 2.0 * math.hypot(run.sd, suspicion.doubt) and added < abs(run.ratio - ratio)


def _beside(state: WatchState, suspicion: Suspicion) -> Verdict:
    """Water that flows beside whatever zone is open: a valve that never closed, or the main."""
    excess = suspicion.seen_l_min - suspicion.expected_l_min
    flows = {key: expected_l_min(flow, None) for key, flow in state.flows.items() if "+" not in key}
    alike = [key for key, flow in flows.items() if key not in suspicion.zones and abs(excess / flow - 1.0) <= AGREE]
    if excess > BREAK_SHARE * max(flows.values(), default=math.inf):
        return _verdict(suspicion, "main_break", None, (), sure=True)
    if len(alike) == 1:
        return _verdict(suspicion, "stuck_open", alike[0], (alike[0],), sure=False)
    return _verdict(suspicion, "idle_flow", None, (), sure=False)


def _swapped_with(settings: WatchSettings, state: WatchState, suspicion: Suspicion, ratio: float) -> str | None:
    """The zone whose usual flow this one takes while that one took this one's."""
    if suspicion.side == 0:
        return None
    own = suspicion.expected_l_min
    for key, run in _odd_zones(state, suspicion).items():
        usual_flow = state.flows[key]
        if usual_flow.runs < settings.runs_to_know or run.ratio * ratio >= 0.0:
            continue
        other = expected_l_min(usual_flow, None)
        doubt = 0.5 * AGREE + 2.0 * math.hypot(run.sd, suspicion.doubt)
        mine_as_its = abs(math.log(suspicion.seen_l_min / other)) <= doubt
        its_as_mine = abs(math.log(other / own) + run.ratio) <= doubt
        if mine_as_its and its_as_mine:
            return key
    return None


def _odd_zones(state: WatchState, suspicion: Suspicion) -> dict[str, LastRun]:
    return {
        key: run
        for key, run in state.last_runs.items()
        if run.odd and key in state.flows and "+" not in key and key not in suspicion.zones
    }


def _as_another(state: WatchState, suspicion: Suspicion) -> tuple[bool, bool]:
    """Whether the flow is another zone's, and about that of both together: then wires may be the cause."""
    own, alone, together = suspicion.expected_l_min, False, False
    if suspicion.side == 0:
        return alone, together
    for key, usual_flow in state.flows.items():
        if "+" in key or key in suspicion.zones:
            continue
        other = expected_l_min(usual_flow, None)
        doubt = 0.5 * AGREE + 2.0 * suspicion.doubt
        alone = alone or abs(math.log(suspicion.seen_l_min / other)) <= doubt
        together = together or TOGETHER - doubt <= suspicion.seen_l_min / (own + other) <= 1.0 + doubt
    return alone, together


def _still_open(settings: WatchSettings, state: WatchState, suspicion: Suspicion) -> str | None:
    """The zone that passed its full flow up to this opening and whose flow this one has too much: it never closed.

    A break may add that flow by chance, but nearly any other as well; a valve that stays open adds just this one.
    """
    unclosed = () if state.opening is None else state.opening.unclosed
    excess, doubt = _excess(suspicion)
    last = state.last_runs.get(key_of(suspicion.zones))
    if suspicion.side <= 0 or (last is not None and last.odd and last.ratio > 0.0):
        return None  # too much in the run before as well, and the water stopped after it: no valve stayed open
    for zone in unclosed:
        flow = state.flows.get(zone)
        if flow is None or flow.runs < settings.runs_to_know:
            continue
        own = expected_l_min(flow, None if suspicion.kpa is None else math.log(max(suspicion.kpa, 1.0)))
        # Where the pressure is not known, two zones together may draw less than the sum of them alone.
        less = (1.0 - TOGETHER) * (own + suspicion.expected_l_min) if suspicion.kpa is None else STILL_OPEN * own
        low, high = own - less - doubt, own * (1.0 + STILL_OPEN) + doubt
        if low <= excess <= high and high - low <= MOST_ROOM * suspicion.expected_l_min:
            return zone
    return None


def _excess(suspicion: Suspicion) -> tuple[float, float]:
    """What flows too much and how well that is known, L/min: since the opening began, or since the pipe was full."""
    now = suspicion.seen_l_min - suspicion.expected_l_min, suspicion.doubt * suspicion.seen_l_min
    known = [] if suspicion.settling else [now]
    if suspicion.beside_l_min is not None:
        known.append((suspicion.beside_l_min, suspicion.beside_doubt_l_min))
    return min(known, key=lambda pair: pair[1], default=(now[0], math.inf))


def _meter_by_pressure(state: WatchState, suspicion: Suspicion) -> bool:
    """More is counted, but the pressure is drawn down no more than usual: loss grows with the square of the flow."""
    opening, flow = state.opening, state.flows.get(key_of(suspicion.zones))
    if suspicion.side <= 0 or suspicion.kpa is None or opening is None or flow is None:
        return False
    if state.quiet_kpa is None or flow.drop_kpa.count < DROPS_TO_KNOW:
        return False
    usual_kpa, sd_kpa = flow.drop_kpa.mean, math.hypot(flow.drop_kpa.sd(SENSOR_SD_KPA), SENSOR_SD_KPA)
    least_kpa = max(usual_kpa - 2.0 * sd_kpa / math.sqrt(flow.drop_kpa.count), 0.0)
    seen_l_min = suspicion.seen_l_min
    if suspicion.settling:  # filling pipe draws much for some seconds and then no more
        beside = -math.inf if suspicion.beside_l_min is None else suspicion.beside_l_min - suspicion.beside_doubt_l_min
        seen_l_min = suspicion.expected_l_min + max(beside, 0.0)
    more_kpa = least_kpa * ((seen_l_min / suspicion.expected_l_min) ** 2 - 1.0)
    seen_kpa = state.quiet_kpa - suspicion.kpa
    return more_kpa >= APART * sd_kpa and seen_kpa <= usual_kpa + 0.3 * more_kpa


def _drawn_uncounted(state: WatchState, suspicion: Suspicion) -> bool:
    """Nothing is counted, but the pressure is drawn down as these zones usually do: water flows, the meter is dead."""
    flow = state.flows.get(key_of(suspicion.zones))
    if suspicion.kpa is None or flow is None or state.quiet_kpa is None or flow.drop_kpa.count < DROPS_TO_KNOW:
        return False
    usual_kpa, sd_kpa = flow.drop_kpa.mean, math.hypot(flow.drop_kpa.sd(SENSOR_SD_KPA), SENSOR_SD_KPA)
    seen_kpa = state.quiet_kpa - suspicion.kpa
    return usual_kpa >= 2.0 * HALFWAY * sd_kpa and abs(seen_kpa - usual_kpa) <= 0.5 * usual_kpa


def _explained_kinds(state: WatchState, verdict: Verdict) -> frozenset[str]:
    """Kinds of zones' incidents that a verdict on the whole supply takes the place of."""
    if verdict.kind in IDLE_KINDS:  # told while a zone runs, it is the water that zones seemed to take too much
        return frozenset({"high_flow", "lateral_break"}) if state.opening is not None else frozenset()
    if verdict.kind == "meter_fault":
        return ZONE_KINDS
    if verdict.kind in SUPPLY_KINDS or verdict.zone is None:
        return ZONE_KINDS - {"lateral_break"}
    return frozenset()


def raised(state: WatchState, verdict: Verdict) -> WatchState:
    """The state with a verdict's incident open; a supply's takes the place of the zones' it explains."""
    explained = _explained_kinds(state, verdict)
    kept = tuple(item for item in state.incidents if item.kind not in explained)
    if verdict.kind == "lateral_break":
        kept = tuple(item for item in kept if (item.kind, item.zone) != ("high_flow", verdict.zone))
    if verdict.kind == "wrong_zone":
        kept = tuple(item for item in kept if item.zone not in verdict.zones)
    if verdict.kind in IDLE_KINDS:
        kept = tuple(item for item in kept if item.kind not in IDLE_KINDS)
    zones = verdict.zones or (verdict.zone,)
    seen = verdict.seen_l_min or 0.0
    since_s, lost_l = verdict.time_s, verdict.lost_l
    ratio = 0.0
    if verdict.expected_l_min and verdict.kind != "wrong_zone":
        ratio = math.log(max(seen, 0.001 * verdict.expected_l_min) / verdict.expected_l_min)
    new = tuple(
        Incident(kind=verdict.kind, zone=zone, since_s=since_s, seen_l_min=seen, lost_l=lost_l, ratio=ratio)
        for zone in zones
    )
    return replace(state, incidents=(*kept, *new))
