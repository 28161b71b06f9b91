"""The site's calendar: local dates and clock hours to wall seconds since 1970 and back, across clock changes.

All instants inside the brain are plain seconds; only this file knows the time zone.
"""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

EPOCH = date(1970, 1, 1)


class LocalDays:
    """Dates of one time zone. Lookups are remembered: a season asks for the same few midnights again and again."""

    def __init__(self, timezone: str) -> None:
        self.zone = ZoneInfo(timezone)
        self._midnights: dict[date, float] = {}
        self._asked = [(math.inf, math.inf, EPOCH)] * 2  # the two dates asked for last, such as those of a night

    def start_s(self, day: date) -> float:
        """The first instant of a local date."""
        known = self._midnights.get(day)
        if known is None:
            known = self._midnights[day] = self.clock_s(day, time(0))
        return known

    def end_s(self, day: date) -> float:
        """The instant a local date ends: 23, 24 or 25 hours after its start."""
        return self.start_s(day + timedelta(days=1))

    def clock_s(self, day: date, clock: time) -> float:
        """The instant of a local clock reading; one inside the spring gap moves forward with the clock."""
        return datetime.combine(day, clock, self.zone).timestamp()

    def readings_s(self, day: date, clock: time) -> tuple[float, float]:
        """Both instants that may be meant by a clock reading; they differ only where the clock is set."""
        local = datetime.combine(day, clock, self.zone)
        return local.timestamp(), local.replace(fold=1).timestamp()

    def date_at(self, at_s: float) -> date:
        """The local date of an instant."""
        for start_s, end_s, day in self._asked:
            if start_s <= at_s < end_s:
                return day
        day = datetime.fromtimestamp(at_s, self.zone).date()
        self._asked = [(self.start_s(day), self.end_s(day), day), self._asked[0]]
        return day

    def et_share(self, at_s: float) -> float:
        """Share of a day's ET that is past at this local clock time: a half-sine from 6 to 18 h.

        The diurnal course of radiation is close to a half-sine; the hours are common practice, no source.
        """
        local = datetime.fromtimestamp(at_s, self.zone)
        hour = local.hour + local.minute / 60.0 + local.second / 3600.0
        if hour <= 6.0:
            return 0.0
        if hour >= 18.0:
            return 1.0
        return (1.0 - math.cos(math.pi * (hour - 6.0) / 12.0)) / 2.0

    def parts_by_date(self, start_s: float, span_s: float) -> list[tuple[float, float]]:
        """A span cut at local midnights: (start, seconds) of each part."""
        parts = []
        end_s = start_s + span_s
        while start_s < end_s:
            cut_s = min(end_s, self.end_s(self.date_at(start_s)))
            parts.append((start_s, cut_s - start_s))
            start_s = cut_s
        return parts


def utc(at_s: float) -> datetime:
    """An aware UTC time of an instant."""
    return datetime.fromtimestamp(at_s, UTC)
