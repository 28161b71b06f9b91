"""The one loop: carries events into the brain and commands out through the ports.

Live, demo, replay and tests run this same loop; only the ports differ. An intent is durable before a relay moves, and a
result as soon as it is known. Leases are renewed only at the end of a full pass, so a hung loop lets valves close.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from dewpond.brain.brain import Brain
from dewpond.brain.state import State
from dewpond.crash_points import AtPoint, passed_by
from dewpond.model.commands import (
    AnswerOperator,
    AskRule,
    ClearAlarm,
    CloseAll,
    CloseValve,
    Command,
    OpenValve,
    PublishState,
    RaiseAlarm,
    RecordDay,
    RecordPlan,
    RecordReason,
    RecordRun,
    TrustClock,
)
from dewpond.model.events import (
    ClockStepped,
    DayEnded,
    Event,
    Now,
    RuleAnswered,
    ValveClosed,
    ValveOpened,
    ValveRefused,
)
from dewpond.model.view import SiteView
from dewpond.ports import Bus, Calendar, Clock, Desk, OperatorReply, Rules, Store, Valves, WeatherFeed

STEP_NOTICED_S = 1.0  # a wall clock that moves this much against elapsed time has been set
VALVE_NEWS = (ValveOpened, ValveClosed, ValveRefused)
TOLD_AT_ONCE = (RecordRun, RaiseAlarm, AnswerOperator)
RECORDS = (RecordPlan, RecordRun, RecordDay, RecordReason, RaiseAlarm, ClearAlarm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ports:
    """Everything the loop touches."""

    clock: Clock
    valves: Valves
    bus: Bus
    store: Store
    calendar: Calendar
    weather: WeatherFeed
    desk: Desk | None = None
    rules: Rules | None = None


@dataclass
class Runner:
    """One site's loop. ``look`` builds the picture people see; without a desk nobody looks."""

    brain: Brain
    ports: Ports
    state: State
    step_no: int = 0
    look: Callable[[State, Now], SiteView] | None = None
    after_pass: Callable[[Now], None] | None = None
    longest_sleep_s: float = math.inf
    vouch: Callable[[Now, str], None] | None = None  # has the clock believed, by a person's word
    at: AtPoint = passed_by
    _pending: list[Event] = field(default_factory=list)
    _wake_s: float = 0.0
    _wall_offset_s: float | None = None
    _stopping: bool = False

    def tell(self, *events: Event) -> None:
        """Queue events of the service itself (start, faults) for the next pass."""
        self._pending += events

    def stop(self) -> None:
        """End ``run`` after the present pass. Safe from other threads, not from a signal handler."""
        self._stopping = True
        self.ports.clock.wake()

    def run(self, until_elapsed_s: float = math.inf) -> None:
        """Pass, sleep, pass, until ``stop`` is called or the elapsed time is reached."""
        while not self._stopping:
            wake_s = self.pass_once()
            if self.ports.clock.now().elapsed_s >= until_elapsed_s:
                return
            self.ports.clock.wait(min(wake_s, until_elapsed_s))

    def pass_once(self) -> float:
        """Take up everything that waits, let the brain decide until it wants nothing more; the next wake time."""
        now = self.ports.clock.now()
        events = self._gather(now)
        if events or now.elapsed_s >= self._wake_s:
            self._step(events, now)
        self.step_events(now)
        if now.elapsed_s >= self.ports.valves.next_renewal_s():
            self.at("renew-due")
            self._pending += self.ports.valves.renew(now)
        self.ports.store.flush_if_due(now)
        self._pending += self.ports.store.faults()
        if self.after_pass is not None:
            self.after_pass(now)
        return self._next_wake_s(now)

    def step_events(self, now: Now) -> None:
        """Let the brain take up queued events until carrying out its commands brings no new ones."""
        while self._pending:
            events, self._pending = self._pending, []
            self._step(events, now)

    def _gather(self, now: Now) -> list[Event]:
        """Readings first: what they say was true before anything else of this pass."""
        ports = self.ports
        events: list[Event] = [*self._clock_step(now), *ports.bus.drain(now)]
        if events:
            ports.weather.observe(events)
        events += self._pending
        self._pending = []
        events += ports.weather.drain(now)
        events += ports.calendar.drain(now)
        events += ports.rules.drain(now) if ports.rules is not None else ()
        asked = ports.desk.drain(now) if ports.desk is not None else ()
        if asked:
            events += ports.valves.look(now)  # nobody is promised water that a dead keeper cannot give
        return [*events, *asked]

    def _clock_step(self, now: Now) -> Sequence[Event]:
        offset_s = now.wall.timestamp() - now.elapsed_s
        before, self._wall_offset_s = self._wall_offset_s, offset_s
        if before is None or abs(offset_s - before) < STEP_NOTICED_S:
            return ()
        return (ClockStepped(at=now.wall, step_s=offset_s - before),)

    def _step(self, events: Sequence[Event], now: Now) -> None:
        step = self.brain.step(self.state, events, now)
        self.step_no += 1
        self.state, self._wake_s = step.state, step.wake_at_s
        self.ports.store.append(self.step_no, now, events, step.commands)
        self._carry_out(step.commands, now)
        if _matters(events, step.commands):
            self._commit_result(events)
        if any(isinstance(event, DayEnded) for event in events):
            self.ports.store.snapshot(self.step_no, now, self.state)
        if self.look is not None and self.ports.desk is not None:
            self.ports.desk.publish(self.look(self.state, now))

    def _carry_out(self, commands: Sequence[Command], now: Now) -> None:
        """Records first, then all in the brain's order, then answers to people.

        Closings stand before openings and never wait for the disk; nothing opens, and nobody is told yes, before it.
        """
        for command in commands:
            if isinstance(command, RECORDS):
                self.ports.store.record(command)
        deeds = [command for command in commands if not isinstance(command, RECORDS)]
        intents = [number for number, command in enumerate(deeds) if isinstance(command, OpenValve)]
        first = intents[0] if intents else len(deeds)
        for command in deeds[:first]:
            self._carry_out_one(command, now)
        durable = self._commit_intent() if intents else True
        for command in deeds[first:]:
            self._carry_out_one(command, now, durable=durable)
        answers = [command for command in deeds if isinstance(command, AnswerOperator)]
        if answers:
            self.ports.store.commit()
        for answer in answers:
            self._answer(answer)

    def _commit_intent(self) -> bool:
        self.at("intent-decided")
        durable = self.ports.store.commit()
        self.at("intent-durable")
        return durable

    def _commit_result(self, events: Sequence[Event]) -> None:
        closed = any(isinstance(event, ValveClosed) for event in events)
        what = "closed" if closed else "opened" if any(isinstance(event, ValveOpened) for event in events) else "other"
        self.at(f"{what}-decided")
        self.ports.store.commit()
        self.at(f"{what}-durable")

    def _carry_out_one(self, command: Command, now: Now, *, durable: bool = True) -> None:
        ports = self.ports
        match command:
            case OpenValve():
                self._open(command, durable, now)
            case CloseValve():
                self.at("close-decided")
                self._pending += ports.valves.close(command.run_id, command.output, now, command.cause)
            case CloseAll():
                self._pending += ports.valves.close_all(now, command.cause)
            case PublishState():
                ports.bus.publish(command.topic, command.body, retained=command.retained)
            case AskRule():
                self._ask_rule(command, now)
            case TrustClock() if self.vouch is not None:
                self.vouch(now, command.who)
            case _:
                pass

    def _answer(self, command: AnswerOperator) -> None:
        if self.ports.desk is not None:
            reply = OperatorReply(accepted=command.accepted, text=command.text, body=command.body)
            self.ports.desk.answer(command.request_id, reply)
            self.at("answer-given")

    def _open(self, command: OpenValve, durable: bool, now: Now) -> None:
        if not durable:
            why = "the intent could not be written to disk; nothing opens without a record"
            self._pending.append(ValveRefused(at=now.wall, run_id=command.run_id, output=command.output, why=why))
            return
        self._pending += self.ports.valves.open(command.run_id, command.output, command.planned_s, now)

    def _ask_rule(self, command: AskRule, now: Now) -> None:
        """Put a question to a plug-in; one that answers at once is heard in the same pass."""
        rules = self.ports.rules
        if rules is None:
            why = "cannot be asked here"
            self._pending.append(RuleAnswered(at=now.wall, request_id=command.request_id, failure=why))
            return
        rules.ask(command, now)
        self._pending += rules.drain(now)

    def _next_wake_s(self, now: Now) -> float:
        if self._pending:
            return now.elapsed_s
        ports = self.ports
        return min(
            self._wake_s,
            ports.valves.next_renewal_s(),
            ports.calendar.next_due_s(now),
            ports.weather.next_due_s(now),
            now.elapsed_s + self.longest_sleep_s,
        )


def _matters(events: Sequence[Event], commands: Sequence[Command]) -> bool:
    """Whether this step must be on disk at once: a valve moved, or a run, plan, alarm or answer came of it."""
    if any(isinstance(event, VALVE_NEWS) for event in events):
        return True
    return any(isinstance(command, TOLD_AT_ONCE) for command in commands)
