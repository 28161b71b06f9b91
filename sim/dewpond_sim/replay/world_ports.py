"""The ports of a replay: what broker, relays and weather feed give the daemon comes from a simulated world here."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections import deque
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from dewpond.adapters.weather.season import Season, SensorReadings, station_day_end_utc
from dewpond.model.events import RAIN_GAUGE, Event, Now, RainKnown, ReadingsArrived, ReferenceEtKnown
from dewpond.model.site import Site
from dewpond.ports import DayWeather, EtoValue
from dewpond_sim.replay.season_hours import rain_by_hour
from dewpond_sim.sensor_faults import FaultySensors
from dewpond_sim.world.world import World


def strangers(site: Site, recorded: Mapping[str, SensorReadings]) -> dict[str, int]:
    """Sensors that were recorded and that the site does not have, with how many readings are left out for it."""
    known = {sensor.id for sensor in site.sensors}
    return {name: len(block.time_s) for name, block in sorted(recorded.items()) if name not in known}


class WorldRelays:
    """A relay driver over the simulated world: switching an output moves the world's water."""

    holds_when_cut_off = False
    timed_on = False

    def __init__(self, world: World, outputs: int) -> None:
        self._world = world
        self._on = dict.fromkeys(range(1, outputs + 1), False)

    def connect(self) -> None:
        self.all_off()

    def set_output(self, output: int, on: bool) -> None:
        if self._on[output] != on:
            self._on[output] = on
            self._world.switch(output, on)

    def all_off(self) -> None:
        for output in self._on:
            self.set_output(output, False)

    def read_back(self) -> Mapping[int, bool | None]:
        return dict(self._on)

    def close(self) -> None:
        self.all_off()


class WorldBus:
    """Readings of the world's sensors up to the moment of each pass; a recorded sensor replaces its simulated twin."""

    def __init__(
        self,
        world: World,
        site: Site,
        recorded: Mapping[str, SensorReadings],
        sensors: FaultySensors | None = None,
    ) -> None:
        self._world = world
        self._sensors = sensors or FaultySensors(())
        self._recorded = {sensor.id: recorded[sensor.id] for sensor in site.sensors if sensor.id in recorded}
        self._taken = {name: bisect_right(block.time_s, world.at_s) for name, block in self._recorded.items()}
        self._rates = {
            sensor.id for sensor in site.sensors if sensor.kind == "flow" and not sensor.mapping.get("accumulation")
        } | {sensor.id for sensor in site.sensors if sensor.mapping.get("accumulation") == "rate"}
        self._meters = {sensor.id for sensor in site.sensors if sensor.kind == "flow"}
        self.flow_readings = 0

    def drain(self, now: Now) -> Sequence[Event]:
        events: list[Event] = []
        for true in self._world.advance(now.wall.timestamp()):
            reading = self._sensors.heard(true)
            if reading.sensor in self._recorded or not len(reading.time_s):
                continue
            value, window_s = reading.value, reading.window_s
            if reading.sensor in self._rates and window_s is not None:
                value = value * window_s / 60.0
            if reading.sensor in self._meters:
                self.flow_readings += len(value)
            events.append(
                ReadingsArrived(
                    at=now.wall, sensor=reading.sensor, time_s=reading.time_s, value=value, window_s=window_s
                )
            )
        return events + self._from_record(now)

    def publish(self, topic: str, body: Mapping[str, Any], *, retained: bool) -> None:
        """Nobody listens in a replay."""

    def _from_record(self, now: Now) -> list[Event]:
        events: list[Event] = []
        for name, block in self._recorded.items():
            first, last = self._taken[name], bisect_right(block.time_s, now.wall.timestamp())
            if last > first:
                self._taken[name] = last
                events.append(self._recorded_block(name, block, first, last, now))
        return events

    def _recorded_block(self, name: str, block: SensorReadings, first: int, last: int, now: Now) -> ReadingsArrived:
        time_s, value = block.time_s[first:last], block.value[first:last]
        window_s = None
        if name in self._meters:
            self.flow_readings += len(value)
            before_s = block.time_s[first - 1] if first else time_s[0]
            window_s = np.diff(time_s, prepend=before_s)
            value = value * window_s / 60.0 if name in self._rates else value
        return ReadingsArrived(at=now.wall, sensor=name, time_s=time_s, value=value, window_s=window_s)


class SeasonWeather:
    """The season's days, each known at the end of its own station day and not a second earlier.

    ``told`` are other events of the weather, such as forecasts: each known at its own ``at``. A rain gauge of the site
    is a second word on each day's rain, or the only one without ``rain_feed``.
    """

    def __init__(
        self,
        season: Season,
        eto: Sequence[EtoValue],
        told: Sequence[Event] = (),
        gauge: str | None = None,
        rain_feed: bool = True,
    ) -> None:
        self._gauge, self._rain_feed = gauge, rain_feed
        self._fallen_mm: float | None = None  # None while the gauge is not heard
        self._told = deque(sorted(told, key=lambda event: event.at))
        self._due = [
            (station_day_end_utc(season.station, day.date), day, value)
            for day, value in zip(season.days, eto, strict=True)
        ]
        self._next = 0
        self._hours = rain_by_hour(season)

    def observe(self, events: Sequence[Event]) -> None:
        """Gather what the gauge counts."""
        for event in events:
            if isinstance(event, ReadingsArrived) and event.sensor == self._gauge:
                self._fallen_mm = (self._fallen_mm or 0.0) + float(event.value.sum())

    def next_due_s(self, now: Now) -> float:
        due = [self._due[self._next][0]] if self._next < len(self._due) else []
        due += [self._told[0].at] if self._told else []
        return now.elapsed_s + (min(due) - now.wall) / timedelta(seconds=1) if due else math.inf

    def drain(self, now: Now) -> Sequence[Event]:
        events: list[Event] = []
        while self._next < len(self._due) and self._due[self._next][0] <= now.wall:
            known_at, day, value = self._due[self._next]
            self._next += 1
            events += self._rain(known_at, day)
            self._fallen_mm = None
            events.append(
                ReferenceEtKnown(
                    at=known_at, date=day.date, eto_mm=value.eto_mm, method=value.method, sd_mm=value.sd_mm
                )
            )
        while self._told and self._told[0].at <= now.wall:
            events.append(self._told.popleft())
        return events

    def _rain(self, known_at: datetime, day: DayWeather) -> list[Event]:
        """A date's rain by feed and gauge."""
        told: list[Event] = []
        if self._rain_feed:
            hours = self._hours.get(day.date)
            told.append(RainKnown(at=known_at, date=day.date, rain_mm=day.rain_mm, source="season", hourly_mm=hours))
        if self._gauge is not None and day.rain_mm is not None:
            source, check = f"{RAIN_GAUGE} {self._gauge}", self._rain_feed
            told.append(RainKnown(at=known_at, date=day.date, rain_mm=self._fallen_mm, source=source, check=check))
        return told
