"""People's requests: water by hand, stop, hold, release. Each is answered in one line and leaves a record."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

from dewpond.brain import (
    attended,
    caps,
    locks,
    pipe_watch,
    place_now,
    place_record,
    pump_words,
    stops,
    water_in,
    weather_holds,
)
from dewpond.brain.belief import daily
from dewpond.brain.ground import Ground
from dewpond.brain.openings import close_now
from dewpond.brain.place_state import Insisted
from dewpond.brain.plan_rows import plan_row
from dewpond.brain.planner import plan_night
from dewpond.brain.sequencer import Told, closed_for
from dewpond.brain.state import HoldState, Opening, PercentState, State
from dewpond.brain.water_need import ceiling_s
from dewpond.model.commands import AnswerOperator, CloseAll, Command, PublishState
from dewpond.model.copying import replace
from dewpond.model.events import Now, OperatorAsked
from dewpond.model.operations import HIGHEST_PERCENT
from dewpond.model.states import Ending, ValveState

LONGEST_HOLD_DAYS = 366
NEVER_S = float("inf")


def on_asked(ground: Ground, state: State, event: OperatorAsked, now: Now) -> Told:
    """Carry out one request, or refuse it with the limit and the remedy."""
    handlers = {
        "water": _water,
        "stop": _stop,
        "hold": _hold,
        "release": _release,
        "water-in": _water_in,
        "clear": _clear,
        "as-usual": _as_usual,
        "forget": _forget,
        "percent": _percent,
    }
    handler = handlers.get(event.action)
    if handler is None:
        return state, [
            _refuse(event, f"unknown request {event.action!r}; ask for one of {', '.join(sorted(handlers))}")
        ]
    return handler(ground, state, event, now)


def expire_holds(state: State, now: Now) -> Told:
    """Holds that are over end by themselves; the next planning decides, so nothing bursts."""
    state = water_in.expire(state, now)
    left = {key: hold for key, hold in state.holds.items() if now.wall < hold.until}
    if len(left) == len(state.holds):
        return state, []
    state = replace(state, holds=left)
    return state, [_hold_topic(state, now)]


def _water(ground: Ground, state: State, event: OperatorAsked, now: Now) -> Told:
    zone = ground.zones.get(event.zone or "")
    if zone is None:
        return state, [_unknown_zone(ground, event)]
    seconds = event.seconds if event.seconds is not None else float("nan")
    longest_s = ceiling_s(zone)
    if not 1.0 <= seconds <= longest_s:
        limit = f"{zone.id} may run 1 s to {longest_s / 60:.0f} min at once ({zone.method})"
        return state, [_refuse(event, f"{limit}; ask for less, or water again later")]
    locked = locks.held(ground, state, zone)
    if locked:
        return state, [_refuse(event, f"{zone.name} may not run: {locked}; nothing opens here before that has ended")]
    attends = attended.holding(state, zone.supply)
    if attends:
        return state, [_refuse(event, f"{zone.name} may not run: {attends}; end the test first")]
    left_s, cap = caps.left(ground, state, zone, now.wall.timestamp())
    stated = zone.day_cap_s is not None or zone.week_cap_s is not None
    if stated and seconds > left_s:
        limit = f"{zone.id} has {left_s / 60:.0f} min left under {cap}, which the site file states"
        return state, [_refuse(event, f"{limit}; ask for less, or wait until the next day")]
    pumped = pump_words.against_hand(ground, state, zone, seconds, now)
    if pumped:
        return state, [_refuse(event, pumped)]
    broken = place_now.broken_by_hand(ground, state, zone, seconds, now)
    if broken and not (event.against_rule and event.reason.strip()):
        return state, [replace(_refuse(event, _how_to_insist(zone.name, broken)), body={"against": list(broken)})]
    if not state.keeper_ready:
        return state, [
            _refuse(event, "the valve keeper does not answer or cannot reach the relays; start it, then ask again")
        ]
    number = state.hand_runs + 1
    opening = Opening(
        run_id=f"by-hand/{number}/{zone.id}",
        zone=zone.id,
        supply=zone.supply,
        output=zone.output,
        source="by hand",
        window_date=ground.days.date_at(now.wall.timestamp()),
        start_no=number,
        start_s=now.wall.timestamp(),
        seconds=float(round(seconds)),
        latest_end_s=NEVER_S,
        flow_l_min=zone.flow_l_min,
        gross_mm=zone.application_rate_mm_h * seconds / 3600.0,
        by_hand=True,
        not_before_elapsed_s=now.elapsed_s,
        cause=f"by hand: {event.person}",
        insisted=Insisted(rules=broken, who=event.person, reason=event.reason) if broken else None,
    )
    text = f"{zone.name} is watered for {seconds / 60:g} min{_against(ground, state, opening, now)}."
    text += _closed_for(ground, state, opening) + pump_words.waiting(ground, state, opening, now)
    state = replace(state, hand_runs=number, openings=(opening, *state.openings))
    return state, [plan_row(opening, "planned"), _accept(event, text)]


def _water_in(ground: Ground, state: State, event: OperatorAsked, now: Now) -> Told:
    zone = ground.zones.get(event.zone or "")
    if zone is None:
        return state, [_unknown_zone(ground, event)]
    told = water_in.asked(ground, state, zone, event, now)
    if told.wish is None:
        return state, [_refuse(event, told.text)]
    state = replace(state, water_ins={**state.water_ins, zone.id: told.wish})
    state, planned = replan(ground, state, now)
    return state, [*planned, _accept(event, told.text)]


def _how_to_insist(name: str, broken: Sequence[str]) -> str:
    """The refusal of a watering by hand against rules of the place: which, and how to have it all the same."""
    rules = " and ".join(broken)
    how = "say so with your name and a reason (--against-rule --by NAME --reason TEXT); both are recorded"
    return f"{name} may not run now by {rules}; nothing was opened. To insist, {how}"


def _against(ground: Ground, state: State, item: Opening, now: Now) -> str:
    """What a watering by hand goes against, for the answer and the record."""
    zone, wall_s = ground.zones[item.zone], now.wall.timestamp()
    rules = place_record.declared(ground, state).rules
    window = rules.window_at(wall_s)
    allowed = any(start <= wall_s < end for start, end in rules.allowed(zone, window.date))
    notes = [] if allowed else ["outside the allowed hours or days"]
    if not now.trusted:
        notes = ["the clock is not trusted, so no rule could be looked at"]
    if item.insisted is not None:
        notes = [f"against {' and '.join(item.insisted.rules)}, as {item.insisted.who} insists"]
    if state.hold_on(zone.id) is not None:
        notes.append("during a hold")
    weather = weather_holds.held(ground, state, zone, wall_s)
    if weather:
        notes.append(weather[:1].lower() + weather[1:])
    return f" ({', '.join(notes)}; recorded)" if notes else ""


def _closed_for(ground: Ground, state: State, item: Opening) -> str:
    """Whose watering ends for this one, as a sentence; "" when nobody's does."""
    going = closed_for(ground, state, item)
    others = [ground.zones[other.zone].name for other in going if other.zone != item.zone]
    text = f" {' and '.join(others)} {'is' if len(others) == 1 else 'are'} closed for it." if others else ""
    return text if len(others) == len(going) else f" Its earlier opening ends for it.{text}"


def _stop(ground: Ground, state: State, event: OperatorAsked, now: Now) -> Told:
    if event.zone is not None and event.zone not in ground.zones:
        return state, [_unknown_zone(ground, event)]
    zones = frozenset(ground.zones) if event.zone is None else frozenset({event.zone})
    commands: list[Command] = [CloseAll(cause=f"stopped by {event.who}")] if event.zone is None else []
    state, told = stops.stop_zones(state, zones, f"stopped by {event.who}", now)
    commands += told
    if not state.keeper_ready:
        text = "the valve keeper does not answer, so nothing can be shut from here: shut the water by hand, now"
        return state, [*commands, _refuse(event, text)]
    what = "Everything is" if event.zone is None else f"{ground.zones[event.zone].name} is"
    return state, [*commands, _accept(event, f"{what} stopped, and left shut for the rest of this window.")]


def _hold(ground: Ground, state: State, event: OperatorAsked, now: Now) -> Told:
    until = event.until
    if event.zone is not None and event.zone not in ground.zones:
        return state, [_unknown_zone(ground, event)]
    if until is None or until <= now.wall or until > now.wall + timedelta(days=LONGEST_HOLD_DAYS):
        return state, [_refuse(event, f"a hold needs an end in the future, at most {LONGEST_HOLD_DAYS} days from now")]
    hold = HoldState(until=until, who=event.who, reason=event.reason, kind=event.kind or "other")
    state = replace(state, holds={**state.holds, hold_key(event.zone, hold.kind): hold})
    commands: list[Command] = []
    for item in state.openings:
        planned = item.state is ValveState.WAITING and not item.extra  # the planning below drops it
        if not item.by_hand and not planned and event.zone in (None, item.zone):
            state, told = close_now(state, item, f"stopped by a hold of {event.who}", now, Ending.WISHED)
            commands += told
    state, told = replan(ground, state, now)
    local = until.astimezone(ground.days.zone)
    what = "Nothing runs" if event.zone is None else f"{ground.zones[event.zone].name} does not run"
    answer = _accept(event, f"{what} by schedule until {local:%Y-%m-%d %H:%M}.")
    return state, [*commands, *told, _hold_topic(state, now), answer]


def _release(ground: Ground, state: State, event: OperatorAsked, now: Now) -> Told:
    if event.zone is not None and event.zone not in ground.zones:
        return state, [_unknown_zone(ground, event)]
    left = {key: hold for key, hold in state.holds.items() if not _meant(event, key, hold)}
    if len(left) == len(state.holds):
        return state, [_accept(event, f"Nothing was held{' for ' + event.kind if event.kind else ''}.")]
    state, told = replan(ground, replace(state, holds=left), now)
    return state, [
        *told,
        _hold_topic(state, now),
        _accept(event, "The hold is released; the next plan decides as usual."),
    ]


def _clear(ground: Ground, state: State, event: OperatorAsked, now: Now) -> Told:
    """A person has dealt with an alarm: it is over, and what it kept shut is free."""
    key = event.reason
    if key not in state.alarms:
        known = "; alarms are " + ", ".join(sorted(state.alarms)) if state.alarms else "; there is none"
        return state, [_refuse(event, f"no alarm {key!r} is open{known}")]
    state, told = pipe_watch.clear(state, key, now, event.who)
    state, replanned = replan(ground, state, now)
    return state, [*told, *replanned, _accept(event, "The alarm is cleared, and what it kept shut may run again.")]


def _as_usual(ground: Ground, state: State, event: OperatorAsked, now: Now) -> Told:
    """A person takes a zone's flow of today as its usual one."""
    zone = ground.zones.get(event.zone or "")
    if zone is None:
        return state, [_unknown_zone(ground, event)]
    state, told = pipe_watch.take_as_usual(ground, state, zone.id, now, event.who)
    state, replanned = replan(ground, state, now)
    text = f"{zone.name}'s usual flow is learned afresh; it is not watched until it has run a few times."
    return state, [*told, *replanned, _accept(event, text)]


def _forget(ground: Ground, state: State, event: OperatorAsked, now: Now) -> Told:
    """A person gives up what probes and meter have taught of a zone; it is learned anew from the ledger on."""
    zone = ground.zones.get(event.zone or "")
    if zone is None:
        return state, [_unknown_zone(ground, event)]
    believed = daily.fitting(ground, state.soil, state.belief)
    state = replace(state, belief=daily.forget(believed, state.soil, ground.table.index[zone.id]))
    state, told = replan(ground, state, now)
    text = f"What was learned of {zone.name} is given up; its site file's numbers stand until more is seen."
    return state, [*told, _accept(event, text)]


def _percent(ground: Ground, state: State, event: OperatorAsked, now: Now) -> Told:
    """A person changes a program's percent; days and starts stay, and what is planned already stays too."""
    names = [program.name for program in ground.site.programs]
    if event.program not in names:
        known = f"; programs are {', '.join(names)}" if names else "; the site file has no [[program]]"
        return state, [_refuse(event, f"no program {event.program!r} here{known}")]
    if event.percent is None:
        left = {name: changed for name, changed in state.percents.items() if name != event.program}
        text = f"{event.program} runs by the site file's own percent again, from the next planning on."
        return replace(state, percents=left), [_accept(event, text)]
    if not 0.0 <= event.percent <= HIGHEST_PERCENT:
        return state, [_refuse(event, f"a percent lies between 0 and {HIGHEST_PERCENT:g}; {event.percent:g} does not")]
    changed = PercentState(percent=event.percent, who=event.who, since=now.wall)
    text = (
        f"{event.program} runs at {event.percent:g} % of its minutes from the next planning on; days and starts stay."
    )
    return replace(state, percents={**state.percents, event.program: changed}), [_accept(event, text)]


def hold_key(zone: str | None, kind: str) -> str:
    """Where a hold is kept: several kinds may stand on one zone at once, each with its own end."""
    return (zone or "") if kind == "other" else f"{zone or ''}/{kind}"


def _meant(event: OperatorAsked, key: str, hold: HoldState) -> bool:
    """Whether a release asks for this hold: without zone and kind it asks for all."""
    zone_fits = event.zone is None or key.partition("/")[0] == event.zone
    return zone_fits and event.kind in ("", hold.kind)


def replan(ground: Ground, state: State, now: Now) -> Told:
    """Decide the night in view afresh, if it is not over."""
    wall_s = now.wall.timestamp()
    if state.night is None or wall_s >= state.night.closes_s:
        return state, []
    return plan_night(ground, state, state.night.window_date, wall_s)


def _hold_topic(state: State, now: Now) -> PublishState:
    holds = [
        {
            "zone": key.partition("/")[0] or None,
            "kind": hold.kind,
            "until": hold.until.isoformat(),
            "by": hold.who,
            "reason": hold.reason,
        }
        for key, hold in sorted(state.holds.items())
    ]
    return PublishState(topic="holds", body={"at": now.wall.isoformat(), "holds": holds})


def _unknown_zone(ground: Ground, event: OperatorAsked) -> AnswerOperator:
    return _refuse(event, f"no zone {event.zone!r} here; zones are {', '.join(sorted(ground.zones))}")


def _accept(event: OperatorAsked, text: str) -> AnswerOperator:
    return AnswerOperator(request_id=event.request_id, accepted=True, text=text)


def _refuse(event: OperatorAsked, text: str) -> AnswerOperator:
    return AnswerOperator(request_id=event.request_id, accepted=False, text=text)
