"""The brain: ``step(state, events, now) -> (state, commands, wake_at, reasons)``. No I/O, no clock, no waiting.

The same state, events and times give the same commands, whether live, in a replayed season or from a journal.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta

from dewpond.brain import beliefs, flow_watch, holds, sequencer
from dewpond.brain.ground import Ground, ground_of
from dewpond.brain.planner import plan_night
from dewpond.brain.sequencer import Told
from dewpond.brain.state import AlarmState, EtoFact, SensorState, State
from dewpond.model import events as ev
from dewpond.model.commands import ClearAlarm, Command, PublishState, RaiseAlarm, RecordReason
from dewpond.model.events import Event, Now, ReadingsArrived
from dewpond.model.reasons import ZoneReason
from dewpond.model.site import Site

QUIET = timedelta(days=1)  # a fault of the service that is not seen again for this long counts as over


NEVER_HEARD = SensorState(at_s=0.0, value=math.nan)


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
        self._meters = {supply.meter: supply.id for supply in site.supplies if supply.meter}

    def first_state(self, now: Now, depletion_share_of_raw: float = 0.0) -> State:
        """The state before anything happened: each zone this share of its RAW below field capacity."""
        today = self.ground.days.date_at(now.wall.timestamp())
        soil = beliefs.first_soil(self.ground.table, today, depletion_share_of_raw)
        return State(soil=soil, site_digest=self.ground.site.digest)

    def step(self, state: State, events: Sequence[Event], now: Now) -> Step:
        """Take up events in order, close dates that are over, and move the valves that are due."""
        state, commands = self._readings(state, [event for event in events if isinstance(event, ReadingsArrived)], now)
        for event in events:
            state, told = self._take(state, event, now)
            commands += told
        new_weather = any(isinstance(event, ev.ReferenceEtKnown | ev.RainKnown) for event in events)
        duties = (self._close_days, self._expire, *((self._replan,) if new_weather else ()), self._run)
        for duty in duties:
            state, told = duty(state, now)
            commands += told
        reasons = tuple(command.reason for command in commands if isinstance(command, RecordReason))
        return Step(state, tuple(commands), self._wake_s(state, now), reasons)

    def _take(self, state: State, event: Event, now: Now) -> Told:
        match event:
            case ev.ReferenceEtKnown():
                return self._eto(state, event)
            case ev.RainKnown():
                return replace(state, soil=beliefs.learn_rain(state.soil, event.date, event.rain_mm)), []
            case ev.PlanningDue():
                return plan_night(self.ground, state, event.date, now.wall.timestamp())
            case ev.DayEnded():
                return replace(state, soil=replace(state.soil, ended=event.date)), []
            case ev.OperatorAsked():
                return holds.on_asked(self.ground, state, event, now)
            case ev.ServiceStarted():
                return replace(sequencer.on_started(state, now), site_digest=event.site_digest), []
            case ev.ServiceStopping():
                return replace(state, keeper_ready=False), []
            case ev.ReadingRejected():
                return self._rejected(state, event), []
            case _:
                return self._valves_and_links(state, event, now)

    def _valves_and_links(self, state: State, event: Event, now: Now) -> Told:
        match event:
            case ev.ValveOpened():
                return sequencer.on_opened(state, event, now)
            case ev.ValveClosed():
                return sequencer.on_closed(self.ground, state, event, now)
            case ev.ValveRefused():
                return sequencer.on_refused(state, event, now)
            case ev.KeeperFound():
                state, told = sequencer.on_keeper_found(self.ground, state, event, now)
                state, cleared = _clear(state, "keeper", now, "the keeper answers again")
                return state, told + cleared + sequencer.closed_topics(self.ground, state, now)
            case ev.KeeperLost():
                lost = replace(state, keeper_ready=False)
                text = (
                    f"The valve keeper does not answer ({event.why}); open valves close by themselves in two minutes."
                )
                return _raise(lost, "keeper", "keeper_lost", text, now)
            case ev.BrokerChanged():
                return replace(state, broker_connected=event.connected), []
            case ev.FaultSeen():
                return _raise(state, f"fault/{event.part}", "service_fault", event.text, now)
            case _:
                return state, []

    def _readings(self, state: State, blocks: Sequence[ReadingsArrived], now: Now) -> Told:
        """What was read was true before anything else of this step: take it up first, all sensors at once."""
        sensors = dict(state.sensors)
        metered: list[str] = []
        for block in blocks:
            before = sensors.get(block.sensor, NEVER_HEARD)
            if len(block.time_s) and block.time_s[-1] >= before.at_s:
                # A late block is booked at its own time and says nothing of the present.
                sensors[block.sensor] = SensorState(float(block.time_s[-1]), float(block.value[-1]), before.rejected)
            supply = self._meters.get(block.sensor)
            if supply is not None:
                state = flow_watch.on_meter(state, supply, block)
                metered.append(supply)
        commands: list[Command] = []
        if blocks:
            state = replace(state, sensors=sensors)
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
        return replace(state, soil=beliefs.learn_eto(state.soil, event.date, fact, assumed)), []

    def _replan(self, state: State, now: Now) -> Told:
        """New weather may change a night that is planned or under way."""
        return holds.replan(self.ground, state, now)

    def _close_days(self, state: State, now: Now) -> Told:
        commands: list[Command] = []
        while state.soil.day is not None:
            assumed = self.ground.assumed_eto(state.soil, state.soil.day)
            found = beliefs.closable(state.soil, self.ground.days, now.wall.timestamp(), assumed)
            if found is None:
                break
            soil, day = found
            soil, rows = beliefs.close_day(soil, self.ground.table, day, state.day_reasons.get(day, ()))
            state = replace(state, soil=soil)
            commands += rows
        return state, commands

    def _expire(self, state: State, now: Now) -> Told:
        state, told = holds.expire_holds(state, now)
        quiet = [
            key for key, alarm in state.alarms.items() if key.startswith("fault/") and now.wall - alarm.since > QUIET
        ]
        for key in quiet:
            state, cleared = _clear(state, key, now, "not seen again for a day")
            told = [*told, *cleared]
        return state, told

    def _run(self, state: State, now: Now) -> Told:
        return sequencer.run_due(self.ground, state, now)

    def _wake_s(self, state: State, now: Now) -> float:
        wake_s = sequencer.next_wake_s(state, now)
        for hold in state.holds.values():
            wake_s = min(wake_s, now.elapsed_s + (hold.until - now.wall).total_seconds())
        return wake_s


def _raise(state: State, key: str, kind: str, sentence: str, now: Now, zone: str | None = None) -> Told:
    if key in state.alarms:
        seen_again = replace(state.alarms[key], since=now.wall) if key.startswith("fault/") else state.alarms[key]
        return replace(state, alarms={**state.alarms, key: seen_again}), []
    alarm = AlarmState(key=key, since=now.wall, kind=kind, zone=zone, sentence=sentence)
    told: list[Command] = [
        RaiseAlarm(key=key, at=now.wall, kind=kind, zone=zone, detail=sentence),
        PublishState(topic="alarm", body={"at": now.wall.isoformat(), "kind": kind, "zone": zone, "text": sentence}),
    ]
    return replace(state, alarms={**state.alarms, key: alarm}), told


def _clear(state: State, key: str, now: Now, why: str) -> Told:
    if key not in state.alarms:
        return state, []
    left = {known: alarm for known, alarm in state.alarms.items() if known != key}
    told: list[Command] = [
        ClearAlarm(key=key, at=now.wall, why=why),
        PublishState(topic="alarm", body={"at": now.wall.isoformat(), "kind": "cleared", "zone": None, "text": why}),
    ]
    return replace(state, alarms=left), told
