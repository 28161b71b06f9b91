"""What stands between the daemon and the simulated world in an ordeal, and does the harm that its faults want."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, TypeVar

from dewpond.adapters.store.memory_store import MemoryStore
from dewpond.brain.local_time import LocalDays
from dewpond.model.commands import Command
from dewpond.model.events import (
    Event,
    FaultSeen,
    Now,
    RainKnown,
    ReadingRejected,
    ReadingsArrived,
    ReferenceEtKnown,
)
from dewpond.model.site import Site
from dewpond.ports import DayWeather
from dewpond_drivers.driver import DriverRefused, DriverUnreachable
from dewpond_sim.ordeal.faults import Fault
from dewpond_sim.world.sensors import Readings
from dewpond_sim.world.sky import eto_of
from dewpond_sim.world.world import World

LIED_ETO_MM = 15.0
FLUSH_S = 30.0
C = TypeVar("C", bound=Command)


class Storm:
    """The faults of an ordeal, asked by kind for the one that is at work. ``true_s`` is the elapsed time there."""

    def __init__(self, faults: Sequence[Fault], true_s: Callable[[], float]) -> None:
        self._by_kind: dict[str, list[Fault]] = {}
        for fault in faults:
            self._by_kind.setdefault(fault.kind, []).append(fault)
        self.true_s = true_s

    def now(self, kind: str, target: str = "") -> Fault | None:
        """The fault of a kind that is at work, on ``target`` where it has one."""
        at_s = self.true_s()
        found = (fault for fault in self._by_kind.get(kind, ()) if fault.covers(at_s))
        return next((fault for fault in found if not fault.target or fault.target == target), None)


class Board:
    """A relay board over the simulated world. ``moved`` hears of every relay that really moves."""

    holds_when_cut_off = True
    timed_on = False

    def __init__(self, outputs: int, storm: Storm, moved: Callable[[int, bool], None]) -> None:
        self._storm = storm
        self._moved = moved
        self._on = dict.fromkeys(range(1, outputs + 1), False)
        self._said = dict(self._on)

    @property
    def on(self) -> frozenset[int]:
        """Outputs that are really on."""
        return frozenset(output for output, on in self._on.items() if on)

    def connect(self) -> None:
        self.all_off()

    def set_output(self, output: int, on: bool) -> None:
        self._reach()
        if on and self._storm.now("will not open", str(output)):
            raise DriverRefused(f"output {output} is stuck off")
        if not on and self._storm.now("will not close", str(output)) and self._on[output]:
            raise DriverRefused(f"output {output} is stuck on")
        self._said[output] = on
        if on and self._storm.now("liar", str(output)):
            return
        if self._on[output] != on:
            self._on[output] = on
            self._moved(output, on)

    def all_off(self) -> None:
        failed = []
        for output in self._on:
            try:
                self.set_output(output, False)
            except DriverRefused as fault:
                failed.append(str(fault))
        if failed:
            raise DriverRefused("; ".join(failed))

    def read_back(self) -> Mapping[int, bool | None]:
        self._reach()
        return dict(self._said)

    def close(self) -> None:
        """Let go; a dying keeper switches nothing."""

    def _reach(self) -> None:
        if self._storm.now("board away"):
            raise DriverUnreachable("the board does not answer")


class Letters:
    """ports.Bus: the world's readings on their way to the daemon, lost, late, or unreadable."""

    def __init__(self, world: World, start_s: float, storm: Storm) -> None:
        self._world, self._start_s, self._storm = world, start_s, storm
        self._waiting: list[Readings] = []
        self._late: list[Readings] = []
        self._uncounted: dict[str, Readings] = {}  # of counters, whose next message makes up for lost ones

    def catch_up(self) -> None:
        """Let the world come to the present; what it reports from now on is on its way."""
        for reading in self._world.advance(self._start_s + self._storm.true_s()):
            self._send(reading)

    def forget(self) -> None:
        """Nobody keeps messages for a daemon that is dead."""
        self._waiting, self._late, self._uncounted = [], [], {}

    def drain(self, now: Now) -> Sequence[Event]:
        self.catch_up()
        if self._late and not self._storm.now("messages late"):
            self._waiting, self._late = [*self._late, *self._waiting], []
        waiting, self._waiting = self._waiting, []
        return [self._event(reading, now) for reading in waiting]

    def publish(self, topic: str, body: Mapping[str, Any], *, retained: bool) -> None:
        """Nobody listens."""

    def _send(self, reading: Readings) -> None:
        if not len(reading.time_s):
            return
        if self._storm.now("messages lost"):
            if reading.window_s is not None:
                self._uncounted[reading.sensor] = _merged(self._uncounted.get(reading.sensor), reading)
            return
        owed = self._uncounted.pop(reading.sensor, None)
        reading = reading if owed is None else _in_one(owed, reading)
        mad = self._storm.now("sensor mad", reading.sensor)
        reading = reading if mad is None else replace(reading, value=reading.value * mad.value)
        (self._late if self._storm.now("messages late") else self._waiting).append(reading)

    def _event(self, reading: Readings, now: Now) -> Event:
        if self._storm.now("garbage", reading.sensor):
            return ReadingRejected(at=now.wall, sensor=reading.sensor, reason="no number", excerpt='{"litres": "NaN"}')
        return ReadingsArrived(
            at=now.wall,
            sensor=reading.sensor,
            time_s=reading.time_s,
            value=reading.value,
            window_s=reading.window_s,
        )


def _merged(before: Readings | None, more: Readings) -> Readings:
    """One row with all that both counted."""
    assert more.window_s is not None  # noqa: S101 - asked by the caller
    value, window_s = more.value.sum(keepdims=True), more.window_s.sum(keepdims=True)
    if before is not None and before.window_s is not None:
        value, window_s = value + before.value, window_s + before.window_s
    return Readings(more.sensor, more.time_s[-1:], value, window_s)


def _in_one(owed: Readings, reading: Readings) -> Readings:
    """The first row of a counter that is heard again also has what was not heard."""
    if reading.window_s is None or owed.window_s is None:
        return reading
    value, window_s = reading.value.copy(), reading.window_s.copy()
    value[0] += owed.value[0]
    window_s[0] += owed.window_s[0]
    return replace(reading, value=value, window_s=window_s)


@dataclass(frozen=True, slots=True)
class _Told:
    """What the feed has to say of one date, once it is over."""

    due_s: float
    day: DayWeather


class Feed:
    """ports.WeatherFeed: each date's rain and reference ET an hour after it ended, or late, false, twice, or never."""

    def __init__(self, weather: Sequence[DayWeather], site: Site, start_s: float, storm: Storm) -> None:
        days = LocalDays(site.timezone)
        self._storm = storm
        self._all = [_Told(days.end_s(day.date) - start_s + 3600.0, day) for day in weather]
        self._left = list(self._all)

    def again(self, known: Collection[date]) -> None:
        """A daemon that starts asks for all dates that it has no word of."""
        since_s = self._storm.true_s() - 7 * 86_400.0
        self._left = [told for told in self._all if told.day.date not in known and told.due_s > since_s]

    def observe(self, events: Sequence[Event]) -> None:
        """This feed has no gauge of its own."""

    def next_due_s(self, now: Now) -> float:
        """Late word comes with the next look."""
        return next((told.due_s for told in self._left if told.due_s > now.elapsed_s), math.inf)

    def drain(self, now: Now) -> Sequence[Event]:
        if not self._left or self._left[0].due_s > now.elapsed_s or self._storm.now("feed late"):
            return []
        events: list[Event] = []
        while self._left and self._left[0].due_s <= now.elapsed_s:
            day = self._left.pop(0).day
            if not self._storm.now("feed silent"):
                events += self._of(day, now)
        return [*events, *events] if self._storm.now("feed twice") else events

    def _of(self, day: DayWeather, now: Now) -> list[Event]:
        lie = self._storm.now("feed lies")
        rain_mm = day.rain_mm if lie is None else lie.value
        eto_mm = eto_of(day) if lie is None else LIED_ETO_MM
        return [
            RainKnown(at=now.wall, date=day.date, rain_mm=rain_mm, source="feed"),
            ReferenceEtKnown(at=now.wall, date=day.date, eto_mm=eto_mm, method="radiation", sd_mm=0.4),
        ]


class Disk(MemoryStore):
    """ports.Store in memory with a disk's weakness: what was not committed is lost when the daemon dies."""

    def __init__(self, storm: Storm) -> None:
        super().__init__()
        self._storm = storm
        self._durable = (0, 0, 0, 0)
        self._full_told = False
        self._waits_since_s: float | None = None

    @property
    def waiting(self) -> bool:
        """Whether anything would be lost now."""
        return self._lengths() != self._durable

    def commit(self) -> bool:
        if self._storm.now("disk full"):
            return False
        self._durable, self._waits_since_s = self._lengths(), None
        return super().commit()

    def flush_if_due(self, now: Now) -> None:
        if not self.waiting:
            return
        if self._waits_since_s is None:
            self._waits_since_s = now.elapsed_s
        if now.elapsed_s >= self._waits_since_s + FLUSH_S:
            self.commit()

    def faults(self) -> Sequence[Event]:
        full = self._storm.now("disk full") is not None
        news, self._full_told = full and not self._full_told, full
        if not news:
            return ()
        at = self.steps[-1][1].wall
        return (FaultSeen(at=at, part="store", text="the journal cannot be written: the disk is full"),)

    def lose(self) -> None:
        """The daemon dies."""
        steps, commands, records, snapshots = self._durable
        del self.steps[steps:], self.commands[commands:], self.records[records:], self.snapshots[snapshots:]

    def _lengths(self) -> tuple[int, int, int, int]:
        return len(self.steps), len(self.commands), len(self.records), len(self.snapshots)
