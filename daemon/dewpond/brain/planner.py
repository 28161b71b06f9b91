"""Tonight's plan: each zone's need, packed into the hours that are allowed, with the reason of every zone.

The plan is made before the window opens and made again when weather arrives; zones whose watering has begun are
left alone, all others are decided afresh.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from dewpond.brain import caps, timetable, water_in, water_need, wording
from dewpond.brain.belief import daily, evidence, metered
from dewpond.brain.ground import Ground
from dewpond.brain.local_time import utc
from dewpond.brain.rules import book, calendar, forecasts, percent, plugged, room
from dewpond.brain.rules.outlook import ask
from dewpond.brain.rules.percent import PercentToday
from dewpond.brain.rules.plugged import Asked
from dewpond.brain.rules.question import Depth
from dewpond.brain.rules_of_place import Interval
from dewpond.brain.state import NightState, Opening, State, WaterInState
from dewpond.brain.timetable import GUARD_S, Chain, Limits, Placed, pack_backward, pack_forward
from dewpond.brain.water_need import Need
from dewpond.brain.zone_table import FloatArray
from dewpond.model.commands import Command, PublishState, RecordPlan, RecordReason
from dewpond.model.reasons import Input, ZoneReason
from dewpond.model.site import Zone
from dewpond.model.states import ValveState

REASON_DAYS_KEPT = 3
RECENT_S = 12 * 3600.0  # openings before tonight's window that are still shown beside it
SEARCH = 2000  # openings placed while looking for a timetable that holds everything
SLACK_S = 1800.0  # left free at the window's end where the night has room, for openings that start late


@dataclass(frozen=True, slots=True)
class _Tonight:
    """What all zones share while one night is planned. Arrays have one entry a zone."""

    night: NightState
    now_s: float
    depletion_mm: FloatArray
    depletion_sd_mm: FloatArray
    rate_factor: FloatArray
    raw_mm: FloatArray
    depths: Mapping[str, Depth]
    inputs: tuple[Input, ...]
    seen: Mapping[str, tuple[Input, ...]]  # by zone id: what its probe and meter say
    asked: Asked
    provisional: frozenset[str]
    percents: Mapping[str, PercentToday]


@dataclass(frozen=True, slots=True)
class _Decided:
    """One zone's decision before packing; ``decision`` and ``summary`` are set where the usual words do not fit."""

    zone: Zone
    need: Need
    chains: tuple[Chain, ...] = ()
    sources: tuple[str, ...] = ()
    decision: str | None = None
    summary: str | None = None


@dataclass(frozen=True, slots=True)
class _Piece:
    """One placed opening of one zone and where it comes from."""

    placed: Placed
    source: str


def plan_night(ground: Ground, state: State, day: date, now_s: float) -> tuple[State, list[Command]]:
    """Decide the night that opens on ``day`` for every zone whose watering has not begun."""
    tonight = _tonight(ground, state, day, now_s)
    begun = _begun_zones(state, day)
    decided = [_decide(ground, state, tonight, zone) for zone in ground.site.zones if zone.id not in begun]
    kept = tuple(item for item in state.openings if item.window_date != day or item.zone in begun or item.by_hand)
    pieces = _pack_all(ground, decided, kept)
    fresh = _openings(tonight.night, decided, pieces)
    commands = _plan_rows(state.openings, kept, fresh)
    openings = tuple(sorted((*kept, *fresh), key=lambda item: (item.start_s, item.run_id)))
    commands += _plan_topics(state.openings, openings, day, now_s)
    finished = tuple(item for item in state.finished if item.start_s >= tonight.night.opens_s - RECENT_S)
    commands += tonight.asked.asks
    state = replace(state, night=tonight.night, openings=openings, finished=finished, rule_words=tonight.asked.words)
    state, told = _with_reasons(ground, state, tonight, decided, pieces)
    return state, commands + told


def _begun(item: Opening) -> bool:
    return not item.by_hand and (item.state is not ValveState.WAITING or item.resumed)


def _begun_zones(state: State, day: date) -> set[str]:
    return {item.zone for item in (*state.finished, *state.openings) if item.window_date == day and _begun(item)}


def _taken(state: State, day: date) -> list[Opening]:
    """Openings still to come or running that no new decision moves."""
    begun = _begun_zones(state, day)
    return [item for item in state.openings if item.zone in begun and not item.by_hand]


def _tonight(ground: Ground, state: State, day: date, now_s: float) -> _Tonight:
    night = state.night
    if night is None or night.window_date != day:
        window = ground.rules.window(day)
        night = NightState(window_date=day, opens_s=window.opens_s, closes_s=window.closes_s)
    expected = ground.assumed_eto(state.soil, ground.days.date_at(now_s))
    at_s = max(now_s, night.closes_s)
    belief = daily.fitting(ground, state.soil, state.belief)
    depletion_mm, depletion_sd_mm = daily.depletion(ground, belief, state.soil, at_s, expected.eto_mm)
    known_s = now_s if day in state.soil.eto and day in state.soil.rain else ground.days.end_s(day)
    forecast = forecasts.choose(state.forecasts, now_s)
    question = ask(ground, state.soil, day, at_s, depletion_mm, forecast, use=daily.use_factors(belief))
    asked = plugged.put(ground, state.soil, state.rule_words, question, forecast, tuple(book.BUILT_IN))
    return _Tonight(
        night=night,
        now_s=now_s,
        depletion_mm=depletion_mm,
        depletion_sd_mm=depletion_sd_mm,
        rate_factor=metered.rate_factors(belief),
        raw_mm=question.raw_mm,
        depths=room.fit(ground, book.depths(ground, question, asked.words), day, now_s, known_s, _taken(state, day)),
        inputs=(
            *_inputs(ground, state, expected.eto_mm, expected.method),
            Input(
                name="weather ahead", value=float(len(question.futures.eto_mm)), unit="futures", source=question.source
            ),
            *forecasts.inputs(state.forecasts, ground.days, now_s),
        ),
        seen=evidence.inputs(ground, belief),
        asked=asked,
        provisional=plugged.waiting(ground, asked.words),
        percents=percent.today(ground, state.soil, state.percents, day),
    )


def _inputs(ground: Ground, state: State, expected_mm: float, method: str) -> tuple[Input, ...]:
    found = [Input(name="expected reference ET", value=expected_mm, unit="mm/d", source=method)]
    for day in sorted(state.soil.eto)[-1:]:
        fact = state.soil.eto[day]
        known_at = utc(ground.days.end_s(day))
        found.append(
            Input(name=f"reference ET of {day}", value=fact.eto_mm, unit="mm", source=fact.method, known_at=known_at)
        )
    for day in sorted(state.soil.rain)[-2:]:
        told = "not measured, taken as none" if day in state.soil.rain_missing else "measured"
        found.append(Input(name=f"rain of {day}", value=state.soil.rain[day], unit="mm", source=told))
    return tuple(found)


def _decide(ground: Ground, state: State, tonight: _Tonight, zone: Zone) -> _Decided:
    wish = state.water_ins.get(zone.id)
    need = caps.limited(ground, state, zone, _need(ground, tonight, zone, wish), tonight.night)
    allowed = _allowed(ground, state, tonight, zone)
    if zone.rule == "calendar":
        return _by_program(ground, state, tonight, zone, need, allowed)
    if not need.water:
        return _Decided(zone, need)
    if not allowed:
        return _refused(ground, state, tonight, zone, need)
    longest_s = max(end_s - start_s for start_s, end_s in allowed)
    if tonight.depths[zone.id].in_pieces:
        longest_s = min(longest_s, water_need.PIECE_S)
    openings_s, rest_s = water_need.split(zone, need.seconds, longest_s)
    chain = Chain(zone.id, openings_s, rest_s, zone.flow_l_min, allowed)
    asked = water_in.summary(wish, zone, tonight.depths[zone.id].net_mm, need.seconds, need.depletion_mm)
    return _Decided(zone, need, (chain,), (zone.rule,), summary=asked or None)


def _need(ground: Ground, tonight: _Tonight, zone: Zone, wish: WaterInState | None) -> Need:
    z = ground.table.index[zone.id]
    need = water_need.for_depth(
        zone,
        water_in.wanted(tonight.depths[zone.id], wish),
        float(tonight.depletion_mm[z]),
        float(tonight.raw_mm[z]),
        float(ground.table.taw_mm[z]),
        rate_factor=float(tonight.rate_factor[z]),
    )
    return replace(need, depletion_sd_mm=float(tonight.depletion_sd_mm[z]))


def _allowed(ground: Ground, state: State, tonight: _Tonight, zone: Zone) -> tuple[Interval, ...]:
    blocked = state.block_on(zone.id, zone.supply) is not None
    if blocked or zone.id in tonight.night.stopped_zones or _dormant(zone, tonight.night):
        return ()
    hold = state.hold_on(zone.id)
    from_s = tonight.now_s + (plugged.WAIT_S if zone.id in tonight.provisional else 0.0)
    from_s = from_s if hold is None else max(from_s, hold.until.timestamp())
    spans = ((max(a, from_s), b - GUARD_S) for a, b in ground.rules.allowed(zone, tonight.night.window_date))
    return tuple((float(-(-a // 1)), b) for a, b in spans if b - a >= water_need.LEAST_OPENING_S)


def _refused(ground: Ground, state: State, tonight: _Tonight, zone: Zone, need: Need) -> _Decided:
    """A zone that would be watered but may not be, and whose word that is."""
    missing = f"{need.depletion_mm:.1f} mm are missing."
    hold = state.hold_on(zone.id)
    block = state.block_on(zone.id, zone.supply)
    if block is not None:
        where = "" if zone.id in state.blocked else "the supply: "
        summary = f"Kept shut for a fault: {where}{block.why}; {missing} Repair it, then clear the alarm."
        return _Decided(zone, need, decision="held", summary=summary)
    if zone.id in tonight.night.stopped_zones:
        return _Decided(zone, need, decision="held", summary=f"Stopped by a person for tonight; {missing}")
    if hold is not None and hold.until.timestamp() > tonight.night.opens_s:
        until = hold.until.astimezone(ground.days.zone)
        why = f": {hold.reason}" if hold.reason else ""
        who = hold.who if hold.kind in ("other", "rain") else f"{hold.who} ({hold.kind})"
        return _Decided(
            zone, need, decision="held", summary=f"Held until {until:%Y-%m-%d %H:%M} by {who}{why}; {missing}"
        )
    if _dormant(zone, tonight.night):
        return _Decided(zone, need, summary=f"Left dry: dormant by the site file at this time of year; {missing}")
    why = ground.rules.why_closed(zone, tonight.night.window_date)
    return _Decided(zone, need, decision="not allowed", summary=f"Needs water, but {why}; {missing}")


def _dormant(zone: Zone, night: NightState) -> bool:
    return zone.dormant is not None and zone.dormant.includes(night.window_date)


def _by_program(
    ground: Ground, state: State, tonight: _Tonight, zone: Zone, need: Need, allowed: tuple[Interval, ...]
) -> _Decided:
    """A calendar zone runs by its programs' start times, whatever the balance says; the balance still counts it."""
    runs, capped = calendar.runs(ground, tonight.night, zone, tonight.percents)
    said = _percents_said(ground, tonight, zone)
    need = replace(need, water=False, seconds=0.0, net_mm=0.0, limits=(), weighed=None)
    if not runs:
        summary = f"Left dry: no program start falls into tonight's window; {need.depletion_mm:.1f} mm are missing."
        if said and calendar.starts_for(ground, tonight.night, zone):
            summary = f"Left dry: its program leaves no minutes; {need.depletion_mm:.1f} mm are missing."
        return _Decided(zone, replace(need, limits=said), summary=summary)
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
    return _Decided(zone, need, tuple(chains), tuple(program for _, program, _ in runs))


def _percents_said(ground: Ground, tonight: _Tonight, zone: Zone) -> tuple[str, ...]:
    """Where tonight's percent of each of the zone's programs comes from."""
    names = dict.fromkeys(program.name for program in calendar.starts_for(ground, tonight.night, zone))
    return tuple(tonight.percents[name].why for name in names if tonight.percents[name].worth_saying)


def _pack_all(ground: Ground, decided: Sequence[_Decided], kept: Sequence[Opening]) -> dict[str, list[_Piece]]:
    """Place every chain, supply by supply: programs forwards from their starts, then needs backwards from the end."""
    pieces: dict[str, list[_Piece]] = {}
    for supply, limits in ground.limits.items():
        taken = [_as_taken(item) for item in kept if item.supply == supply and not item.by_hand]
        here = [item for item in decided if item.zone.supply == supply and item.chains]
        timed = [(c, s) for item in here for c, s in zip(item.chains, item.sources, strict=True) if c.release_s > 0.0]
        for chain, source in sorted(timed, key=lambda pair: pair[0].release_s):
            placed = pack_forward((chain,), limits, taken)
            taken += placed
            pieces.setdefault(chain.zone, []).extend(_Piece(item, source) for item in placed)
        needed = [item for item in here if item.zone.rule != "calendar"]
        for placed_item in _pack_needs(needed, limits, taken):
            source = ground.zones[placed_item.zone].rule
            pieces.setdefault(placed_item.zone, []).append(_Piece(placed_item, source))
    return pieces


def _pack_needs(needed: Sequence[_Decided], limits: Limits, taken: Sequence[Placed]) -> list[Placed]:
    """All needs at once; where the window is too small, zones nearest to stress go first and the rest is carried."""
    chains = [chain for item in needed for chain in item.chains]
    wanted = sum(len(chain.openings_s) for chain in chains)
    hopeless = timetable.bound_s(chains, limits) > max((_open_s(chain) for chain in chains), default=0.0)
    for slack_s, search in ((SLACK_S, 0), (0.0, 0), *(() if hopeless else ((0.0, SEARCH),))):
        placed = pack_backward([_ending_earlier(chain, slack_s) for chain in chains], limits, taken, search=search)
        if len(placed) == wanted:
            return placed
    urgent = sorted(needed, key=lambda item: (-item.need.depletion_mm / item.need.raw_mm, item.zone.id))
    placed = []
    for item in urgent:
        placed += pack_backward(item.chains, limits, [*taken, *placed])
    return placed


def _open_s(chain: Chain) -> float:
    return sum(end_s - start_s for start_s, end_s in chain.allowed)


def _ending_earlier(chain: Chain, slack_s: float) -> Chain:
    """The chain with its last allowed interval ending earlier, so that a late opening still keeps the window."""
    start_s, end_s = chain.allowed[-1]
    return replace(chain, allowed=(*chain.allowed[:-1], (start_s, max(start_s, end_s - slack_s))))


def _as_taken(item: Opening) -> Placed:
    return Placed(item.zone, item.start_no, item.start_s, item.seconds, item.flow_l_min, item.latest_end_s)


def _openings(night: NightState, decided: Sequence[_Decided], pieces: dict[str, list[_Piece]]) -> list[Opening]:
    openings = []
    for item in decided:
        numbers: dict[str, int] = {}
        for piece in sorted(pieces.get(item.zone.id, ()), key=lambda piece: piece.placed.start_s):
            number = numbers[piece.source] = numbers.get(piece.source, 0) + 1
            openings.append(_opening(item, night, piece, number))
    return openings


def _opening(item: _Decided, night: NightState, piece: _Piece, number: int) -> Opening:
    zone, placed = item.zone, piece.placed
    by_need = zone.rule != "calendar"
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
        cause=f"{zone.rule}: {item.need.depletion_mm:.1f} mm missing" if by_need else f"program {piece.source}",
    )


def _plan_topics(before: Sequence[Opening], openings: Sequence[Opening], day: date, now_s: float) -> list[Command]:
    """What each zone is to get tonight, for whoever listens; told where it changed."""
    told: list[Command] = []
    for zone in sorted({item.zone for item in (*before, *openings)}):
        old = [item for item in before if item.zone == zone and item.window_date == day]
        new = [item for item in openings if item.zone == zone and item.window_date == day]
        if [(item.start_s, item.seconds) for item in old] == [(item.start_s, item.seconds) for item in new]:
            continue
        rows = [
            {"start": utc(item.start_s).isoformat(), "seconds": item.seconds, "gross_mm": round(item.gross_mm, 2)}
            for item in new
        ]
        body = {"at": utc(now_s).isoformat(), "window_date": day.isoformat(), "openings": rows}
        told.append(PublishState(topic=f"zone/{zone}/plan", body=body))
    return told


def _plan_rows(before: Sequence[Opening], kept: Sequence[Opening], fresh: Sequence[Opening]) -> list[Command]:
    """Rows of the new openings, and "dropped" for planned ones that are no more."""
    now_planned = {item.key for item in (*kept, *fresh)}
    rows: list[Command] = [plan_row(item, "dropped") for item in before if item.key not in now_planned]
    old = {item.key: item for item in before}
    rows += [plan_row(item, "planned") for item in fresh if old.get(item.key) != item]
    return rows


def plan_row(item: Opening, state: str) -> RecordPlan:
    """The plan table's row of one opening."""
    return RecordPlan(
        zone=item.zone,
        source=item.source,
        window_date=item.window_date,
        start_no=item.start_no,
        start=utc(item.start_s),
        seconds=item.seconds,
        gross_mm=item.gross_mm,
        state=state,
    )


def _with_reasons(
    ground: Ground, state: State, tonight: _Tonight, decided: Sequence[_Decided], pieces: dict[str, list[_Piece]]
) -> tuple[State, list[Command]]:
    """Keep and tell each zone's reason, where it is new or differs from the one already told for this night."""
    reasons, commands = dict(state.reasons), []
    for item in decided:
        told = _reason(item, tonight, pieces.get(item.zone.id, ()))
        before = reasons.get(item.zone.id)
        reasons[item.zone.id] = told
        if before is None or before.window_date != told.window_date or before.summary != told.summary:
            commands += [RecordReason(reason=told), _need_topic(told)]
    closing_day = ground.days.date_at(tonight.night.closes_s - 1.0)
    summaries = tuple(reasons[zone.id].summary if zone.id in reasons else "no decision" for zone in ground.site.zones)
    kept_from = closing_day - timedelta(days=REASON_DAYS_KEPT)
    day_reasons = {day: texts for day, texts in state.day_reasons.items() if day >= kept_from}
    return replace(state, reasons=reasons, day_reasons={**day_reasons, closing_day: summaries}), commands


def _reason(item: _Decided, tonight: _Tonight, pieces: Sequence[_Piece]) -> ZoneReason:
    given_s = sum(piece.placed.seconds for piece in pieces)
    short_s = item.need.seconds - given_s
    extra: tuple[str, ...] = ()
    if item.chains and short_s > 0.5:
        extra = (f"The window is too short: {short_s / 60:.0f} min are carried to the next night.",)
    if item.chains and not pieces:
        summary = (
            f"Needs water, but nothing fits into tonight's allowed hours; {item.need.depletion_mm:.1f} mm are missing."
        )
        item = replace(item, decision="not allowed", summary=summary)
    return wording.reason(
        item.need,
        item.zone,
        tonight.night.window_date,
        utc(tonight.now_s),
        len(pieces),
        item.zone.rule,
        (*tonight.inputs, *tonight.seen[item.zone.id]),
        extra,
        item.decision,
        item.summary,
        given_s,
    )


def _need_topic(told: ZoneReason) -> PublishState:
    body = {
        "at": told.decided_at.isoformat(),
        "window_date": told.window_date.isoformat(),
        "decision": told.decision,
        "depletion_mm": round(told.depletion_mm, 2),
        "raw_mm": round(told.raw_mm, 2),
        "net_mm": round(told.net_mm, 2),
        "seconds": told.seconds,
        "why": list(told.sentences()),
    }
    return PublishState(topic=f"zone/{told.zone}/need", body=body)
