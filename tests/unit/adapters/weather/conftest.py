"""A small invented site, a clock moved by hand, and a reference ET that only remembers what it was asked."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, time, timedelta
from pathlib import Path

import numpy as np
import pytest

from dewpond.adapters.weather.et_child import ChildReferenceEt, Place
from dewpond.model.events import Event, Now, ReadingsArrived
from dewpond.model.hours import DayRule, Hours, Watering
from dewpond.model.site import Feed, Relays, Sensor, Site
from dewpond.ports import DayWeather

DATA = Path(__file__).resolve().parents[3] / "data"


class HandClock:
    """ports.Clock moved by hand; counts holds and remembers a wake."""

    def __init__(self, wall: datetime) -> None:
        self.wall, self.elapsed_s, self.trusted = wall, 1000.0, True
        self.holds = 0
        self.woken = threading.Event()

    def now(self) -> Now:
        return Now(wall=self.wall, elapsed_s=self.elapsed_s, trusted=self.trusted)

    def move_to(self, wall: datetime) -> Now:
        self.elapsed_s += max(0.0, (wall - self.wall).total_seconds())
        self.wall = wall
        return self.now()

    def move(self, seconds: float) -> Now:
        return self.move_to(self.wall + timedelta(seconds=seconds))

    def wait(self, until_elapsed_s: float) -> None:
        self.move(max(0.0, until_elapsed_s - self.elapsed_s))

    def wake(self) -> None:
        self.woken.set()

    def hold(self) -> None:
        self.holds += 1

    def unhold(self) -> None:
        self.holds -= 1


class AskedEt(ChildReferenceEt):
    """Starts no process; keeps the days it was asked for."""

    def __init__(self) -> None:
        super().__init__(HandClock(datetime(2027, 1, 1, tzinfo=UTC)))
        self.asked: list[DayWeather] = []
        self.notes: list[str] = []

    def ask(self, days: Sequence[DayWeather], place: Place, note: str = "") -> None:
        self.asked += days
        self.notes += [note] * len(days)


@pytest.fixture
def clock() -> HandClock:
    return HandClock(datetime(2027, 5, 14, 12, 0, tzinfo=UTC))


@pytest.fixture
def et() -> AskedEt:
    return AskedEt()


@pytest.fixture
def seasons() -> Path:
    return DATA / "seasons"


@pytest.fixture
def feeds() -> Path:
    return DATA / "feeds"


@pytest.fixture
def make_site() -> Callable[..., Site]:
    """Withy Hollow (invented), with these sensors as (id, kind) or (id, kind, zone), and these feeds."""

    def make(*sensors: tuple[str, ...], timezone: str = "Europe/London", feeds: tuple[Feed, ...] = ()) -> Site:
        return Site(
            name="Withy Hollow",
            slug="withy-hollow",
            latitude_deg=51.123456,
            longitude_deg=-2.654321,
            elevation_m=40.0,
            timezone=timezone,
            units="metric",
            watering=Watering(window=Hours(start=time(21), end=time(6)), days=DayRule()),
            restrictions=(),
            supplies=(),
            relays=Relays(driver="simulated", outputs=8),
            zones=(),
            programs=(),
            sensors=tuple(
                Sensor(id=s[0], kind=s[1], topic=f"yard/{s[0]}", zone=s[2] if len(s) > 2 else None) for s in sensors
            ),
            feeds=feeds,
        )

    return make


@pytest.fixture
def readings() -> Callable[..., Event]:
    """A block of readings: every ``step_s`` from ``start`` to before ``end``, one value or a function of the hour."""

    def make(
        sensor: str,
        start: datetime,
        end: datetime,
        value: float | Callable[[float], float],
        step_s: float = 600.0,
        window_s: float | None = None,
    ) -> Event:
        time_s = np.arange(start.timestamp(), end.timestamp(), step_s)
        hours = (time_s - start.timestamp()) / 3600.0
        values = np.array([value(h) if callable(value) else value for h in hours])
        windows = None if window_s is None else np.full(time_s.size, window_s)
        return ReadingsArrived(at=end, sensor=sensor, time_s=time_s, value=values, window_s=windows)

    return make
