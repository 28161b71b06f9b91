"""Files of weather loggers to columns and to intervals of rain.

Loggers differ in header lines, names and units rows, delimiter, decimal sign, zone and missing-value marks; a
``Layout`` says all of them. The four-line "TOA5" header (file facts; names; units; kind) and the season columns are
recognised.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from dewpond.adapters.weather.feeds.intervals import AnswerError, FeedAnswer, Interval, mm_factor
from dewpond.adapters.weather.season import station_day_bounds_utc

SENTINELS = ("", "NA", "N/A", "NaN", "NAN", "null", "INF", "-INF", "-99", "-999", "-6999", "-7999", "-9999")
TIME_NAMES = ("time_utc", "timestamp", "datetime", "date_time", "time", "date")
RAIN_NAMES = ("rain", "precip")
ET0_NAMES = ("et0", "eto", "reference_et")


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """How a logger writes its file. Rows count from 1; a row of None is not there.

    ``stamp`` is ``end`` where a time stamp closes its interval (the habit of loggers), ``start`` where it opens it.
    ``step_s`` None takes the shortest distance between two rows. Column names None are looked for by common words.
    """

    header_lines: int = 1
    names_row: int = 1
    units_row: int | None = None
    delimiter: str = ","
    decimal: str = "."
    zone: str = "UTC"
    sentinels: tuple[str, ...] = SENTINELS
    time_column: str | None = None
    time_format: str | None = None
    rain_column: str | None = None
    et0_column: str | None = None
    stamp: str = "end"
    step_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LoggerTable:
    """A logger's rows: instants in UTC, columns of the same length with None where missing, units as written."""

    time: tuple[datetime, ...]
    columns: Mapping[str, tuple[float | None, ...]]
    units: Mapping[str, str]
    dates_only: bool


def recognised(text: str, layout: Layout) -> Layout:
    """The layout with what the file itself tells: the four-line header, or the season's own column names."""
    first = text.partition("\n")[0].strip().strip('"')
    if first.startswith("TOA5"):
        return replace(layout, header_lines=4, names_row=2, units_row=3)
    return layout


def read(text: str, layout: Layout) -> LoggerTable:
    """Every numeric column of a logger file. Raises AnswerError with row and column."""
    rows = list(csv.reader(io.StringIO(text.removeprefix("\ufeff")), delimiter=layout.delimiter))
    names = [name.strip() for name in _header_row(rows, layout.names_row, "names")]
    units = _units(rows, layout, names)
    time_name = layout.time_column or _first(names, TIME_NAMES)
    if time_name is None or time_name not in names:
        raise AnswerError(f"row {layout.names_row}: no time column among {', '.join(names)}; name it (--time-column)")
    at = names.index(time_name)
    body = [(i, row) for i, row in enumerate(rows, start=1) if i > layout.header_lines and any(row)]
    if not body:
        raise AnswerError(f"row {layout.header_lines + 1}: there are no rows below the header")
    for i, row in body:
        if len(row) != len(names):
            raise AnswerError(
                f"row {i}: has {len(row)} cells where the names row has {len(names)}; check the delimiter"
            )
    columns = {
        name: tuple(_cell(row[k], layout) for _, row in body)
        for k, name in enumerate(names)
        if k != at and name and _numeric(name, [row[k] for _, row in body], layout)
    }
    return LoggerTable(
        time=_times([(i, row[at].strip()) for i, row in body], layout),
        columns=columns,
        units=units,
        dates_only=all(len(row[at].strip()) <= len("2000-01-01") for _, row in body),
    )


def parse(text: str, layout: Layout) -> FeedAnswer:
    """Intervals of rain (and reference ET where a column has it) of one logger file.

    A file of dates alone has whole local days as its intervals.
    """
    layout = recognised(text, layout)
    table = read(text, layout)
    rain_name = layout.rain_column or _first(list(table.columns), RAIN_NAMES)
    et0_name = layout.et0_column or _first(list(table.columns), ET0_NAMES)
    if rain_name is None and et0_name is None:
        found = ", ".join(table.columns) or "none with numbers"
        raise AnswerError(f"no rain column among {found}; name it (--rain-column)")
    rain, et0 = _depths(table, rain_name), _depths(table, et0_name)
    intervals = [
        Interval(start=start, end=end, rain_mm=r, et0_mm=e)
        for (start, end), r, e in zip(_spans(table, layout), rain, et0, strict=True)
    ]
    return FeedAnswer(
        feed="weather logger file",
        semantics=_semantics(table, layout),
        intervals=tuple(sorted(intervals, key=lambda interval: interval.start)),
        zone=ZoneInfo(layout.zone),
        has_et0=et0_name is not None,
    )


def _header_row(rows: Sequence[Sequence[str]], number: int, what: str) -> Sequence[str]:
    if not 1 <= number <= len(rows):
        raise AnswerError(f"row {number}: there is no {what} row; the file has {len(rows)} rows")
    return rows[number - 1]


def _units(rows: Sequence[Sequence[str]], layout: Layout, names: Sequence[str]) -> dict[str, str]:
    """Units from their own row, else from the end of the column's name (rain_mm, rain_in)."""
    if layout.units_row is not None:
        row = _header_row(rows, layout.units_row, "units")
        return {name: unit.strip() for name, unit in zip(names, row, strict=False) if unit.strip()}
    endings = {name: name.rpartition("_")[2].lower() for name in names}
    return {name: ending for name, ending in endings.items() if ending in ("mm", "in", "cm", "inch")}


def _first(names: Sequence[str], words: Sequence[str]) -> str | None:
    for word in words:
        for name in names:
            if name.lower().startswith(word):
                return name
    return None


def _is_missing(text: str, layout: Layout) -> bool:
    return text.strip() in layout.sentinels


def _cell(text: str, layout: Layout) -> float | None:
    return None if _is_missing(text, layout) else float(text.strip().replace(layout.decimal, "."))


def _numeric(name: str, cells: Sequence[str], layout: Layout) -> bool:
    """True when every cell is a number or missing. A rain column that is not is an error, other texts are left out."""
    for i, text in enumerate(cells, start=layout.header_lines + 1):
        try:
            _cell(text, layout)
        except ValueError:
            if name == layout.rain_column or _first([name], RAIN_NAMES):
                raise AnswerError(
                    f"row {i}, column {name}: {text!r} is not a number; name the decimal sign or the missing mark"
                ) from None
            return False
    return True


def _times(cells: Sequence[tuple[int, str]], layout: Layout) -> tuple[datetime, ...]:
    """Instants in UTC. A local time that happens twice in autumn is the later one where the rows go on rising."""
    zone = ZoneInfo(layout.zone)
    found: list[datetime] = []
    for i, text in cells:
        local = _local(text, layout, i)
        instant = local.replace(tzinfo=zone).astimezone(UTC) if local.tzinfo is None else local.astimezone(UTC)
        if local.tzinfo is None and found and instant <= found[-1]:
            instant = local.replace(tzinfo=zone, fold=1).astimezone(UTC)
        found.append(instant)
    return tuple(found)


def _local(text: str, layout: Layout, row: int) -> datetime:
    try:
        if layout.time_format is not None:
            read = datetime.strptime(text, layout.time_format)  # noqa: DTZ007 - the zone is the layout's
        else:
            read = datetime.fromisoformat(text)
    except ValueError:
        raise AnswerError(
            f"row {row}: {text!r} is not a time; write YYYY-MM-DD HH:MM:SS or name the form (--time-format)"
        ) from None
    if not 1900 <= read.year <= 2200:
        raise AnswerError(f"row {row}: the year {read.year} is outside 1900 to 2200; correct the time or its form")
    return read


def _spans(table: LoggerTable, layout: Layout) -> list[tuple[datetime, datetime]]:
    if table.dates_only:
        zone = ZoneInfo(layout.zone)
        return [station_day_bounds_utc(layout.zone, instant.astimezone(zone).date()) for instant in table.time]
    step = _step(table, layout)
    if layout.stamp == "start":
        return [(instant, instant + step) for instant in table.time]
    return [(instant - step, instant) for instant in table.time]


def _step(table: LoggerTable, layout: Layout) -> timedelta:
    if layout.step_s is not None:
        return timedelta(seconds=layout.step_s)
    ordered = sorted(table.time)
    gaps = [later - earlier for earlier, later in pairwise(ordered) if later > earlier]
    if not gaps:
        raise AnswerError("the file has no two different times; say how long one row stands for (--step-s)")
    return min(gaps)


def _depths(table: LoggerTable, name: str | None) -> list[float | None]:
    if name is None:
        return [None] * len(table.time)
    if name not in table.columns:
        raise AnswerError(f"column {name}: not among the numeric columns {', '.join(table.columns)}")
    factor = mm_factor(table.units.get(name), f"column {name}")
    return [None if value is None else value * factor for value in table.columns[name]]


def _semantics(table: LoggerTable, layout: Layout) -> str:
    if table.dates_only:
        return f"each value is the sum of the local day in {layout.zone}"
    where = "BEFORE its time stamp" if layout.stamp == "end" else "AFTER its time stamp"
    return f"each value is the sum of the interval {where}; times without offset are in {layout.zone}"
