"""The site's own weather station: readings of its sensors gathered into calendar days, then reference ET and rain."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import date, datetime, timedelta
from math import inf
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from dewpond.adapters.weather.et_child import ChildReferenceEt, Place
from dewpond.adapters.weather.season import station_day_bounds_utc
from dewpond.adapters.weather.station_day import UNSTATED_WINDOW_S, GaugeDay, RainDay, StationDay
from dewpond.model.events import RAIN_GAUGE, Event, Now, RainKnown, ReadingsArrived
from dewpond.model.site import Site
from dewpond.ports import DayWeather

Floats = NDArray[np.float64]

AIR_KINDS = ("temperature", "humidity", "wind", "solar")
# A day is told this long after its end, so that the last messages can arrive. [s]
GRACE_S = 300.0
# Readings that arrive later still correct a told day, at most this often. [s]
REVISE_S = 3600.0
# Days further back are no longer told. [days]
LOOK_BACK_DAYS = 35


class StationWeather:
    """ports.WeatherFeed from the site's sensors: temperature [degC], humidity [%], wind [m/s], solar [W/m2], rain [mm].

    Without ``et`` only the rain gauge is used. ``known_dates`` were told before a restart and are not told again;
    stored readings may be fed once more through ``observe``. A sensor that belongs to a zone measures its soil, not
    the air, and is left out, unless it is a rain gauge.
    """

    def __init__(
        self,
        site: Site,
        et: ChildReferenceEt | None,
        *,
        known_dates: Collection[date] = (),
        wind_height_m: float = 2.0,
    ) -> None:
        kinds = ("rain", *AIR_KINDS) if et is not None else ("rain",)
        self._sensors = {
            kind: [s.id for s in site.sensors if s.kind == kind and (s.zone is None or kind == "rain")]
            for kind in kinds
        }
        self._kind_of = {sensor: kind for kind, ids in self._sensors.items() for sensor in ids}
        self._et = et
        self._place = Place(latitude_deg=site.latitude_deg, elevation_m=site.elevation_m, wind_height_m=wind_height_m)
        self._timezone = site.timezone
        self._zone = ZoneInfo(site.timezone)
        self._known = frozenset(known_dates)
        self._days: dict[date, StationDay] = {}
        self._last_rain_s: dict[str, float] = {}
        self._first: date | None = None
        self._revise_s = 0.0

    @property
    def has_gauge(self) -> bool:
        """True when the site has a rain gauge."""
        return bool(self._sensors["rain"])

    def tells_rain_of(self, day: date) -> bool:
        """True when this gauge will say (or has said) what fell on the date, be it only that it does not know."""
        return self.has_gauge and self._first is not None and day >= self._first and day not in self._known

    def observe(self, events: Sequence[Event]) -> None:
        """Gather the readings of the weather sensors among these events."""
        for event in events:
            if not isinstance(event, ReadingsArrived):
                continue
            kind = self._kind_of.get(event.sensor)
            if kind == "rain":
                self._take_rain(event)
            elif kind is not None:
                self._take_air(event)

    def next_due_s(self, now: Now) -> float:
        """Elapsed time of the next day's end and its grace, or of the next correction."""
        if not any(self._sensors.values()):
            return inf
        if not now.trusted:
            return now.elapsed_s + 60.0
        now_s = now.wall.timestamp()
        today = self._day_at(now_s)
        ends = (today.start_s + GRACE_S - now_s, today.end_s + GRACE_S - now_s)
        due_s = now.elapsed_s + min(wait_s for wait_s in ends if wait_s > 0.0)
        if any(day.changed and day.told is not None for day in self._days.values()):
            due_s = min(due_s, max(now.elapsed_s, self._revise_s))
        return due_s

    def drain(self, now: Now) -> list[Event]:
        """Rain of days that are over, and reference ET as the child process finds it."""
        events = [] if self._et is None else self._et.drain(now)
        if not now.trusted or not any(self._sensors.values()):
            return events
        revising = now.elapsed_s >= self._revise_s
        ripe = [day for day in self._over(now) if day.told is None or (day.changed and revising)]
        if ripe:
            self._revise_s = now.elapsed_s + REVISE_S
        fresh = [weather for day in ripe if (weather := self._news(day)) is not None]
        if self.has_gauge:
            source = f"{RAIN_GAUGE} {', '.join(self._sensors['rain'])}"
            hours = {w.date: self._days[w.date].rain_hours(self._sensors["rain"]) for w in fresh}
            events += [
                RainKnown(at=now.wall, date=w.date, rain_mm=w.rain_mm, source=source, hourly_mm=hours[w.date])
                for w in fresh
            ]
        if self._et is not None:
            self._et.ask(fresh, self._place)
        return events

    def _news(self, day: StationDay) -> DayWeather | None:
        """The day's weather, unless just this was told before."""
        weather, day.changed = day.weather(self._sensors), False
        if weather == day.told:
            return None
        day.told = weather
        return weather

    def _take_air(self, event: ReadingsArrived) -> None:
        known = np.isfinite(event.value)
        time_s, value = event.time_s[known], event.value[known]
        while time_s.size:
            day = self._day_at(float(time_s[0]))
            upto = max(1, int(np.searchsorted(time_s, day.end_s, side="left")))
            gauge = day.gauges.setdefault(event.sensor, GaugeDay())
            gauge.add(time_s[:upto] - day.start_s, value[:upto])
            day.changed = True
            time_s, value = time_s[upto:], value[upto:]

    def _take_rain(self, event: ReadingsArrived) -> None:
        windows = np.full_like(event.value, np.nan) if event.window_s is None else event.window_s
        for end_s, rain_mm, window_s in zip(event.time_s, event.value, windows, strict=True):
            if not np.isfinite(rain_mm):
                continue
            before_s = self._last_rain_s.get(event.sensor, end_s)
            span_s = window_s if np.isfinite(window_s) else min(max(0.0, end_s - before_s), UNSTATED_WINDOW_S)
            self._last_rain_s[event.sensor] = end_s
            self._add_rain(event.sensor, float(end_s - span_s), float(end_s), float(rain_mm))

    def _add_rain(self, sensor: str, start_s: float, end_s: float, rain_mm: float) -> None:
        """Book an increment; over midnight it is split in proportion to time."""
        left_s = start_s
        while True:
            day = self._day_at(left_s)
            right_s = min(end_s, day.end_s)
            share = 1.0 if end_s == start_s else (right_s - left_s) / (end_s - start_s)
            day.rain.setdefault(sensor, RainDay(day.start_s)).add(left_s, right_s, rain_mm * share)
            day.changed = True
            if right_s >= end_s:
                return
            left_s = right_s

    def _date_at(self, at_s: float) -> date:
        return datetime.fromtimestamp(at_s, self._zone).date()

    def _day_at(self, at_s: float) -> StationDay:
        return self._day(self._date_at(at_s))

    def _day(self, day: date) -> StationDay:
        if day not in self._days:
            start, end = station_day_bounds_utc(self._timezone, day)
            self._days[day] = StationDay(date=day, start_s=start.timestamp(), end_s=end.timestamp())
        return self._days[day]

    def _over(self, now: Now) -> list[StationDay]:
        """The days that are over and not known from before, oldest first; far ones and dates to come are dropped."""
        now_s = now.wall.timestamp()
        today = self._date_at(now_s)
        if self._first is None:
            self._first = min([today, *(day for day in self._known if day <= today)])
        first = max(self._first, today - timedelta(days=LOOK_BACK_DAYS))
        tomorrow = today + timedelta(days=1)
        self._days = {day: kept for day, kept in self._days.items() if first <= day <= tomorrow}
        dates = (first + timedelta(days=n) for n in range((today - first).days))
        days = [self._day(day) for day in dates if day not in self._known]
        return [day for day in days if day.end_s + GRACE_S <= now_s]
