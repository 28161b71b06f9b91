"""Where no meter counts, other sensors hint at lost water, and plain words say what nobody sees.

A soil probe that gets wet though its zone was not watered and it did not rain, and a pressure that falls below what it
ever is at this hour while every valve is shut. Both are told as a hint and stop nothing. What bounds the loss without
a meter are the ends and caps of every opening. Nothing here ever says that there is no leak.
"""

from __future__ import annotations

from dataclasses import dataclass

from dewpond.brain import alarms
from dewpond.brain.ground import Ground
from dewpond.brain.hint_state import PressureHint, ProbeHint
from dewpond.brain.openings import active
from dewpond.brain.pipes import supply as pressures
from dewpond.brain.pipes.rows import MeterRow
from dewpond.brain.state import State
from dewpond.brain.water_need import ceiling_s
from dewpond.model.commands import Command
from dewpond.model.copying import replace
from dewpond.model.events import Now, RainKnown, ReadingsArrived
from dewpond.model.site import Site

# All limits are common practice, no source. A probe repeats within 0.01 m3/m3; a wetting front adds 0.05 and more.
RISE_M3_M3, RISE_WITHIN_S = 0.03, 2.0 * 3600.0
TAKEN_EVERY_S = 300.0
OWN_S, OTHERS_S, RAIN_S = 12.0 * 3600.0, 3.0 * 3600.0, 12.0 * 3600.0  # a wetting of this age may still reach a probe
GAUGED_S = 3600.0  # gauges report at least so often while it rains
RAIN_MM = 0.5  # less does not reach a probe
FROST_C = 3.0  # ground that thaws reads wetter without any water
SETTLED_S = 600.0  # after a run until the pressure has come back
LASTS_S = 600.0  # so long a pressure is low before it is told, and back before that is over
FRESH_S = 1800.0
ASIDE = "Keep off wet ground near electrics, and have buried services located before digging."
Told = tuple[State, list[Command]]


@dataclass(frozen=True, slots=True)
class Places:
    """What may hint at a site: probes of zones, and gauges of supplies, that no meter watches; rain and air sensors."""

    probes: dict[str, str]  # sensor id -> zone id
    gauges: dict[str, str]  # sensor id -> supply id
    rain: frozenset[str]
    air: frozenset[str]


def places(site: Site) -> Places:
    """The sensors of a site that may hint."""
    blind = {supply.id for supply in site.supplies if supply.meter is None}
    zones = {zone.id for zone in site.zones if zone.supply in blind}
    return Places(
        probes={s.id: s.zone for s in site.sensors if s.kind == "soil_moisture" and s.zone in zones and s.zone},
        gauges={supply.pressure: supply.id for supply in site.supplies if supply.id in blind and supply.pressure},
        rain=frozenset(s.id for s in site.sensors if s.kind == "rain"),
        air=frozenset(s.id for s in site.sensors if s.kind == "temperature"),
    )


def not_watching(ground: Ground, where: Places, supply: str) -> str:
    """What is and is not seen of a supply without a meter, as one sentence that begins "not watching"."""
    zones = [zone for zone in ground.site.zones if zone.supply == supply]
    probes = [ground.zones[zone].name for zone in where.probes.values() if ground.zones[zone].supply == supply]
    longest_s = max((ceiling_s(zone) for zone in zones), default=0.0)
    parts = ["this supply has no flow meter"]
    if zones:
        parts.append(f"every opening ends in time, after {longest_s / 60.0:.0f} min at the most")
    if probes:
        parts.append(f"a probe may hint at water in {' and '.join(probes)}")
    if supply in where.gauges.values():
        parts.append("the pressure may hint at water that leaves")
    parts.append("a broken pipe, a valve that does not close and a clogged head are not seen: look by eye")
    return f"not watching: {'; '.join(parts)}"


def hear(ground: Ground, where: Places, state: State, block: ReadingsArrived, now: Now) -> Told:
    """Take up one sensor's block where it may hint at something."""
    if not len(block.time_s):
        return state, []
    if block.sensor in where.rain:
        return _gauged(ground, where, state, block, now)
    if block.sensor in where.probes:
        return _probe(ground, where, state, block, now)
    if block.sensor in where.gauges:
        return _gauge(ground, state, where.gauges[block.sensor], block, now)
    return state, []


def on_rain(ground: Ground, where: Places, state: State, event: RainKnown, now: Now) -> Told:
    """A day's rain is known: it explains what probes showed that day, or leaves it to be told."""
    if event.rain_mm is None or not state.hints.probes:
        return state, []
    if event.rain_mm >= RAIN_MM:
        state = _rained(state, ground.days.end_s(event.date))
    commands: list[Command] = []
    for sensor, hint in state.hints.probes.items():
        if hint.rise and ground.days.date_at(hint.rise_at_s) == event.date:
            state, told = _judged(ground, where, state, sensor, now)
            commands += told
    return state, commands


def _gauged(ground: Ground, where: Places, state: State, block: ReadingsArrived, now: Now) -> Told:
    """Rain by a gauge on the spot; where it has told of none until well after a probe's rise, that is told."""
    wet = block.time_s[block.value > 0.0]
    state = _rained(state, float(wet[-1])) if len(wet) else state
    commands: list[Command] = []
    for sensor, hint in state.hints.probes.items():
        if hint.rise and float(block.time_s[-1]) >= hint.rise_at_s + GAUGED_S:
            state, told = _judged(ground, where, state, sensor, now)
            commands += told
    return state, commands


def _rained(state: State, at_s: float) -> State:
    return replace(state, hints=replace(state.hints, rained_s=max(state.hints.rained_s, at_s)))


def _probe(ground: Ground, where: Places, state: State, block: ReadingsArrived, now: Now) -> Told:
    """Two readings in a row that lie well above the lowest of the last two hours are a rise."""
    hint = state.hints.probes.get(block.sensor, ProbeHint())
    recent = hint.recent
    for at_s, value in zip(block.time_s.tolist(), block.value.tolist(), strict=True):
        if not recent or at_s - recent[-1][0] >= TAKEN_EVERY_S:
            recent = (*(item for item in recent if item[0] >= at_s - RISE_WITHIN_S), (at_s, value))
    if recent == hint.recent:
        return state, []
    lowest = min(value for _, value in recent)
    latest = [value for _, value in recent[-2:]]
    hint = replace(hint, recent=recent)
    key = _probe_key(block.sensor)
    if key in state.alarms:
        state = _with_probe(state, block.sensor, hint)
        dried = latest[-1] <= hint.back_to
        return alarms.cleared(state, key, now, "the probe reads as before") if dried else (state, [])
    rise, at_s = min(latest) - lowest, recent[-1][0]
    if len(recent) < 3 or rise < RISE_M3_M3 or _watered(ground, state, where.probes[block.sensor], at_s):
        return _with_probe(state, block.sensor, hint), []
    first = not hint.rise or at_s - hint.rise_at_s > RISE_WITHIN_S
    hint = replace(hint, rise=rise, rise_at_s=at_s, back_to=lowest + 0.5 * rise) if first else hint
    return _with_probe(state, block.sensor, hint), []


def _judged(ground: Ground, where: Places, state: State, sensor: str, now: Now) -> Told:
    """Tell of a probe's rise, unless rain, frost or its own failing explains it."""
    hint, zone = state.hints.probes[sensor], ground.zones[where.probes[sensor]]
    state = _with_probe(state, sensor, replace(hint, rise=0.0))
    cold = any(
        _fresh(state, each, hint.rise_at_s, FRESH_S) and state.sensors[each].value < FROST_C for each in where.air
    )
    switch = ground.site.supply(zone.supply).rain_switch
    rained = hint.rise_at_s - state.hints.rained_s < RAIN_S or (switch or "") in state.wet_since_s
    probe = None if state.belief is None else state.belief.probes.get(sensor)
    if cold or rained or (probe is not None and probe.given_up):
        return state, []
    text = (
        f"The soil probe {sensor} in {zone.name} got wetter by {hint.rise:.2f} m3/m3 although the zone was not watered "
        "and no rain is known: a leak, a valve that weeps or does not close, water from elsewhere, or rain that was "
        "not measured. No meter here can tell. Nothing was stopped. Look at the zone's heads and valve; if it is wet, "
        f"shut the supply by hand. {ASIDE}"
    )
    facts = {"sensor": sensor, "rise_m3_m3": round(hint.rise, 3), "done": "none", "sure": False}
    return alarms.raised(state, _probe_key(sensor), "idle_flow", text, now, zone.id, facts)


def _watered(ground: Ground, state: State, zone: str, at_s: float) -> bool:
    """Whether water that was given may have reached a probe: its own zone's for long, any other's for hours."""
    if active(state):
        return True
    for other, (end_s, _) in state.last_runs.items():
        if other in ground.zones and at_s - end_s < (OWN_S if other == zone else OTHERS_S):
            return True
    return False


def _fresh(state: State, sensor: str, at_s: float, within_s: float) -> bool:
    known = state.sensors.get(sensor)
    return known is not None and abs(at_s - known.at_s) <= within_s


def _probe_key(sensor: str) -> str:
    return f"hint/probe/{sensor}"


def _with_probe(state: State, sensor: str, hint: ProbeHint) -> State:
    return replace(state, hints=replace(state.hints, probes={**state.hints.probes, sensor: hint}))


def _gauge(ground: Ground, state: State, supply: str, block: ReadingsArrived, now: Now) -> Told:
    """The pressure of a supply while nothing is open there, by the pipe watch's own bounds for a low one."""
    hint, at_s = state.hints.pressures.get(supply, PressureHint()), float(block.time_s[-1])
    if at_s - hint.taken_s < TAKEN_EVERY_S or not _at_rest(ground, state, supply, at_s):
        return state, []
    row = MeterRow(at_s, 0.0, TAKEN_EVERY_S, float(block.value[-1]), ())
    low = pressures.pressure_fault(hint.usual, row) is not None
    usual = hint.usual if low else pressures.heard_idle(hint.usual, row)
    hint = PressureHint(
        usual=usual,
        taken_s=at_s,
        low_since_s=min(hint.low_since_s, at_s) if low else float("inf"),
        fine_since_s=float("inf") if low else min(hint.fine_since_s, at_s),
    )
    state = replace(state, hints=replace(state.hints, pressures={**state.hints.pressures, supply: hint}))
    key = f"hint/pressure/{supply}"
    if low and at_s - hint.low_since_s >= LASTS_S:
        usual_kpa = pressures.usual_kpa(hint.usual, at_s) or 0.0
        text = (
            f"With every valve shut the pressure of {supply} is {row.pressure_kpa:.0f} kPa, usual at this hour are "
            f"{usual_kpa:.0f} kPa: water leaves, or the supply gives less. No meter here can tell. Nothing was "
            f"stopped. Ask a neighbour or look at the pump; if they are well, look along the main. {ASIDE}"
        )
        facts = {"supply": supply, "done": "none", "sure": False}
        return alarms.raised(state, key, "low_pressure", text, now, None, facts)
    if key in state.alarms and at_s - hint.fine_since_s >= LASTS_S:
        return alarms.cleared(state, key, now, "the pressure is as usual again")
    return state, []


def _at_rest(ground: Ground, state: State, supply: str, at_s: float) -> bool:
    """Whether every valve of a supply has been shut long enough for its pressure to have come back."""
    if active(state, supply) or supply in state.masters or supply in state.attended.tests:
        return False
    here = [zone.id for zone in ground.site.zones if zone.supply == supply]
    ends_s = [state.last_runs[zone][0] for zone in here if zone in state.last_runs]
    return all(at_s - end_s >= SETTLED_S for end_s in ends_s)
