"""Past days and forecasts from an online weather service: polled politely by a worker thread.

Days that are over are told when complete, days that are not as a forecast at every poll that brings a new answer.
A weather model is no gauge: such days say in their source and method where they come from.
"""

from __future__ import annotations

import json
import queue
import threading
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from math import inf
from typing import Any, Protocol
from zoneinfo import ZoneInfo

import numpy as np

from dewpond.adapters.weather.et_child import ChildReferenceEt, Place
from dewpond.adapters.weather.feeds import met_norway, openmeteo
from dewpond.adapters.weather.feeds.client import Answer, PoliteClient
from dewpond.adapters.weather.feeds.intervals import (
    AnswerError,
    FeedAnswer,
    LatLon,
    day_sums,
    require_place,
    within_bounds,
)
from dewpond.adapters.weather.forecast_days import PART as FORECAST_PART
from dewpond.adapters.weather.forecast_days import ForecastRead, read_forecast_days
from dewpond.adapters.weather.kept_answers import KeptAnswers
from dewpond.adapters.weather.season_files import Hourly, Station, hourly_to_days, station_day_bounds_utc
from dewpond.model.events import Event, FaultSeen, Now, RainKnown, ReferenceEtKnown
from dewpond.ports import Clock, DayWeather, EtoValue

PART = "online weather"
# Names of the forecasts; a source's word on the past begins with the same, so that it is never checked by itself.
OPEN_METEO, MET_NORWAY = "Open-Meteo", "MET Norway"
POLL_S = 3600.0
# Standard deviation of a model's reference ET. Not measured here: taken as that from temperatures alone. [mm]
MODEL_SD_MM = 0.94
# A told day is told again only when the service changes it by more than this. [mm]
RAIN_CHANGE_MM = 0.5
ETO_CHANGE_MM = 0.2
# Hours further ahead than this are not kept as a stand-in for measurements. [h]
STAND_IN_HOURS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class OnlineDay:
    """One day that is over: its weather, and its reference ET where the service gives it."""

    weather: DayWeather
    eto: EtoValue | None = None


class DayReader(Protocol):
    """Turns answers of one service into days that are over."""

    source: str

    def take(self, plain: Any, fetched_at: datetime) -> tuple[list[OnlineDay], list[str]]:
        """Complete days up to ``fetched_at``, and what was not believed. Raises AnswerError."""
        ...

    def forecast(self, plain: Any, fetched_at: datetime, raw_ref: str) -> ForecastRead:
        """The days ahead. Raises AnswerError."""
        ...


class OpenMeteoDays:
    """Rain and reference ET of past days as the service sums them by hour."""

    source = f"{OPEN_METEO}, weather model"

    def __init__(self, timezone: str, place: LatLon | None = None) -> None:
        self._timezone = timezone
        self._place = place

    def forecast(self, plain: Any, fetched_at: datetime, raw_ref: str) -> ForecastRead:
        """Whole days as the service sums them by hour, from today on; it states no time of issue but the poll's."""
        return read_forecast_days(
            self._parsed(plain).intervals,
            source=OPEN_METEO,
            timezone=self._timezone,
            issued_at=fetched_at,
            at=fetched_at,
            raw_ref=raw_ref,
        )

    def _parsed(self, plain: Any) -> FeedAnswer:
        require_place(openmeteo.place(plain), self._place, OPEN_METEO)
        return openmeteo.parse(plain)

    def take(self, plain: Any, fetched_at: datetime) -> tuple[list[OnlineDay], list[str]]:
        """A day counts once all its hours are there and over."""
        answer = within_bounds(self._parsed(plain), fetched_at)
        days = []
        for total in day_sums(answer, ZoneInfo(self._timezone)):
            start, end = station_day_bounds_utc(self._timezone, total.date)
            if end > fetched_at or total.hours < (end - start).total_seconds() / 3600.0:
                continue
            rain_mm = None if total.rain_missing_hours else total.rain_mm
            eto_mm = None if total.et0_missing_hours else max(0.0, total.et0_mm)
            method = "Open-Meteo hourly FAO-56, weather model"
            eto = EtoValue(date=total.date, eto_mm=eto_mm, method=method, sd_mm=MODEL_SD_MM)
            days.append(OnlineDay(weather=DayWeather(date=total.date, rain_mm=rain_mm), eto=eto))
        return days, _unbelieved(answer, fetched_at)


class MetNorwayDays:
    """Air and rain of past hours as last forecast for them; the service has no reference ET and no past."""

    source = f"{MET_NORWAY}, forecast"

    def __init__(self, timezone: str, place: LatLon | None = None) -> None:
        self._timezone = timezone
        self._place = place
        self._hours: dict[datetime, met_norway.HourOfAir] = {}

    def take(self, plain: Any, fetched_at: datetime) -> tuple[list[OnlineDay], list[str]]:
        """Keeps the latest word on each hour; a day counts once it is over, by the rule of 22 of 24 hours."""
        answer = within_bounds(self._parsed(plain), fetched_at)
        believed = {interval.start: interval.rain_mm for interval in answer.intervals}
        earliest, latest = fetched_at - timedelta(days=4), fetched_at + timedelta(hours=STAND_IN_HOURS)
        for hour in met_norway.hours(plain):
            if hour.start <= latest:
                self._hours[hour.start] = replace(hour, rain_mm=believed.get(hour.start))
        self._hours = {start: hour for start, hour in self._hours.items() if start > earliest}
        days = [
            OnlineDay(weather=day)
            for day in self._days()
            if station_day_bounds_utc(self._timezone, day.date)[1] <= fetched_at
        ]
        return days, _unbelieved(answer, fetched_at)

    def forecast(self, plain: Any, fetched_at: datetime, raw_ref: str) -> ForecastRead:
        """Rain and its probability, as of the time the service says it was updated; it has no reference ET."""
        return read_forecast_days(
            self._parsed(plain).intervals,
            source=MET_NORWAY,
            timezone=self._timezone,
            issued_at=met_norway.updated_at(plain) or fetched_at,
            at=fetched_at,
            raw_ref=raw_ref,
        )

    def _parsed(self, plain: Any) -> FeedAnswer:
        require_place(met_norway.place(plain), self._place, MET_NORWAY)
        return met_norway.parse(plain)

    def _days(self) -> tuple[DayWeather, ...]:
        hours = [self._hours[start] for start in sorted(self._hours)]
        if not hours:
            return ()

        def column(values: list[float | None]) -> Any:
            return np.array([np.nan if value is None else value for value in values], dtype=np.float64)

        hourly = Hourly(
            time_s=np.array([hour.start.timestamp() for hour in hours]),
            air_temperature_c=column([hour.air_temperature_c for hour in hours]),
            relative_humidity_pct=column([hour.relative_humidity_pct for hour in hours]),
            wind_speed_m_s=column([hour.wind_speed_m_s for hour in hours]),
            solar_radiation_w_m2=np.full(len(hours), np.nan),
            rain_mm=column([hour.rain_mm for hour in hours]),
        )
        place = Station(
            name=self.source,
            latitude_deg=0.0,
            longitude_deg=None,
            elevation_m=0.0,
            tz=self._timezone,
            wind_height_m=10.0,
        )
        return hourly_to_days(hourly, place)


class OnlineWeather:
    """ports.WeatherFeed over a service: a thread fetches, the runner's thread reads and tells.

    ``request`` gives address and query. Each date is told once, and again when the service changes it visibly.
    """

    def __init__(
        self,
        reader: DayReader,
        client: PoliteClient,
        request: tuple[str, Mapping[str, Any]],
        clock: Clock,
        et: ChildReferenceEt,
        *,
        place: Place,
        known_dates: Collection[date] = (),
        poll_s: float = POLL_S,
        kept: KeptAnswers | None = None,
    ) -> None:
        self._reader = reader
        self._fetch: Callable[[], Answer] = lambda: client.get(*request)
        self._clock = clock
        self._et = et
        self._place = place
        self._known = frozenset(known_dates)
        self._poll_s = poll_s
        self._kept = kept
        self._answers: queue.SimpleQueue[tuple[Answer, str, str]] = queue.SimpleQueue()
        self._forecast_of: datetime | None = None
        self._forecast_fault = ""
        self._asking = False
        self._next_s = 0.0
        self._told: dict[date, OnlineDay] = {}
        self._fault = ""

    def observe(self, events: object) -> None:
        """Readings do not matter to an online service."""

    def next_due_s(self, now: Now) -> float:
        """Elapsed time of the next poll; while one is under way its answer wakes the runner."""
        return inf if self._asking else max(self._next_s, now.elapsed_s)

    def drain(self, now: Now) -> list[Event]:
        """Rain and reference ET of the days that have become complete, and faults of the service."""
        events = self._et.drain(now)
        while not self._answers.empty():
            self._asking = False
            answer, raw_ref, unkept = self._answers.get()
            events += self._take(answer, now)
            events += self._forecast(answer, raw_ref, unkept, now)
        if not self._asking and now.elapsed_s >= self._next_s:
            self._poll(now)
        return events

    def _poll(self, now: Now) -> None:
        if not now.trusted:
            self._next_s = now.elapsed_s + 60.0
            return
        self._asking = True
        self._clock.hold()
        threading.Thread(target=self._work, name="online-weather", daemon=True).start()

    def _work(self) -> None:
        try:
            answer = self._fetch()
            raw_ref, unkept = "", ""
            if self._kept is not None and answer.body is not None and answer.fetched_at is not None:
                raw_ref, unkept = self._kept.keep(answer.body, answer.fetched_at)
            self._answers.put((answer, raw_ref, unkept))
        finally:
            self._clock.unhold()
            self._clock.wake()

    def _take(self, answer: Answer, now: Now) -> list[Event]:
        wait_s = (answer.next_request_at - now.wall).total_seconds()
        self._next_s = now.elapsed_s + max(wait_s, self._poll_s if answer.body else 0.0, 1.0)
        if answer.body is None or answer.fetched_at is None:
            return self._tell_once(f"{self._reader.source}: {answer.fault}", now)
        try:
            days, unbelieved = self._reader.take(json.loads(answer.body), answer.fetched_at)
        except (AnswerError, ValueError) as error:
            return self._tell_once(f"{self._reader.source}: {error}", now)
        fresh = [day for day in days if day.weather.date not in self._known and self._is_news(day)]
        self._told |= {day.weather.date: day for day in fresh}
        faults = self._tell_once("; ".join([text for text in (answer.fault, answer.notice) if text] + unbelieved), now)
        return faults + self._tell(fresh, now)

    def _forecast(self, answer: Answer, raw_ref: str, unkept: str, now: Now) -> list[Event]:
        """The days ahead of a new answer. An old one still stands, and the brain knows its age."""
        if answer.body is None or answer.fetched_at is None or answer.fetched_at == self._forecast_of:
            return []
        self._forecast_of = answer.fetched_at
        try:
            read = self._reader.forecast(json.loads(answer.body), answer.fetched_at, raw_ref)
        except (AnswerError, ValueError):
            return []  # the same answer was refused and told as a whole, by its past days
        told: list[Event] = [] if read.known is None else [replace(read.known, at=now.wall)]
        text = "; ".join([*read.refused, *([unkept] if unkept else [])])
        before, self._forecast_fault = self._forecast_fault, text
        return told + ([FaultSeen(at=now.wall, part=FORECAST_PART, text=text)] if text and text != before else [])

    def _is_news(self, day: OnlineDay) -> bool:
        told = self._told.get(day.weather.date)
        if told is None:
            return True
        rain_changed = _changed(told.weather.rain_mm, day.weather.rain_mm, RAIN_CHANGE_MM)
        before, after = (None if d.eto is None else d.eto.eto_mm for d in (told, day))
        return rain_changed or _changed(before, after, ETO_CHANGE_MM)

    def _tell(self, days: list[OnlineDay], now: Now) -> list[Event]:
        events: list[Event] = [
            RainKnown(at=now.wall, date=d.weather.date, rain_mm=d.weather.rain_mm, source=self._reader.source)
            for d in days
        ]
        events += [
            ReferenceEtKnown(at=now.wall, date=v.date, eto_mm=v.eto_mm, method=v.method, sd_mm=v.sd_mm)
            for v in (day.eto for day in days)
            if v is not None
        ]
        self._et.ask([day.weather for day in days if day.eto is None], self._place, note=self._reader.source)
        return events

    def _tell_once(self, text: str, now: Now) -> list[Event]:
        if text == self._fault:
            return []
        self._fault = text
        return [FaultSeen(at=now.wall, part=PART, text=text)] if text else []


def _unbelieved(answer: FeedAnswer, fetched_at: datetime) -> list[str]:
    """What was not believed of the past; of the days ahead the forecast's own check tells, day by day."""
    past = (r for r in answer.rejected if r.start < fetched_at)
    return [f"{r.start.isoformat()}: {r.value:g} not believed, {r.why}" for r in past]


def _changed(before: float | None, after: float | None, by: float) -> bool:
    if before is None or after is None:
        return before is not after
    return abs(after - before) > by
