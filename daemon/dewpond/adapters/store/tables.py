"""The tables of the store, and the column types that keep times aware and numbers whole."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Date,
    DateTime,
    Dialect,
    Double,
    Index,
    Integer,
    MetaData,
    SmallInteger,
    String,
    Table,
    Text,
    text,
)
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.schema import CreateIndex
from sqlalchemy.types import TypeDecorator

# The newest revision in ``migrations/versions``. Revisions are numbers, so that newer and older can be told apart.
HEAD = "0002"

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


class StoreUnusable(Exception):
    """Raised when a database cannot be used as it stands: missing, not ours, or written by a newer dewpond."""


class UtcDateTime(TypeDecorator[datetime]):
    """An instant, stored in UTC and readable in any database shell; always aware when it comes back."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        in_utc = _aware(value).astimezone(UTC)
        return in_utc.replace(tzinfo=None) if dialect.name == "sqlite" else in_utc

    def process_result_value(self, value: datetime | None, _dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class UtcMicroseconds(TypeDecorator[datetime]):
    """An instant as whole microseconds since 1970-01-01 UTC: a third of text's bytes, for tables of many rows."""

    impl = BigInteger
    cache_ok = True

    def process_bind_param(self, value: datetime | None, _dialect: Dialect) -> int | None:
        return None if value is None else microseconds(value)

    def process_result_value(self, value: int | None, _dialect: Dialect) -> datetime | None:
        return None if value is None else from_microseconds(value)


class Figure(TypeDecorator[float]):
    """A number that may be NaN. SQL has no NaN, so NULL stands for it."""

    impl = Double
    cache_ok = True

    def process_bind_param(self, value: float | None, _dialect: Dialect) -> float | None:
        return None if value is None or math.isnan(value) else float(value)

    def process_result_value(self, value: float | None, _dialect: Dialect) -> float:
        return math.nan if value is None else value


def microseconds(instant: datetime) -> int:
    """Whole microseconds since 1970-01-01 UTC, exactly. Raises ValueError for a naive time."""
    return (_aware(instant) - _EPOCH) // _MICROSECOND


def from_microseconds(count: int) -> datetime:
    """The instant (aware, UTC) of so many microseconds since 1970-01-01 UTC."""
    return _EPOCH + timedelta(microseconds=count)


def _aware(value: datetime) -> datetime:
    if value.tzinfo is None:
        raise ValueError(f"the store keeps aware times only, and {value.isoformat()} has no offset")
    return value


metadata = MetaData()

schema_version = Table("schema_version", metadata, Column("version_num", String(32), primary_key=True))

# One row per event and command; a step that received no event begins with a row of empty kind. ``seq`` counts within a
# step. The index finds what happens a few times a day among millions of readings.
RARE_KINDS = text("kind <> 'ReadingsArrived' AND kind <> ''")
journal = Table(
    "journal",
    metadata,
    Column("step_no", BigInteger, primary_key=True, autoincrement=False),
    Column("seq", Integer, primary_key=True, autoincrement=False),
    Column("wall", UtcMicroseconds, nullable=False),
    Column("elapsed_s", Double, nullable=False),
    Column("trusted", Boolean, nullable=False),
    Column("kind", String(40), nullable=False),
    Column("body", Text, nullable=False),
    Index("journal_by_kind", "kind", "step_no", "seq", sqlite_where=RARE_KINDS),
    sqlite_with_rowid=False,
)


@compiles(CreateIndex, "postgresql")
def _create_index(create: CreateIndex, compiler: Any, **options: Any) -> str:
    """The same part of the journal on PostgreSQL. Told above, it would load that dialect beside SQLite, 2 MB of it."""
    if create.element.name == "journal_by_kind":
        create.element.dialect_options["postgresql"]["where"] = RARE_KINDS
    made: str = compiler.visit_create_index(create, **options)
    return made


snapshots = Table(
    "snapshots",
    metadata,
    Column("step_no", BigInteger, primary_key=True, autoincrement=False),
    Column("wall", UtcDateTime, nullable=False),
    Column("elapsed_s", Double, nullable=False),
    Column("trusted", Boolean, nullable=False),
    Column("version", String(40), nullable=False),
    Column("schema", String(32), nullable=False),
    Column("sha256", String(64), nullable=False),
    Column("body", Text, nullable=False),
)

series = Table(
    "series",
    metadata,
    Column("id", SmallInteger, primary_key=True, autoincrement=False),
    Column("sensor", String(200), nullable=False, unique=True),
)

# What charts and exports read. The journal keeps every reading exactly; here a time has a resolution of 1 ms.
readings = Table(
    "readings",
    metadata,
    Column("series", SmallInteger, primary_key=True, autoincrement=False),
    Column("time_ms", BigInteger, primary_key=True, autoincrement=False),
    Column("value", Double, nullable=False),
    sqlite_with_rowid=False,
)

plan = Table(
    "plan",
    metadata,
    Column("window_date", Date, primary_key=True),
    Column("zone", String(100), primary_key=True),
    Column("source", String(100), primary_key=True),
    Column("start_no", Integer, primary_key=True, autoincrement=False),
    Column("start", UtcDateTime, nullable=False),
    Column("seconds", Figure),
    Column("gross_mm", Figure),
    Column("state", String(20), nullable=False),
)

runs = Table(
    "runs",
    metadata,
    Column("run_id", String(200), primary_key=True),
    Column("zone", String(100), nullable=False),
    Column("start", UtcDateTime, nullable=False),
    Column("end", UtcDateTime, nullable=False),
    Column("seconds", Figure),
    Column("gross_mm", Figure),
    Column("litres", Figure),
    Column("cause", Text, nullable=False),
    Column("metered_litres", Double),
    Column("note", Text, nullable=False),
    Index("runs_by_start", "start"),
)

days = Table(
    "days",
    metadata,
    Column("date", Date, primary_key=True),
    Column("zone", String(100), primary_key=True),
    Column("eto_mm", Figure),
    Column("etc_mm", Figure),
    Column("rain_mm", Figure),
    Column("effective_rain_mm", Figure),
    Column("net_irrigation_mm", Figure),
    Column("runoff_mm", Figure),
    Column("drainage_mm", Figure),
    Column("depletion_mm", Figure),
    Column("taw_mm", Figure),
    Column("raw_mm", Figure),
    Column("reason", Text, nullable=False),
    Column("belief_mm", Figure),
    Column("belief_sd_mm", Figure),
    Column("correction_mm", Figure),
    Column("eto_method", Text, nullable=False),
)

reasons = Table(
    "reasons",
    metadata,
    Column("window_date", Date, primary_key=True),
    Column("zone", String(100), primary_key=True),
    Column("decided_at", UtcDateTime, primary_key=True),
    Column("decision", String(20), nullable=False),
    Column("body", Text, nullable=False),
)

alarms = Table(
    "alarms",
    metadata,
    Column("key", String(200), primary_key=True),
    Column("raised_at", UtcDateTime, primary_key=True),
    Column("kind", String(40), nullable=False),
    Column("zone", String(100)),
    Column("detail", Text, nullable=False),
    Column("facts", Text, nullable=False),
    Column("cleared_at", UtcDateTime),
    Column("cleared_why", Text, nullable=False),
)

# What people note on foot: every version of everything, never changed. ``model/upkeep.py`` says what an entry is.
upkeep = Table(
    "upkeep",
    metadata,
    Column("kind", String(200), primary_key=True),
    Column("subject", String(200), primary_key=True),
    Column("version", Integer, primary_key=True, autoincrement=False),
    Column("at", UtcDateTime, nullable=False),
    Column("who", String(100), nullable=False),
    Column("body", Text, nullable=False),
)
