"""When a message says it was measured."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from dewpond.adapters.readings.numbers import to_number
from dewpond.adapters.readings.pointer import ABSENT

SENML_ABSOLUTE_S = 2.0**28  # RFC 8428 section 4.5.3: from here on a time counts from 1970, below from "now"
_NO_TIME = ("", "now")  # an upload in query-string form may say so in words


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeRule:
    """Where a message keeps its own time, and in which form.

    ``format`` is iso, iso_local, unix_s, unix_ms, pws (UTC without offset, or ``now``) or senml; ``zone`` is for
    iso_local.
    """

    format: str
    pointer: tuple[str, ...] | None = None
    column: int | str | None = None
    zone: ZoneInfo | None = None


@dataclass(frozen=True, slots=True)
class Stamp:
    """The time of a reading (aware, UTC). ``own`` is False where it is only the time of arrival, or counted from it."""

    at: datetime
    own: bool


def read_stamp(rule: TimeRule | None, raw: object, received_at: datetime) -> Stamp | None:
    """The message's own time, else its arrival. None when there is a time that cannot be read."""
    if rule is None or raw is ABSENT or raw is None:
        return Stamp(received_at, own=False)
    if isinstance(raw, str) and raw.strip().casefold() in _NO_TIME:
        return Stamp(received_at, own=False)
    try:
        return _FORMATS[rule.format](rule, raw, received_at)
    except (ValueError, OverflowError, OSError):  # no time of that form, or one beyond the calendar
        return None


def nearest_instant(local: datetime, zone: ZoneInfo, received_at: datetime) -> datetime:
    """The instant a wall clock in ``zone`` showed ``local``.

    A time shown twice, or skipped, when clocks change has two candidates; the nearest to ``received_at`` is taken.
    """
    candidates = [local.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1)]
    return min(candidates, key=lambda instant: abs(instant - received_at))


def _iso(rule: TimeRule, raw: object, received_at: datetime) -> Stamp:
    moment = _parse(raw)
    if moment.tzinfo is None and rule.zone is not None:
        return Stamp(nearest_instant(moment, rule.zone, received_at), own=True)
    if moment.tzinfo is None:
        raise ValueError("a time without offset")
    return Stamp(moment.astimezone(UTC), own=True)


def _pws(_rule: TimeRule, raw: object, _received_at: datetime) -> Stamp:
    moment = _parse(raw)
    return Stamp(moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC), own=True)


def _parse(raw: object) -> datetime:
    """ISO 8601 with date and time. Raises ValueError otherwise; a bare date is no instant."""
    if not isinstance(raw, str) or not 10 < len(raw.strip()) <= 40:
        raise ValueError("no time of day")
    return datetime.fromisoformat(raw.strip())


def _unix_s(_rule: TimeRule, raw: object, _received_at: datetime) -> Stamp:
    return Stamp(datetime.fromtimestamp(_number(raw), UTC), own=True)


def _unix_ms(_rule: TimeRule, raw: object, _received_at: datetime) -> Stamp:
    return Stamp(datetime.fromtimestamp(_number(raw) / 1000.0, UTC), own=True)


def _senml(_rule: TimeRule, raw: object, received_at: datetime) -> Stamp:
    seconds = _number(raw)
    if seconds >= SENML_ABSOLUTE_S:
        return Stamp(datetime.fromtimestamp(seconds, UTC), own=True)
    return Stamp(received_at + timedelta(seconds=seconds), own=False)


def _number(raw: object) -> float:
    number = to_number(raw)
    if not math.isfinite(number):
        raise ValueError("no number")
    return number


_FORMATS = {"iso": _iso, "iso_local": _iso, "unix_s": _unix_s, "unix_ms": _unix_ms, "pws": _pws, "senml": _senml}
