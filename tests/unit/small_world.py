"""The real brain and loop with hand-written ports of a few lines each: no I/O, time moves by waiting."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, timedelta

from dewpond.adapters.store.memory_store import MemoryStore
from dewpond.brain.brain import Brain
from dewpond.model.commands import RecordDay, RecordRun
from dewpond.model.events import (
    DayEnded,
    Event,
    KeeperFound,
    Now,
    OperatorAsked,
    PlanningDue,
    RainKnown,
    ReferenceEtKnown,
    ValveClosed,
    ValveOpened,
    ValveRefused,
)
from dewpond.model.site import Site
from dewpond.runner.runner import Ports, Runner
from dewpond_sim.replay_clock import ReplayClock


class IdealKeeper:
    """Opens and closes at once. ``refuses`` makes it say no; ``open_now`` is what is open."""

    def __init__(self) -> None:
        self.open_now: dict[int, tuple[str, float]] = {}
        self.refuses = ""
        self.most_open = 0

    def open(self, run_id: str, output: int, planned_s: float, now: Now) -> list[Event]:
        if self.refuses:
            return [ValveRefused(at=now.wall, run_id=run_id, output=output, why=self.refuses)]
        self.open_now[output] = (run_id, now.elapsed_s)
        self.most_open = max(self.most_open, len(self.open_now))
        return [ValveOpened(at=now.wall, run_id=run_id, output=output)]

    def close(self, run_id: str, output: int, now: Now, cause: str) -> list[Event]:
        if output not in self.open_now:
            return []
        held, since_s = self.open_now.pop(output)
        return [ValveClosed(at=now.wall, run_id=held, output=output, open_s=now.elapsed_s - since_s, why=cause)]

    def close_all(self, now: Now, cause: str) -> list[Event]:
        return [event for output in list(self.open_now) for event in self.close("", output, now, cause)]

    def renew(self, now: Now) -> list[Event]:
        return []

    def look(self, now: Now) -> list[Event]:
        return []

    def next_renewal_s(self) -> float:
        return math.inf


class Silent:
    """A bus, calendar or feed that says only what a test queued."""

    def __init__(self) -> None:
        self.queued: list[Event] = []
        self.published: list[tuple[str, dict]] = []

    def drain(self, now: Now) -> list[Event]:
        events, self.queued = self.queued, []
        return events

    def publish(self, topic: str, body, *, retained: bool) -> None:
        self.published.append((topic, dict(body)))

    def observe(self, events) -> None:
        pass

    def next_due_s(self, now: Now) -> float:
        return math.inf


class Answers:
    """A desk that keeps what people were told."""

    def __init__(self) -> None:
        self.queued: list[Event] = []
        self.told: dict[str, tuple[bool, str]] = {}

    def drain(self, now: Now) -> list[Event]:
        events, self.queued = self.queued, []
        return events

    def answer(self, request_id: str, reply) -> None:
        self.told[request_id] = (reply.accepted, reply.text)

    def publish(self, view) -> None:
        pass


class SmallWorld:
    """One site from a local midnight on, zones as dry as ``depletion_share`` of RAW."""

    def __init__(self, site: Site, start: datetime = datetime(2026, 6, 1, 5, tzinfo=UTC), depletion_share: float = 1.0):
        self.site, self.brain = site, Brain(site)
        self.clock, self.keeper, self.bus, self.desk = ReplayClock(start), IdealKeeper(), Silent(), Answers()
        self.store = MemoryStore()
        ports = Ports(
            clock=self.clock,
            valves=self.keeper,
            bus=self.bus,
            store=self.store,
            calendar=Silent(),
            weather=Silent(),
            desk=self.desk,
        )
        state = self.brain.first_state(self.clock.now(), depletion_share)
        self.runner = Runner(brain=self.brain, state=state, ports=ports)
        self.tell(KeeperFound(at=start, session="one", ready=True))

    @property
    def now(self) -> Now:
        return self.clock.now()

    @property
    def state(self):
        return self.runner.state

    def tell(self, *events: Event) -> None:
        """Events that arrive now, taken up at once."""
        self.runner.tell(*events)
        self.runner.pass_once()

    def until(self, hours: float) -> None:
        """Let the loop run to this many hours after the start."""
        self.runner.run(hours * 3600.0)

    def plan(self, day: date = date(2026, 6, 1)) -> None:
        self.tell(PlanningDue(at=self.now.wall, date=day))

    def weather(self, day: date, eto_mm: float | None, rain_mm: float | None = 0.0) -> None:
        """A day is over and its weather known."""
        self.tell(
            DayEnded(at=self.now.wall, date=day),
            RainKnown(at=self.now.wall, date=day, rain_mm=rain_mm, source="test"),
            ReferenceEtKnown(at=self.now.wall, date=day, eto_mm=eto_mm, method="test", sd_mm=0.3),
        )

    def ask(self, action: str, **fields) -> tuple[bool, str]:
        """One request of a person; what they are told."""
        request_id = f"r{len(self.desk.told)}"
        self.tell(OperatorAsked(at=self.now.wall, request_id=request_id, who="Ana", action=action, **fields))
        return self.desk.told[request_id]

    def runs(self) -> list[RecordRun]:
        return list(self.store.recorded(RecordRun))

    def days(self) -> list[RecordDay]:
        return list(self.store.recorded(RecordDay))

    def in_hours(self, hours: float) -> datetime:
        return self.now.wall + timedelta(hours=hours)
