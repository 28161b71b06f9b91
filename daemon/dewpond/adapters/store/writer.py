"""Writes a buffer into the tables, within a transaction that somebody else opened."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from itertools import groupby
from typing import Any

from sqlalchemy import Connection, delete, select, update

from dewpond.adapters.store.buffer import Buffer
from dewpond.adapters.store.dialect import insert_or_leave, insert_or_replace
from dewpond.adapters.store.rows import alarm_row, command_row, reading_rows, reason_row
from dewpond.adapters.store.tables import alarms, days, journal, plan, readings, reasons, runs, series, snapshots
from dewpond.model.commands import (
    ClearAlarm,
    Command,
    RaiseAlarm,
    RecordDay,
    RecordPlan,
    RecordReason,
    RecordRun,
)

SNAPSHOTS_KEPT = 10


def write_buffer(connection: Connection, buffer: Buffer, known_series: dict[str, int]) -> None:
    """Write everything in ``buffer``. ``known_series`` (sensor -> series) gains the sensors seen for the first time."""
    insert_or_leave(connection, journal, [row for step in buffer.steps for row in step.rows])
    _write_readings(connection, buffer, known_series)
    for kind, group in groupby(buffer.commands, type):
        WRITERS[kind](connection, list(group))
    if buffer.snapshot is not None:
        _write_snapshot(connection, buffer.snapshot)


def _write_readings(connection: Connection, buffer: Buffer, known_series: dict[str, int]) -> None:
    blocks = [block for step in buffer.steps for block in step.blocks]
    _number_sensors(connection, {block.sensor for block in blocks}, known_series)
    rows = [row for block in blocks for row in reading_rows(known_series[block.sensor], block)]
    insert_or_leave(connection, readings, rows)


def _number_sensors(connection: Connection, sensors: Iterable[str], known: dict[str, int]) -> None:
    if not set(sensors) - known.keys():
        return
    known.update((sensor, number) for number, sensor in connection.execute(select(series.c.id, series.c.sensor)))
    for sensor in sorted(set(sensors) - known.keys()):
        known[sensor] = max(known.values(), default=0) + 1
        connection.execute(series.insert().values(id=known[sensor], sensor=sensor))


def _write_snapshot(connection: Connection, row: dict[str, Any]) -> None:
    insert_or_replace(connection, snapshots, [row])
    newest_first = select(snapshots.c.step_no).order_by(snapshots.c.step_no.desc())
    too_old = newest_first.offset(SNAPSHOTS_KEPT).limit(1).scalar_subquery()
    connection.execute(delete(snapshots).where(snapshots.c.step_no <= too_old))


def _write_plan(connection: Connection, commands: Sequence[RecordPlan]) -> None:
    insert_or_replace(connection, plan, [command_row(command) for command in commands])


def _write_runs(connection: Connection, commands: Sequence[RecordRun]) -> None:
    insert_or_replace(connection, runs, [command_row(command) for command in commands])


def _write_days(connection: Connection, commands: Sequence[RecordDay]) -> None:
    insert_or_replace(connection, days, [command_row(command) for command in commands])


def _write_reasons(connection: Connection, commands: Sequence[RecordReason]) -> None:
    insert_or_replace(connection, reasons, [reason_row(command) for command in commands])


def _raise_alarms(connection: Connection, commands: Sequence[RaiseAlarm]) -> None:
    for command in commands:
        row = alarm_row(command)
        news = {name: row[name] for name in ("kind", "zone", "detail", "facts")}
        is_open = (alarms.c.key == command.key) & alarms.c.cleared_at.is_(None)
        # One row per incident: raised again while open, it tells more of the same; a repeat of a cleared one stays so.
        if not connection.execute(update(alarms).where(is_open).values(news)).rowcount:
            insert_or_replace(connection, alarms, [row], keep=("cleared_at", "cleared_why"))


def _clear_alarms(connection: Connection, commands: Sequence[ClearAlarm]) -> None:
    for command in commands:
        is_open = (alarms.c.key == command.key) & alarms.c.cleared_at.is_(None)
        connection.execute(update(alarms).where(is_open).values(cleared_at=command.at, cleared_why=command.why))


WRITERS: Mapping[type[Command], Callable[[Connection, Sequence[Any]], None]] = {
    RecordPlan: _write_plan,
    RecordRun: _write_runs,
    RecordDay: _write_days,
    RecordReason: _write_reasons,
    RaiseAlarm: _raise_alarms,
    ClearAlarm: _clear_alarms,
}
