"""Reads the journal back, step by step and exactly, and the newest sound snapshot."""

from __future__ import annotations

import hashlib
import json
import logging
from collections.abc import Callable, Iterable, Iterator
from itertools import groupby
from operator import attrgetter
from typing import Any, TypeVar

from sqlalchemy import Row, select, tuple_

from dewpond.adapters.store.reader import ReadOnlyDatabase
from dewpond.adapters.store.rows import COMMAND_KINDS, command_from, event_from
from dewpond.adapters.store.tables import RARE_KINDS, StoreUnusable, journal, snapshots
from dewpond.model.commands import Command
from dewpond.model.events import Event, Now

# Read in pages: one long read transaction would keep the write-ahead log from being folded back.
_PAGE_ROWS = 2000
_LOG = logging.getLogger(__name__)
T = TypeVar("T")


class JournalReader:
    """The log of everything ``step`` received, at ``url``. Every method raises StoreUnusable without a database.

    ``unreadable`` counts the rows that were left out because their content is damaged or of a newer version.
    """

    def __init__(self, url: str) -> None:
        self._database = ReadOnlyDatabase(url)
        self.unreadable = 0

    def steps(self, after: int = 0) -> Iterator[tuple[int, Now, tuple[Event, ...]]]:
        """Every step with a number above ``after``, in order. Numbers missing in between were lost (see the faults)."""
        for step_no, rows in groupby(self._rows(after), key=attrgetter("step_no")):
            found = list(rows)
            events = self._read(event_from, [row for row in found if row.kind and row.kind not in COMMAND_KINDS])
            yield step_no, _now(found[0]), tuple(events)

    def commands(self, after: int = 0) -> Iterator[tuple[int, tuple[Command, ...]]]:
        """What the brain wanted in every step above ``after``, PublishState excepted: a replay must want the same."""
        for step_no, rows in groupby(self._rows(after), key=attrgetter("step_no")):
            yield step_no, tuple(self._read(command_from, [row for row in rows if row.kind in COMMAND_KINDS]))

    def last_step(self) -> tuple[int, Now] | None:
        """Number and time of the newest step; None for an empty journal."""
        statement = select(journal).order_by(journal.c.step_no.desc()).limit(1)
        return next(((row.step_no, _now(row)) for row in self._database.all(statement)), None)

    def last_trusted(self) -> Now | None:
        """The time of the newest step whose clock was trusted; None without one."""
        statement = select(journal).where(journal.c.trusted).order_by(journal.c.step_no.desc()).limit(1)
        return next((_now(row) for row in self._database.all(statement)), None)

    def newest(self, kind: type[Event], limit: int = 1) -> list[Event]:
        """The newest events of one kind, newest first. Not for readings, which have a table of their own."""
        # The second condition, which readings would not meet, is what lets the database use the index.
        statement = select(journal.c.kind, journal.c.body).where(journal.c.kind == kind.__name__, RARE_KINDS)
        newest_first = statement.order_by(journal.c.step_no.desc(), journal.c.seq.desc()).limit(limit)
        return self._read(event_from, self._database.all(newest_first))

    def latest_snapshot(self) -> tuple[int, dict[str, Any], dict[str, Any]] | None:
        """(step number, state, meta) of the newest snapshot whose checksum holds; None without one.

        ``meta`` has ``now`` (Now), ``version`` (of dewpond) and ``schema``.
        """
        row = self.snapshot_row()
        if row is None:
            return None
        return row.step_no, json.loads(row.body), {"now": _now(row), "version": row.version, "schema": row.schema}

    def snapshot_row(self) -> Row[Any] | None:
        """The row behind ``latest_snapshot``. Each is looked at by itself: a damaged page hides only its own."""
        newest_first = select(snapshots.c.step_no).order_by(snapshots.c.step_no.desc())
        for number in [row.step_no for row in self._database.all(newest_first)]:
            try:
                (row,) = self._database.all(select(snapshots).where(snapshots.c.step_no == number))
            except StoreUnusable as error:
                _LOG.warning("snapshot of step %s: %s; an older one is taken", number, error)
                continue
            if hashlib.sha256(row.body.encode()).hexdigest() == row.sha256:
                return row
        return None

    def _rows(self, after: int) -> Iterator[Row[Any]]:
        place = (after + 1, -1)
        while True:
            later = tuple_(journal.c.step_no, journal.c.seq) > place
            statement = select(journal).where(later).order_by(journal.c.step_no, journal.c.seq).limit(_PAGE_ROWS)
            page = self._database.all(statement)
            yield from page
            if len(page) < _PAGE_ROWS:
                return
            place = (page[-1].step_no, page[-1].seq)

    def _read(self, read: Callable[[str, str], T], rows: Iterable[Row[Any]]) -> list[T]:
        """Rows as events or commands. An unreadable one is left out: better a gap than a daemon that cannot start."""
        found = []
        for row in rows:
            try:
                found.append(read(row.kind, row.body))
            except (ValueError, TypeError, KeyError) as error:
                self.unreadable += 1
                _LOG.warning("journal row %s is left out: %s", tuple(row), error)
        return found


def _now(row: Row[Any]) -> Now:
    return Now(wall=row.wall, elapsed_s=row.elapsed_s, trusted=row.trusted)
