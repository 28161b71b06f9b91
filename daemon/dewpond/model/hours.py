"""When water may run on a site: its window and days, closed dates, events and the restrictions of the place."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, time


@dataclass(frozen=True, slots=True, kw_only=True)
class DayRule:
    """Site calendar days on which water may flow.

    ``kind`` is ``any``, ``weekdays`` (0 is Monday), ``odd`` or ``even`` day of the month, or ``every`` n days counted
    from 1970-01-01.
    """

    kind: str = "any"
    weekdays: frozenset[int] = frozenset()
    every_days: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Hours:
    """Local clock hours [start, end); an end at or before the start means the window crosses midnight.

    Equal start and end is the whole day.
    """

    start: time
    end: time


@dataclass(frozen=True, slots=True, kw_only=True)
class Season:
    """A part of every year as (month, day), both ends included; it may pass the turn of the year."""

    first: tuple[int, int]
    last: tuple[int, int]

    def includes(self, day: date) -> bool:
        """Whether a calendar date lies in it."""
        at = (day.month, day.day)
        if self.first <= self.last:
            return self.first <= at <= self.last
        return at >= self.first or at <= self.last


@dataclass(frozen=True, slots=True, kw_only=True)
class DateSpan:
    """Calendar dates, both ends included, or a part of every year; without either, every date."""

    first: date | None = None
    last: date | None = None
    season: Season | None = None
    name: str = ""

    def includes(self, day: date) -> bool:
        """Whether a calendar date lies in it."""
        if self.season is not None and not self.season.includes(day):
            return False
        return (self.first is None or self.first <= day) and (self.last is None or day <= self.last)


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteEvent:
    """People on the ground: nothing runs there by schedule on its dates and days, within its hours (None: all day)."""

    name: str
    applies_to: frozenset[str]  # as for a restriction
    dates: DateSpan
    days: DayRule
    hours: Hours | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RainHold:
    """A day with this much rain holds the schedule for the days that follow it."""

    after_mm: float
    days: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Watering:
    """When water may run unless a restriction is stricter."""

    window: Hours
    days: DayRule
    max_open: int = 1
    rain_hold: RainHold | None = None
    wind_limit_m_s: float | None = None  # None: wind holds nothing
    freeze_limit_c: float | None = None  # None: the default, where a temperature sensor is there
    rain_method: str = "80 percent"  # or "infiltration"
    closed: tuple[DateSpan, ...] = ()  # dates without any watering by schedule
    stages: tuple[str, ...] = ()  # of restriction, as the place names them
    stage: str = ""  # in force until a person declares another; "" is none


@dataclass(frozen=True, slots=True, kw_only=True)
class Restriction:
    """A watering rule of the place; several combine and the strictest wins. Dates are included on both ends."""

    applies_to: frozenset[str]  # "overhead", "drip", "all", zone ids, supply ids
    days: DayRule
    hours: Hours | None
    from_date: date | None
    until_date: date | None
    name: str = ""
    methods: frozenset[str] = frozenset()  # "overhead", "drip", "spray", "rotor", "bubbler"; empty: all
    stages: frozenset[str] = frozenset()  # binds only while one of them is in force; empty is always
    season: Season | None = None  # part of every year in which it binds
    stop: bool = False  # complete stop: no water at all

    @property
    def dates(self) -> DateSpan:
        """The dates on which it binds."""
        return DateSpan(first=self.from_date, last=self.until_date, season=self.season)
