"""What the accounts are made from: the records of a span of site dates, as the store has them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any, Protocol

from dewpond.model.commands import RecordDay, RecordRun
from dewpond.model.reasons import ZoneReason
from dewpond.upkeep.rule_log import Span


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """An incident; ``cleared_at`` is None while it lasts, ``lost_l`` None where nobody counted. [L]"""

    at: datetime
    kind: str
    zone: str | None
    detail: str
    supply: str = ""
    lost_l: float | None = None
    cleared_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Records:
    """All that happened in ``span``. ``counted_l`` is what each supply's meter counted in each calendar month, whatever
    was open; a supply without readings is missing there. ``rules`` is the log for an inspector (``upkeep.rule_log``).
    """

    span: Span
    days: Sequence[RecordDay] = ()
    runs: Sequence[RecordRun] = ()
    faults: Sequence[Fault] = ()
    reasons: Sequence[ZoneReason] = ()
    counted_l: Mapping[tuple[str, str], float] = field(default_factory=dict)
    rules: Mapping[str, Any] = field(default_factory=dict)


class ReadRecords(Protocol):
    """Reads a span from wherever it is kept; ``decisions`` False leaves out reasons and rules, which take longest."""

    def __call__(self, span: Span, *, decisions: bool = True) -> Records: ...


def nothing_kept(span: Span, *, decisions: bool = True) -> Records:  # noqa: ARG001 - as the real ones are called
    """The records of a site that never ran."""
    return Records(span=span)


def month_of(day: date) -> str:
    """A calendar month as "2027-06"."""
    return f"{day:%Y-%m}"


def months_of(span: Span) -> list[tuple[str, Span]]:
    """The calendar months of a span, the first and the last cut to it."""
    found, first = [], span.first
    while first <= span.last:
        following = (first.replace(day=1) + timedelta(days=32)).replace(day=1)
        last = min(span.last, following - timedelta(days=1))
        found.append((month_of(first), Span(first, last, span.zone)))
        first = following
    return found


def days_of(span: Span) -> list[date]:
    """Every date of a span."""
    return [span.first + timedelta(days=n) for n in range((span.last - span.first).days + 1)]


def year_before(span: Span) -> Span:
    """The same dates one year earlier; 29 February becomes the 28th."""
    return Span(_earlier(span.first), _earlier(span.last), span.zone)


def _earlier(day: date) -> date:
    try:
        return day.replace(year=day.year - 1)
    except ValueError:
        return day.replace(year=day.year - 1, day=28)
