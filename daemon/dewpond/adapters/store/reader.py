"""Reads the tables people see. Its own read-only connection per call, so it may be used from any thread."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, Row, Select, Table, func, select
from sqlalchemy.exc import DBAPIError

from dewpond.adapters.store.dialect import open_reader, trouble_of, where
from dewpond.adapters.store.rows import reason_from
from dewpond.adapters.store.schema import expect_head
from dewpond.adapters.store.tables import StoreUnusable, alarms, days, plan, readings, reasons, runs, series
from dewpond.model.commands import RecordDay, RecordPlan, RecordRun
from dewpond.model.reasons import ZoneReason

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmRecord:
    """One incident of the past or present; ``cleared_at`` is None while it lasts."""

    key: str
    raised_at: datetime
    kind: str
    zone: str | None
    detail: str
    facts: Mapping[str, Any] = field(default_factory=dict)
    cleared_at: datetime | None = None
    cleared_why: str = ""


class ReadOnlyDatabase:
    """A database that is only looked at."""

    def __init__(self, url: str) -> None:
        self._url = url
        self._engine = open_reader(url)

    @contextmanager
    def connection(self) -> Iterator[Connection]:
        """A connection for one look. Raises StoreUnusable when there is no database, or one of another schema."""
        try:
            with self._engine.connect() as connection:
                expect_head(connection, self._url)
                yield connection
        except UnicodeDecodeError as error:  # over SQLite's own complaint, which quotes spoilt letters
            raise StoreUnusable(f"database {where(self._url)} cannot be read: it is damaged") from error
        except DBAPIError as error:
            trouble = trouble_of(error)
            if trouble is None:
                raise
            raise StoreUnusable(f"database {where(self._url)} cannot be read: {trouble.text}") from error

    def all(self, statement: Select[Any]) -> list[Row[Any]]:
        """Every row of a statement. Raises StoreUnusable as well for a stored value that is no time any more."""
        with self.connection() as connection:
            result = connection.execute(statement)
            try:
                return list(result)
            except (ValueError, TypeError, OverflowError) as error:
                raise StoreUnusable(f"database {where(self._url)} holds what cannot be read: {error}") from error


class StoreReader:
    """What a site did, for screens, reports and exports. Dates are site calendar days, first and last included."""

    def __init__(self, url: str) -> None:
        self._database = ReadOnlyDatabase(url)

    def days(self, zone: str | None, first: date, last: date) -> list[RecordDay]:
        """Ledger rows of one zone, or of all, by date and zone."""
        statement = select(days).where(days.c.date.between(first, last)).order_by(days.c.date, days.c.zone)
        return self._records(RecordDay, _of_zone(statement, days, zone))

    def runs(self, first_utc: datetime, last_utc: datetime, zone: str | None = None) -> list[RecordRun]:
        """Openings that began in [first_utc, last_utc), oldest first."""
        statement = select(runs).where(runs.c.start >= first_utc, runs.c.start < last_utc)
        return self._records(RecordRun, _of_zone(statement, runs, zone).order_by(runs.c.start, runs.c.run_id))

    def reasons(self, zone: str | None, first: date, last: date, *, history: bool = False) -> list[ZoneReason]:
        """The last decision per night and zone, or with ``history`` every one that was taken, oldest first."""
        statement = _of_zone(select(reasons.c.body), reasons, zone).where(reasons.c.window_date.between(first, last))
        if not history:
            newest = reasons.alias("newest")
            same_night = (newest.c.window_date == reasons.c.window_date) & (newest.c.zone == reasons.c.zone)
            last_word = select(func.max(newest.c.decided_at)).where(same_night).scalar_subquery()
            statement = statement.where(reasons.c.decided_at == last_word)
        order = (reasons.c.window_date, reasons.c.zone, reasons.c.decided_at)
        return [reason_from(row.body) for row in self._database.all(statement.order_by(*order))]

    def plan(self, window_date: date) -> list[RecordPlan]:
        """Planned openings of the night whose window opens on this date, by start time."""
        statement = select(plan).where(plan.c.window_date == window_date)
        return self._records(RecordPlan, statement.order_by(plan.c.start, plan.c.zone, plan.c.source, plan.c.start_no))

    def alarms(self, open_only: bool) -> list[AlarmRecord]:
        """Incidents, newest first."""
        statement = select(alarms).order_by(alarms.c.raised_at.desc(), alarms.c.key)
        if open_only:
            statement = statement.where(alarms.c.cleared_at.is_(None))
        rows = self._database.all(statement)
        return [AlarmRecord(**{**row._mapping, "facts": json.loads(row.facts)}) for row in rows]

    def readings(
        self, sensor: str, from_s: float, to_s: float, limit: int
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """The newest ``limit`` readings in [from_s, to_s), oldest first: times [s since 1970-01-01 UTC] and values."""
        number = select(series.c.id).where(series.c.sensor == sensor).scalar_subquery()
        statement = (
            select(readings.c.time_ms, readings.c.value)
            .where(readings.c.series == number)
            .where(readings.c.time_ms >= round(from_s * 1000), readings.c.time_ms < round(to_s * 1000))
            .order_by(readings.c.time_ms.desc())
            .limit(limit)
        )
        found = np.array([tuple(row) for row in self._database.all(statement)][::-1], dtype=np.float64).reshape(-1, 2)
        return found[:, 0] / 1000.0, found[:, 1].copy()

    def counted(self, sensor: str, from_s: float, to_s: float) -> tuple[float, int]:
        """Sum and number of the readings in [from_s, to_s): what a meter counted. Times in s since 1970-01-01 UTC."""
        number = select(series.c.id).where(series.c.sensor == sensor).scalar_subquery()
        statement = (
            select(func.coalesce(func.sum(readings.c.value), 0.0).label("total"), func.count().label("number"))
            .where(readings.c.series == number)
            .where(readings.c.time_ms >= round(from_s * 1000), readings.c.time_ms < round(to_s * 1000))
        )
        [row] = self._database.all(statement)
        return float(row.total), int(row.number)

    def sensors(self) -> list[str]:
        """Every sensor that ever delivered a reading."""
        return [row.sensor for row in self._database.all(select(series.c.sensor).order_by(series.c.sensor))]

    def litres(self, first_utc: datetime, last_utc: datetime) -> dict[str, float]:
        """Computed litres by zone, of openings that began in [first_utc, last_utc)."""
        statement = (
            select(runs.c.zone, func.sum(runs.c.litres).label("litres"))
            .where(runs.c.start >= first_utc, runs.c.start < last_utc)
            .group_by(runs.c.zone)
            .order_by(runs.c.zone)
        )
        return {row.zone: row.litres for row in self._database.all(statement)}

    def _records(self, kind: Callable[..., T], statement: Select[Any]) -> list[T]:
        return [kind(**row._mapping) for row in self._database.all(statement)]


def _of_zone(statement: Select[Any], table: Table, zone: str | None) -> Select[Any]:
    return statement if zone is None else statement.where(table.c.zone == zone)
