"""Days, clock times and dates as a site file writes them. Every function raises ValueError with what is accepted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime, time
from typing import Any

from dewpond.model.hours import DateSpan, DayRule, Hours, Season
from dewpond.settings.quantities import shown

WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
DAY_FORMS = '"any", "odd", "even", a list such as ["mon", "thu"], or {every = 3}'
LONGEST_INTERVAL_DAYS = 30


def parse_days(value: Any) -> DayRule:
    """One of the forms of ``days``. An empty list means no day at all."""
    if isinstance(value, str):
        word = value.strip().lower()
        return DayRule(kind=word) if word in ("any", "odd", "even") else _weekdays([value])
    if isinstance(value, Mapping):
        return _every(value)
    if isinstance(value, Sequence):
        return _weekdays(value)
    raise ValueError(f"{shown(value)} names no days")


def _every(value: Mapping[str, Any]) -> DayRule:
    days = value.get("every")
    if set(value) != {"every"} or not isinstance(days, int) or isinstance(days, bool):
        raise ValueError(f"{shown(dict(value))} is not of the form {{every = 3}}")
    if not 1 <= days <= LONGEST_INTERVAL_DAYS:
        raise ValueError(f"every {days} days is not between 1 and {LONGEST_INTERVAL_DAYS}")
    return DayRule(kind="any") if days == 1 else DayRule(kind="every", every_days=days)


def _weekdays(words: Sequence[Any]) -> DayRule:
    numbers = frozenset(_weekday(word) for word in words)
    return DayRule(kind="any") if len(numbers) == 7 else DayRule(kind="weekdays", weekdays=numbers)


def _weekday(word: Any) -> int:
    if isinstance(word, str) and len(word.strip()) >= 3:
        wanted = word.strip().lower()
        for number, name in enumerate(WEEKDAYS):
            if name.startswith(wanted):
                return number
    raise ValueError(f"{shown(word)} is not a weekday")


def parse_time(value: Any) -> time:
    """A clock time of the site: "05:30", or a TOML local time."""
    if isinstance(value, time):
        return value
    if not isinstance(value, str):
        raise ValueError(f"{shown(value)} is not a clock time")  # noqa: TRY004 - one kind of refusal for all forms
    try:
        found = time.fromisoformat(value.strip().rjust(5, "0"))
    except ValueError:
        raise ValueError(f"{shown(value)} is not a clock time") from None
    if found.tzinfo is not None or ":" not in value:
        raise ValueError(f"{shown(value)} is not a plain clock time")
    return found


def parse_hours(value: Any) -> Hours:
    """Two clock times, ["19:00", "09:00"]; an end at or before the start is on the next day."""
    if isinstance(value, str) or not isinstance(value, Sequence) or len(value) != 2:
        raise ValueError(f"{shown(value)} is not a pair of clock times")
    end = "00:00" if value[1] == "24:00" else value[1]
    return Hours(start=parse_time(value[0]), end=parse_time(end))


def parse_date(value: Any) -> date:
    """A calendar date: "2027-05-01", or a TOML local date."""
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    try:
        return date.fromisoformat(value.strip())
    except (AttributeError, ValueError):
        raise ValueError(f"{shown(value)} is not a calendar date") from None


def parse_date_or_day(value: Any) -> date | tuple[int, int]:
    """A calendar date, or a day of every year as month and day: "2027-05-01" or "05-01"."""
    text = value.strip() if isinstance(value, str) else ""
    if len(text) == 5:
        try:
            found = date.fromisoformat(f"2028-{text}")  # a leap year knows every day
        except ValueError:
            raise ValueError(f"{shown(value)} is no day of the year") from None
        return found.month, found.day
    return parse_date(value)


def date_span(first: Any, last: Any, name: str = "") -> DateSpan:
    """Dates or days of every year from and until, both included. Either may be None for dates, none for days."""
    if isinstance(first, tuple) and isinstance(last, tuple):
        return DateSpan(season=Season(first=first, last=last), name=name)
    if isinstance(first, tuple) or isinstance(last, tuple):
        raise ValueError("one end has a year and the other has not")  # noqa: TRY004 - one kind of refusal
    if first is not None and last is not None and first > last:
        raise ValueError(f"{first} is after {last}")
    return DateSpan(first=first, last=last, name=name)


def parse_closed_dates(value: Any) -> tuple[DateSpan, ...]:
    """Dates without watering: a list of dates, days of every year, and spans {from = .., until = .., name = ..}."""
    if isinstance(value, str) or not isinstance(value, Sequence):
        raise ValueError(f"{shown(value)} is not a list of dates")  # noqa: TRY004 - one kind of refusal
    return tuple(_closed(item) for item in value)


def _closed(item: Any) -> DateSpan:
    if not isinstance(item, Mapping):
        day = parse_date_or_day(item)
        return date_span(day, day)
    name = item.get("name", "")
    if not {"from", "until"} <= set(item) <= {"from", "until", "name"} or not isinstance(name, str):
        raise ValueError(f"{shown(dict(item))} is not of the form {{from = .., until = .., name = ..}}")
    return date_span(parse_date_or_day(item["from"]), parse_date_or_day(item["until"]), name)


def hours_minutes(hours: Hours) -> float:
    """Length of a span of clock hours [min]; equal ends are the whole day."""
    start = hours.start.hour * 60 + hours.start.minute + hours.start.second / 60
    end = hours.end.hour * 60 + hours.end.minute + hours.end.second / 60
    return (end - start) % 1440 or 1440.0
