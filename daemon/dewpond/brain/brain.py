"""The brain: ``step(state, events, now) -> (state, commands, wake_at, reasons)``. No I/O, no clock, no waiting.

The same state, events and times give the same commands, whether live, in a replayed season or from a journal.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta

from dewpond.brain import (
    attended,
    attended_desk,
    beliefs,
    care_notices,
    clock_doubt,
    closing,
    cooling,
    establishment,
    flow_watch,
    guided,
    guided_desk,
    headworks,
    hints,
    holds,
    keeper_news,
    locks,
    name_again,
    pipe_watch,
    place_desk,
    place_now,
    proving,
    pumps,
    restarts,
    sequencer,
    stops,
    weather_holds,
)
from dewpond.brain.alarms import cleared, raised
from dewpond.brain.belief import daily, doubts, rain
from dewpond.brain.ground import Ground, ground_of
from dewpond.brain.planner import plan_night
from dewpond.brain.rules import forecasts, plugged
from dewpond.brain.sequencer import Told
from dewpond.brain.state import EtoFact, SensorState, State
from dewpond.model import events as ev
from dewpond.model import valve_kinds
from dewpond.model.commands import Command, RecordReason
from dewpond.model.copying import replace
from dewpond.model.events import Event, Now, ReadingsArrived
from dewpond.model.reasons import ZoneReason
from dewpond.model.site import Site

QUIET = timedelta(days=1)  # a fault of the service that is not seen again for this long counts as over


STEP_WORTH_PLANNING_S = 60.0  # a smaller step of the clock leaves the night as it is planned
NEVER_HEARD = SensorState(at_s=0.0, value=math.nan)
NEW_WEATHER = ev.ReferenceEtKnown | ev.RainKnown | ev.ForecastKnown


@dataclass(frozen=True, slots=True)
class Step:
    """What one step gives back. ``wake_at_s`` is elapsed time, inf when only events matter."""

    state: State
    commands: tuple[Command, ...]
    wake_at_s: float
    reasons: tuple[ZoneReason, ...]


class Brain:
    """Decisions for one site. Holds nothing that changes but remembered answers of pure functions."""

    def __init__(self, site: Site) -> None:
        self.ground: Ground = ground_of(site)
        self._sensor_kind = {sensor.id: sensor.kind for sensor in site.sensors}
        self.hint_places = hints.places(site)
        self._meters = {supply.meter: supply.id for supply in site.supplies if supply.meter}

    def first_state(self, now: Now, depletion_share_of_raw: float = 0.0) -> State:
        """The state before anything happened: each zone this share of its RAW below field capacity."""
        today = self.ground.days.date_at(now.wall.timestamp())
        soil = beliefs.first_soil(self.ground.table, today, depletion_share_of_raw)
        return State(soil=soil, site_digest=self.ground.site.digest)

    def step(self, state: State, events: Sequence[Event], now: Now) -> Step:
        """Take up events in order, close dates that are over, and move the valves that are due."""
        blocks = [event for event in events if isinstance(event, ReadingsArrived)]
        others = [event for event in events if not isinstance(event, ReadingsArrived)] if blocks else events
        state, commands = self._readings(state, blocks, now) if blocks else (state, [])
        for event in others:
            state, told = self._take(state, event, now)
            commands += told
        replan = (self._replan,) if any(isinstance(event, NEW_WEATHER) for event in others) else ()
        duties = (self._close_days, self._expire, *replan, self._attended, self._cool, self._run)
        for duty in duties:
            state, told = duty(state, now)
            commands += told
        reasons = tuple([command.reason for command in commands if isinstance(command, RecordReason)])
        return Step(state, tuple(pumps.pumps_first(commands)), self._wake_s(state, now), reasons)

    def _take(self, state: State, event: Event, now: Now) -> Told:
        match event:
            case ev.ReferenceEtKnown():
                return self._eto(state, event)
            case ev.RainKnown():
                return self._rain(state, event, now)
            case ev.ForecastKnown():
                known = forecasts.learn(state.forecasts, event, self.ground.days, now.wall.timestamp())
                return replace(state, forecasts=known), []
            case ev.PlanningDue():
                return plan_night(self.ground, state, event.date, now.wall.timestamp())
            case ev.DayEnded() | ev.CareTold():
                return self._daily(state, event, now)
            case ev.OperatorAsked():
                return self._asked(state, event, now)
            case ev.ServiceStarted():
                return self._started(state, event, now)
            case ev.RuleAnswered():
                return self._rule_answered(state, event, now)
            case ev.ClockStepped() | ev.ClockJudged():
                return self._clock(state, event, now)
            case ev.ServiceStopping():
                return replace(state, keeper_ready=False), []
            case ev.ReadingRejected():
                return self._rejected(state, event), []
            case _:
                return self._valves_and_links(state, event, now)

    def _daily(self, state: State, event: ev.DayEnded | ev.CareTold, now: Now) -> Told:
        if isinstance(event, ev.CareTold):
            return care_notices.on_told(state, event, now)
        return replace(state, soil=replace(state.soil, ended=event.date)), []

    def _asked(self, state: State, event: ev.OperatorAsked, now: Now) -> Told:
        if event.action in attended_desk.ACTIONS:
            return attended_desk.on_asked(self.ground, state, event, now)
        if event.action in guided_desk.ACTIONS:
            return guided_desk.on_asked(self.ground, state, event, now)
        if event.action in proving.ACTIONS:
            return proving.on_asked(self.ground, state, event, now)
        on_asked = place_desk.on_asked if event.action in place_desk.ACTIONS else holds.on_asked
        return on_asked(self.ground, state, event, now)

    def _valves_and_links(self, state: State, event: Event, now: Now) -> Told:
        match event:
            case ev.ValveOpened() | ev.ValveClosed() | ev.ValveRefused() if attended.is_attended(event.run_id):
                return attended.on_valve(self.ground, state, event, now)
            case ev.ValveOpened():
                return keeper_news.on_opened(state, event, now)
            case ev.ValveClosed():
                return keeper_news.on_closed(self.ground, state, event, now)
            case ev.ValveRefused():
                return keeper_news.on_refused(self.ground, state, event, now)
            case ev.KeeperFound():
                state, tests = attended.on_keeper_found(state, event, now)
                state, told = keeper_news.on_keeper_found(self.ground, state, event, now)
                state, over = cleared(state, "keeper", now, "the keeper answers again")
                state, unsure = self._relays(state, event, now)
                return state, tests + told + over + unsure + keeper_news.closed_topics(self.ground, state, now)
            case ev.LocksKnown():
                state, told = locks.learn(self.ground, state, event, now)
                state, planned = self._replan(state, now)
                return state, told + planned
            case ev.StopsTold():
                return stops.on_told(self.ground, state, event, now)
            case ev.KeeperLost():
                lost = replace(state, keeper_ready=False)
                text = f"The valve keeper does not answer ({event.why}); {valve_kinds.when_lost(self.ground.site)}."
                return raised(lost, "keeper", "keeper_lost", text, now)
            case ev.BrokerChanged():
                return replace(state, broker_connected=event.connected), []
            case ev.FaultSeen():
                return raised(state, f"fault/{event.part}", "service_fault", event.text, now)
            case _:
                return state, []

    def _relays(self, state: State, event: ev.KeeperFound, now: Now) -> Told:
        """The keeper cannot say that everything is off, or can again."""
        if event.ready:
            return cleared(state, "relays", now, "the relays answer again, everything was switched off")
        if not event.alarm:
            return state, []  # it has only just begun
        text = f"A valve may be open: {event.alarm}. Look at the valves and shut the water by hand."
        return raised(state, "relays", "relays_unsure", text, now)

    def _readings(self, state: State, blocks: Sequence[ReadingsArrived], now: Now) -> Told:
        """What was read was true before anything else of this step: take it up first, all sensors at once."""
        sensors = dict(state.sensors)
        metered: dict[str, None] = {}
        commands: list[Command] = []
        for block in blocks:
            before = sensors.get(block.sensor, NEVER_HEARD)
            if len(block.time_s) and block.time_s[-1] >= before.at_s:
                # A late block is booked at its own time and says nothing of the present.
                sensors[block.sensor] = SensorState(float(block.time_s[-1]), float(block.value[-1]), before.rejected)
            if block.sensor in self.ground.probes and len(block.time_s):
                believed = daily.fitting(self.ground, state.soil, state.belief)
                state = replace(state, belief=daily.hear(believed, block))
            supply = self._meters.get(block.sensor)
            if supply is not None:
                state = flow_watch.on_meter(state, supply, block)
                state, announced = attended.on_meter(state, supply, block, now)
                state, led = guided.on_meter(self.ground, state, supply, block, now)
                state, told = pipe_watch.on_meter(self.ground, state, supply, (block, blocks), now)
                commands += announced + led + told
                metered[supply] = None
            if state.guided.tests:
                state = guided.on_pressure(self.ground, state, block)
            state, told = hints.hear(self.ground, self.hint_places, state, block, now)
            commands += told
        state = weather_holds.hear(self.ground, replace(state, sensors=sensors), blocks)
        for supply in metered:
            state, told = flow_watch.tell_flow(state, supply, now)
            commands += told
        return state, commands

    def _rejected(self, state: State, event: ev.ReadingRejected) -> State:
        before = state.sensors.get(event.sensor, NEVER_HEARD)
        return replace(state, sensors={**state.sensors, event.sensor: replace(before, rejected=before.rejected + 1)})

    def _eto(self, state: State, event: ev.ReferenceEtKnown) -> Told:
        fact = None
        if event.eto_mm is not None and math.isfinite(event.eto_mm):
            fact = EtoFact(eto_mm=max(0.0, event.eto_mm), method=event.method, sd_mm=event.sd_mm)
        assumed = self.ground.assumed_eto(state.soil, event.date)
        state = replace(state, forecasts=forecasts.check_eto(state.forecasts, event, assumed.eto_mm))
        return replace(state, soil=beliefs.learn_eto(state.soil, event.date, fact, assumed)), []

    def _rain(self, state: State, event: ev.RainKnown, now: Now) -> Told:
        """A day's rain is known: book it, and let it judge what forecasts said of it."""
        believed = daily.fitting(self.ground, state.soil, state.belief)
        told_rain = rain.heard(believed.rain, event.date, event.source, event.rain_mm)
        state = replace(state, belief=replace(believed, rain=told_rain))
        state, hinted = hints.on_rain(self.ground, self.hint_places, state, event, now)
        if event.check:
            return state, hinted
        soil = state.soil
        known = forecasts.check_rain(state.forecasts, event.date, event.rain_mm, event.source, soil.record_rain_mm)
        soil = beliefs.learn_rain(soil, event.date, event.rain_mm, event.hourly_mm)
        state = replace(state, soil=soil, forecasts=known)
        state = weather_holds.after_rain(self.ground, state, event.date, event.rain_mm, now.wall.timestamp())
        commands: list[Command] = [*hinted]
        for name, sentence in forecasts.doubted(known):
            state, told = raised(state, f"fault/forecast of {name}", "service_fault", sentence, now)
            commands += told
        return state, commands

    def _rule_answered(self, state: State, event: ev.RuleAnswered, now: Now) -> Told:
        """A plug-in's word, or why there is none: decide with it, and tell people of a rule that is not followed."""
        words, rule, complaint = plugged.heard(self.ground, state.rule_words, event)
        if not rule:
            return state, []
        key, state = f"fault/rule {rule}", replace(state, rule_words=words)
        if complaint:
            state, told = raised(state, key, "service_fault", complaint, now)
        else:
            state, told = cleared(state, key, now, f'the rule "{rule}" answers again')
        state, planned = self._replan(state, now)
        return state, [*told, *planned]

    def _clock(self, state: State, event: ev.ClockStepped | ev.ClockJudged, now: Now) -> Told:
        if isinstance(event, ev.ClockJudged):
            return clock_doubt.on_judged(self.ground, state, event, now)
        state = replace(state, clock_set_s=now.elapsed_s)
        state = replace(state, turned_back=name_again.on_stepped(self.ground, state, event.step_s, now))
        # Runs whose hour a step has leapt over find a place in what is left of the night; begun ones are left alone.
        return self._replan(state, now) if abs(event.step_s) >= STEP_WORTH_PLANNING_S else (state, [])

    def _started(self, state: State, event: ev.ServiceStarted, now: Now) -> Told:
        """The daemon came up; under another site file or time zone the night is decided anew within its hours."""
        same_file = state.site_digest in ("", event.site_digest)
        state = replace(keeper_news.on_started(state, now), site_digest=event.site_digest)
        state, commands = restarts.on_started(state, now)
        if not same_file:
            state, told = place_now.under_new_file(self.ground, state, now)
            state, planned = self._replan(state, now)
            commands += [*told, *planned]
        state, orphans = closing.orphaned(state, now)
        state, led = guided.on_started(self.ground, state, now)
        state, over = attended.on_started(state, now)
        state, asked = self._asked_again(state, now)
        return state, [*commands, *orphans, *led, *over, *asked]

    def _asked_again(self, state: State, now: Now) -> Told:
        """A question to a plug-in does not outlive the process that carried it."""
        words = plugged.unanswered_dropped(state.rule_words)
        if len(words) == len(state.rule_words):
            return state, []
        return self._replan(replace(state, rule_words=words), now)

    def _replan(self, state: State, now: Now) -> Told:
        """New weather may change a night that is planned or under way."""
        return holds.replan(self.ground, state, now)

    def _close_days(self, state: State, now: Now) -> Told:
        commands: list[Command] = []
        while beliefs.may_close(state.soil) and now.trusted:
            assert state.soil.day is not None  # noqa: S101 - as ``may_close`` says
            assumed = self.ground.assumed_eto(state.soil, state.soil.day)
            found = beliefs.closable(state.soil, self.ground.days, now.wall.timestamp(), assumed)
            if found is None:
                break
            soil, day = found
            closed, rows = beliefs.close_day(soil, self.ground.table, day, state.day_reasons.get(day, ()))
            believed = daily.close_day(self.ground, daily.fitting(self.ground, soil, state.belief), soil, day)
            closed = daily.taught(self.ground, soil, closed, believed, day)
            state = replace(state, soil=closed, belief=believed.belief)
            commands += daily.with_belief(rows, believed)
            state, told = doubts.tell(self.ground, state, believed, now)
            commands += told
            state, told = establishment.on_day_closed(self.ground, state, day, now)
            commands += told
        return state, commands

    def _expire(self, state: State, now: Now) -> Told:
        if not now.trusted:  # a wrong clock must not end what people have set an end to
            return state, []
        state, told = holds.expire_holds(pipe_watch.expire(state, now), now)
        state, changed = place_desk.expire(self.ground, state, now)
        told = [*told, *changed]
        quiet = [
            key for key, alarm in state.alarms.items() if key.startswith("fault/") and now.wall - alarm.since > QUIET
        ]
        for key in quiet:
            state, over = cleared(state, key, now, "not seen again for a day")
            told = [*told, *over]
        return state, told

    def _cool(self, state: State, now: Now) -> Told:
        return cooling.due(self.ground, state, now)

    def _attended(self, state: State, now: Now) -> Told:
        state, told = attended.due(self.ground, state, now)
        state, led = guided.due(self.ground, state, now)
        return state, [*told, *led]

    def _run(self, state: State, now: Now) -> Told:
        return sequencer.run_due(self.ground, state, now)

    def _wake_s(self, state: State, now: Now) -> float:
        wake_s = min(sequencer.next_wake_s(self.ground, state, now), headworks.next_wake_s(self.ground, state, now))
        wake_s = min(wake_s, attended.next_wake_s(state), guided.next_wake_s(state))
        ends = [hold.until for hold in state.holds.values()]
        ends += [wish.by for wish in state.water_ins.values() if wish.by is not None]
        ends += [leave.until for leave in state.place.exemptions.values()]
        ends += [state.place.stage.until] if state.place.stage and state.place.stage.until else []
        ends = ends if now.trusted else []
        for end in ends:
            wake_s = min(wake_s, now.elapsed_s + (end - now.wall).total_seconds())
        free_at = pipe_watch.next_end(state) if now.trusted else None
        return wake_s if free_at is None else min(wake_s, now.elapsed_s + (free_at - now.wall).total_seconds())
