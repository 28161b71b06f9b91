"""Tonight's plan: each zone's need, packed into the hours that are allowed, with the reason of every zone.

The plan is made before the window opens and made again when weather arrives; zones whose watering has begun are
left alone, all others are decided afresh.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from dewpond.brain import (
    caps,
    carried,
    establishment,
    locks,
    name_again,
    place_record,
    plan_inputs,
    proving_words,
    water_in,
    water_need,
)
from dewpond.brain.belief import daily, metered
from dewpond.brain.ground import Ground
from dewpond.brain.packing import Decided, Piece, pack_all
from dewpond.brain.plan_reasons import with_reasons
from dewpond.brain.plan_rows import plan_rows, plan_topics
from dewpond.brain.rules import book, calendar, forecasts, litres, percent, plugged, room
from dewpond.brain.rules.outlook import ask
from dewpond.brain.rules.plugged import Asked
from dewpond.brain.rules.question import Depth, Question
from dewpond.brain.rules_of_place import Interval
from dewpond.brain.state import NightState, Opening, State, WaterInState
from dewpond.brain.timetable import GUARD_S, Chain
from dewpond.brain.tonight import Tonight
from dewpond.brain.water_need import Need
from dewpond.model.commands import Command
from dewpond.model.copying import replace
from dewpond.model.site import Zone
from dewpond.model.states import ValveState

RECENT_S = 12 * 3600.0  # openings before tonight's window that are still shown beside it


def plan_night(ground: Ground, state: State, day: date, now_s: float) -> tuple[State, list[Command]]:
    """Decide the night that opens on ``day`` for every zone whose watering has not begun."""
    ground = place_record.declared(ground, state)
    begun = _begun_zones(state, day)
    tonight = _tonight(ground, state, day, now_s, _taken(state, begun))
    decided = [_decide(ground, state, tonight, zone) for zone in ground.site.zones if zone.id not in begun]
    kept = tuple(item for item in state.openings if item.window_date != day or item.zone in begun or _besides(item))
    decided = [_with_starts(ground, state, tonight, item) for item in decided]
    pieces = pack_all(ground, decided, kept)
    fresh = _openings(tonight.night, decided, pieces, name_again.first_number(state, day))
    commands = plan_rows(state.openings, kept, fresh)
    openings = tuple(sorted((*kept, *fresh), key=lambda item: (item.start_s, item.run_id)))
    new = () if state.night is not None and state.night.window_date == day else ground.table.ids
    commands += plan_topics(state.openings, openings, day, now_s, new)
    finished = tuple(item for item in state.finished if item.start_s >= tonight.night.opens_s - RECENT_S)
    commands += tonight.asked.asks
    state = replace(state, night=tonight.night, openings=openings, finished=finished, rule_words=tonight.asked.words)
    state, short = carried.record(state, tonight, decided, pieces)
    state, told = with_reasons(ground, state, tonight, decided, pieces)
    return state, commands + short + told


def _besides(item: Opening) -> bool:
    """Whether an opening stands beside the night's plan."""
    return item.by_hand or item.extra


def _begun(item: Opening) -> bool:
    return not _besides(item) and (item.state is not ValveState.WAITING or item.resumed)


def _begun_zones(state: State, day: date) -> set[str]:
    return {item.zone for item in (*state.finished, *state.openings) if item.window_date == day and _begun(item)}


def _taken(state: State, begun: set[str]) -> list[Opening]:
    """Openings still to come or running that no new decision moves."""
    by_night = (item for item in state.openings if item.source != establishment.SOURCE)
    return [item for item in by_night if item.zone in begun and not _besides(item)]


def _tonight(ground: Ground, state: State, day: date, now_s: float, taken: Sequence[Opening]) -> Tonight:
    night = state.night
    if night is None or night.window_date != day:
        window = ground.rules.window(day)
        night = NightState(window_date=day, opens_s=window.opens_s, closes_s=window.closes_s)
    expected = ground.assumed_eto(state.soil, ground.days.date_at(now_s))
    at_s = max(now_s, night.closes_s)
    belief = daily.fitting(ground, state.soil, state.belief)
    depletion_mm, depletion_sd_mm = daily.depletion(ground, belief, state.soil, at_s, expected.eto_mm)
    careful_mm = daily.careful_mm(ground, belief, depletion_mm, depletion_sd_mm)
    known_s = now_s if day in state.soil.eto and day in state.soil.rain else ground.days.end_s(day)
    forecast = forecasts.choose(state.forecasts, now_s)
    question = ask(ground, state.soil, day, at_s, careful_mm, forecast, use=daily.use_factors(belief))
    asked = plugged.put(ground, state.soil, state.rule_words, question, forecast, tuple(book.BUILT_IN))
    dryness = dict(zip(question.ids, (question.depletion_mm / question.raw_mm).tolist(), strict=True))
    depths = room.fit(ground, _depths(ground, state, question, asked), day, now_s, known_s, taken)
    return Tonight(
        night=night,
        dates=caps.dates_of(ground, night),
        now_s=now_s,
        depletion_mm=depletion_mm,
        depletion_sd_mm=depletion_sd_mm,
        rate_factor=metered.rate_factors(belief),
        raw_mm=question.raw_mm,
        taw_mm=question.taw_mm,
        depths=litres.fit(ground, state, depths, dryness, night, taken),
        inputs=plan_inputs.of_night(ground, state, question, expected, now_s),
        seen=plan_inputs.of_zones(ground, state, belief, now_s),
        asked=asked,
        provisional=plugged.waiting(ground, asked.words),
        etc_next_mm=question.etc_mm[0].mean(axis=1),
        percents=percent.today(ground, state.soil, state.percents, day),
    )


def _depths(ground: Ground, state: State, question: Question, asked: Asked) -> dict[str, Depth]:
    return book.depths(ground, question, asked.words, state.last_runs)


def _decide(ground: Ground, state: State, tonight: Tonight, zone: Zone) -> Decided:
    wish = None if _dormant(zone, tonight.night) else state.water_ins.get(zone.id)
    need = caps.limited(state, zone, _need(ground, tonight, zone, wish), tonight.night, tonight.dates)
    if zone.rule == "calendar":
        return _by_program(ground, state, tonight, zone, need, _allowed(ground, state, tonight, zone))
    if not need.water:
        return Decided(zone, need)
    allowed = _allowed(ground, state, tonight, zone)
    if not allowed:
        return _refused(ground, state, tonight, zone, need)
    longest_s = max(end_s - start_s for start_s, end_s in allowed)
    if tonight.depths[zone.id].in_pieces:
        longest_s = min(longest_s, water_need.PIECE_S)
    openings_s, rest_s = water_need.split(zone, need.seconds, longest_s)
    chain = Chain(zone.id, openings_s, rest_s, zone.flow_l_min, allowed)
    asked = water_in.summary(wish, zone, tonight.depths[zone.id].net_mm, need.seconds, need.depletion_mm)
    return Decided(zone, need, (chain,), (zone.rule,), summary=asked or tonight.depths[zone.id].because or None)


def _with_starts(ground: Ground, state: State, tonight: Tonight, item: Decided) -> Decided:
    """The decision with the short starts of new plants on the day that follows the window."""
    zone = item.zone
    if zone.establishment is None or _dormant(zone, tonight.night):
        return item
    etc_mm = float(tonight.etc_next_mm[ground.table.index[zone.id]])
    from_s = _from_s(ground, state, tonight, zone)
    return replace(item, starts=establishment.by_day(ground, zone, tonight.night.closes_s, etc_mm, from_s))


def _need(ground: Ground, tonight: Tonight, zone: Zone, wish: WaterInState | None) -> Need:
    z = ground.table.index[zone.id]
    return water_need.for_depth(
        zone,
        water_in.wanted(tonight.depths[zone.id], wish),
        float(tonight.depletion_mm[z]),
        float(tonight.raw_mm[z]),
        float(tonight.taw_mm[z]),
        rate_factor=float(tonight.rate_factor[z]),
        depletion_sd_mm=float(tonight.depletion_sd_mm[z]),
    )


def _from_s(ground: Ground, state: State, tonight: Tonight, zone: Zone) -> float:
    """When a zone may start at the earliest by holds and faults, whatever the hours; inf while it must stay shut."""
    block = state.block_on(zone.id, zone.supply)
    # One that ends by itself within the hour lets an opening wait, not fall out of the night.
    blocked = (block is not None and block.until is None) or locks.on(ground, state, zone) is not None
    blocked = blocked or bool(proving_words.held(ground, state, zone))
    if blocked or zone.id in tonight.night.stopped_zones or _left_dry(zone, tonight):
        return float("inf")
    hold = state.hold_on(zone.id)
    from_s = tonight.now_s + (plugged.WAIT_S if zone.id in tonight.provisional else 0.0)
    return from_s if hold is None else max(from_s, hold.until.timestamp())


def _allowed(ground: Ground, state: State, tonight: Tonight, zone: Zone) -> tuple[Interval, ...]:
    from_s = _from_s(ground, state, tonight, zone)
    spans = [(max(a, from_s), b - GUARD_S) for a, b in ground.rules.allowed(zone, tonight.night.window_date)]
    return tuple([(float(-(-a // 1)), b) for a, b in spans if b - a >= water_need.LEAST_OPENING_S])


def _refused(ground: Ground, state: State, tonight: Tonight, zone: Zone, need: Need) -> Decided:
    """A zone that would be watered but may not be, and whose word that is."""
    missing = f"{need.depletion_mm:.1f} mm are missing."
    locked = locks.held(ground, state, zone)
    if locked:
        return Decided(zone, need, decision="held", summary=f"{locked}; {missing}")
    unproved = proving_words.held(ground, state, zone)
    if unproved:
        return Decided(zone, need, decision="held", summary=f"{unproved}; {missing}")
    hold = state.hold_on(zone.id)
    block = state.block_on(zone.id, zone.supply)
    if block is not None:
        where = "" if zone.id in state.blocked else "the supply: "
        summary = f"Kept shut for a fault: {where}{block.why}; {missing} Repair it, then clear the alarm."
        return Decided(zone, need, decision="held", summary=summary)
    if zone.id in tonight.night.stopped_zones:
        return Decided(zone, need, decision="held", summary=f"Stopped by a person for tonight; {missing}")
    if hold is not None and hold.until.timestamp() > tonight.night.opens_s:
        until = hold.until.astimezone(ground.days.zone)
        why = f": {hold.reason}" if hold.reason else ""
        who = hold.who if hold.kind in ("other", "rain") else f"{hold.who} ({hold.kind})"
        return Decided(
            zone, need, decision="held", summary=f"Held until {until:%Y-%m-%d %H:%M} by {who}{why}; {missing}"
        )
    if _dormant(zone, tonight.night):
        return Decided(zone, need, summary=f"Left dry: dormant by the site file at this time of year; {missing}")
    why = ground.rules.why_closed(zone, tonight.night.window_date)
    return Decided(zone, need, decision="not allowed", summary=f"Needs water, but {why}; {missing}")


def _dormant(zone: Zone, night: NightState) -> bool:
    return zone.dormant is not None and zone.dormant.includes(night.window_date)


def _left_dry(zone: Zone, tonight: Tonight) -> bool:
    """Whether a zone rests and no crown-saving water of its site file is due."""
    if zone.dormant is None or not _dormant(zone, tonight.night):
        return False
    return not zone.dormant.depth_mm or tonight.depths[zone.id].net_mm <= 0.0


def _by_program(
    ground: Ground, state: State, tonight: Tonight, zone: Zone, need: Need, allowed: tuple[Interval, ...]
) -> Decided:
    """A calendar zone runs by its programs' start times, whatever the balance says; the balance still counts it."""
    runs, capped = calendar.runs(ground, tonight.night, zone, tonight.percents)
    said = _percents_said(ground, tonight, zone)
    need = replace(need, water=False, seconds=0.0, net_mm=0.0, limits=(), weighed=None)
    brought_s = carried.brought_s(state, tonight, zone)
    if brought_s:
        runs = [(tonight.night.opens_s, carried.SOURCE, brought_s), *runs]
    if not runs:
        summary = f"Left dry: no program start falls into tonight's window; {need.depletion_mm:.1f} mm are missing."
        if said and calendar.starts_for(ground, tonight.night, zone):
            summary = f"Left dry: its program leaves no minutes; {need.depletion_mm:.1f} mm are missing."
        return Decided(zone, replace(need, limits=said), summary=summary)
    if not allowed:
        return _refused(ground, state, tonight, zone, need)
    chains = []
    for start_s, _, seconds in runs:
        longest_s = max(end_s - max(begin_s, start_s) for begin_s, end_s in allowed)
        openings_s, rest_s = water_need.split(zone, seconds, max(longest_s, water_need.LEAST_OPENING_S))
        chains.append(Chain(zone.id, openings_s, rest_s, zone.flow_l_min, allowed, release_s=start_s))
    seconds = sum(sum(chain.openings_s) for chain in chains)
    net_mm = seconds * zone.application_rate_mm_h * zone.efficiency / 3600.0
    limits = (*said, "The zone's own cap shortens the program.") if capped else said
    need = replace(need, water=True, seconds=seconds, net_mm=net_mm, limits=limits)
    return Decided(zone, need, tuple(chains), tuple(program for _, program, _ in runs))


def _percents_said(ground: Ground, tonight: Tonight, zone: Zone) -> tuple[str, ...]:
    """Where tonight's percent of each of the zone's programs comes from."""
    names = dict.fromkeys(program.name for program in calendar.starts_for(ground, tonight.night, zone))
    return tuple(tonight.percents[name].why for name in names if tonight.percents[name].worth_saying)


def _openings(
    night: NightState, decided: Sequence[Decided], pieces: dict[str, list[Piece]], after: int
) -> list[Opening]:
    openings = []
    for item in decided:
        numbers: dict[str, int] = {}
        for piece in sorted(pieces.get(item.zone.id, ()), key=lambda piece: piece.placed.start_s):
            number = numbers[piece.source] = numbers.get(piece.source, after) + 1
            openings.append(_opening(item, night, piece, number))
    return openings


def _opening(item: Decided, night: NightState, piece: Piece, number: int) -> Opening:
    zone, placed = item.zone, piece.placed
    return Opening(
        run_id=f"{night.window_date}/{zone.id}/{piece.source}/{number}",
        zone=zone.id,
        supply=zone.supply,
        output=zone.output,
        source=piece.source,
        window_date=night.window_date,
        start_no=number,
        start_s=placed.start_s,
        seconds=placed.seconds,
        latest_end_s=placed.latest_end_s + GUARD_S,
        flow_l_min=zone.flow_l_min,
        gross_mm=placed.seconds * zone.application_rate_mm_h / 3600.0,
        cause=_cause(item, piece),
    )


def _cause(item: Decided, piece: Piece) -> str:
    if item.starts is not None and piece.source == establishment.SOURCE:
        return item.starts.cause
    by_need = item.zone.rule != "calendar"
    if piece.source == carried.SOURCE:
        return "program: minutes of the night before, which was too short"
    return f"{item.zone.rule}: {item.need.depletion_mm:.1f} mm missing" if by_need else f"program {piece.source}"
