"""A daily CSV file in season format that somebody else keeps writing: its days become known when they are over."""

from __future__ import annotations

import logging
from collections.abc import Collection
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

from dewpond.adapters.weather.et_child import ChildReferenceEt, Place
from dewpond.adapters.weather.feeds.intervals import MOST_RAIN_MM_DAY
from dewpond.adapters.weather.season_files import SeasonFileError, read_daily, station_day_bounds_utc
from dewpond.model.events import Event, FaultSeen, Now, RainKnown
from dewpond.ports import DayWeather

_LOG = logging.getLogger(__name__)
PART = "weather file"
POLL_S = 600.0
# Older rows are history that no balance waits for. [days]
LOOK_BACK_DAYS = 35


class CsvWeather:
    """ports.WeatherFeed from a daily.csv; looked at every ``poll_s`` seconds and read when it has changed.

    A row becomes known at the end of its day in ``timezone``. Each date is told once, and again when its values change.
    ``known_dates`` were told before a restart: they count as told with what the file then says.
    """

    def __init__(
        self,
        path: Path,
        et: ChildReferenceEt,
        *,
        place: Place,
        timezone: str,
        known_dates: Collection[date] = (),
        poll_s: float = POLL_S,
    ) -> None:
        self._path = path
        self._et = et
        self._place = place
        self._timezone = timezone
        self._known = frozenset(known_dates)
        self._poll_s = poll_s
        self._seen: tuple[int, int] | None = None
        self._days: tuple[DayWeather, ...] = ()
        self._told: dict[date, DayWeather] = {}
        self._fault = ""
        self._next_s = 0.0

    def observe(self, events: object) -> None:
        """Readings do not matter to a file."""

    def next_due_s(self, now: Now) -> float:
        """Elapsed time of the next look at the file, or of a day's end before it."""
        return max(self._next_s, now.elapsed_s)

    def drain(self, now: Now) -> list[Event]:
        """Rain of the days that have become known, and reference ET as the child process finds it."""
        events = self._et.drain(now)
        if now.elapsed_s < self._next_s:
            return events
        self._next_s = now.elapsed_s + min(self._poll_s, self._to_day_end_s(now))
        if not now.trusted:
            return events
        events += self._read(now)
        fresh = [day for day in self._days if self._is_news(day, now)]
        self._told |= {day.date: day for day in fresh}
        events += [RainKnown(at=now.wall, date=d.date, rain_mm=d.rain_mm, source=self._path.name) for d in fresh]
        self._et.ask(fresh, self._place)
        return events

    def _read(self, now: Now) -> list[Event]:
        """Read the file if it has changed. One that changes under our hands is left for the next look."""
        try:
            seen = self._signature()
            if seen == self._seen:
                return []
            daily = read_daily(self._path)
            if self._signature() != seen:
                return []
        except (SeasonFileError, OSError) as error:
            return self._tell_once(str(error), now)
        self._seen = seen
        self._days, unbelieved = _believable(daily.days)
        if not self._told:
            self._told = {day.date: day for day in self._days if day.date in self._known}
        for notice in daily.notices:
            _LOG.info("%s", notice)
        return self._tell_once("; ".join(unbelieved), now)

    def _signature(self) -> tuple[int, int]:
        found = self._path.stat()
        return found.st_mtime_ns, found.st_size

    def _tell_once(self, text: str, now: Now) -> list[Event]:
        if text == self._fault:
            return []
        self._fault = text
        return [FaultSeen(at=now.wall, part=PART, text=text)] if text else []

    def _is_news(self, day: DayWeather, now: Now) -> bool:
        if day.date < now.wall.date() - timedelta(days=LOOK_BACK_DAYS):
            return False
        over = station_day_bounds_utc(self._timezone, day.date)[1] <= now.wall
        return over and self._told.get(day.date) != day

    def _to_day_end_s(self, now: Now) -> float:
        """Seconds to the next end of a station day, when a row may become known."""
        around = (now.wall.date() + timedelta(days=n) for n in (-2, -1, 0, 1))
        waits = ((station_day_bounds_utc(self._timezone, day)[1] - now.wall).total_seconds() for day in around)
        return min(wait_s for wait_s in waits if wait_s > 0.0)


def _believable(days: Collection[DayWeather]) -> tuple[tuple[DayWeather, ...], list[str]]:
    """The days without rain beyond belief, and what was not believed."""
    refused = [day for day in days if day.rain_mm is not None and day.rain_mm > MOST_RAIN_MM_DAY]
    texts = [
        f"{day.date}: {day.rain_mm:g} mm of rain is above {MOST_RAIN_MM_DAY:g} mm, taken as missing" for day in refused
    ]
    return tuple(replace(day, rain_mm=None) if day in refused else day for day in days), texts
