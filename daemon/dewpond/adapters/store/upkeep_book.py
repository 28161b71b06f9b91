"""The UpkeepBook port on SQLite or PostgreSQL: a connection and a short transaction of its own for each call.

The daemon, its board and any command may keep entries at once: the tables' key lets no version be written twice.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from typing import Any, TypeVar

from sqlalchemy import Connection, Engine, Row, Select, func, select
from sqlalchemy.exc import DBAPIError, IntegrityError

from dewpond.adapters.store.dialect import open_writer, trouble_of, where, writing
from dewpond.adapters.store.reader import ReadOnlyDatabase
from dewpond.adapters.store.schema import bring_to_head
from dewpond.adapters.store.tables import StoreUnusable, upkeep
from dewpond.model.upkeep import EntryRefused, Overtaken, UpkeepEntry, body_text, fault_of

T = TypeVar("T")


class SqlUpkeepBook:
    """The entries in the store at ``url``; the tables are made where there are none.

    Each method raises StoreUnusable when the database cannot be used or written just now; nothing is half written.
    """

    def __init__(self, url: str) -> None:
        self._url = url
        self._reader = ReadOnlyDatabase(url)
        self._at_head = False

    def keep(self, *entries: UpkeepEntry) -> None:
        """Keep all of them durably, or none. Raises EntryRefused, and Overtaken when one does not follow the newest."""
        for entry in entries:
            fault = fault_of(entry)
            if fault:
                raise EntryRefused(fault)
        try:
            self._written(lambda connection: _keep(connection, entries))
        except IntegrityError as error:  # a server lets two writers in at once, and the second one's key is taken
            overtaken = self._overtaken(entries)
            if overtaken is None:
                raise
            raise overtaken from error

    def newest(self, kind: str, subject: str) -> UpkeepEntry | None:
        """The last version, None when there is none."""
        rows = self._all(_of(kind, subject).order_by(upkeep.c.version.desc()).limit(1))
        return _entry(rows[0]) if rows else None

    def all_newest(self, kind: str, prefix: str = "") -> Sequence[UpkeepEntry]:
        """The last version of every subject of a kind whose name begins so, by subject."""
        last = (
            select(upkeep.c.subject, func.max(upkeep.c.version).label("version"))
            .where(upkeep.c.kind == kind, upkeep.c.subject.startswith(prefix, autoescape=True))
            .group_by(upkeep.c.subject)
            .subquery()
        )
        same = (upkeep.c.subject == last.c.subject) & (upkeep.c.version == last.c.version)
        return [
            _entry(row)
            for row in self._all(
                select(upkeep).join(last, same).where(upkeep.c.kind == kind).order_by(upkeep.c.subject)
            )
        ]

    def history(self, kind: str, subject: str) -> Sequence[UpkeepEntry]:
        """Every version, oldest first."""
        return [_entry(row) for row in self._all(_of(kind, subject).order_by(upkeep.c.version))]

    def _all(self, statement: Select[Any]) -> list[Row[Any]]:
        if not self._at_head:
            self._written(lambda _connection: None)
        return self._reader.all(statement)

    def _written(self, work: Callable[[Connection], T]) -> T:
        """What ``work`` does, in one transaction, on tables of this version."""
        try:
            engine = open_writer(self._url)
            try:
                return self._work(engine, work)
            finally:
                engine.dispose()
        except IntegrityError:
            raise
        except (DBAPIError, OSError) as error:
            trouble = trouble_of(error)
            if trouble is None:
                raise
            raise StoreUnusable(
                f"database {where(self._url)} cannot be written: {trouble.text}; nothing was kept, try again"
            ) from error

    def _work(self, engine: Engine, work: Callable[[Connection], T]) -> T:
        if not self._at_head:
            bring_to_head(engine, self._url)
            self._at_head = True
        with writing(engine) as connection:
            return work(connection)

    def _overtaken(self, entries: Sequence[UpkeepEntry]) -> Overtaken | None:
        for entry in entries:
            newest = self.newest(entry.kind, entry.subject)
            if newest is not None and newest.version >= entry.version:
                return Overtaken(newest, entry.version - 1)
        return None


def _keep(connection: Connection, entries: Sequence[UpkeepEntry]) -> None:
    for entry in entries:
        found = connection.execute(_of(entry.kind, entry.subject).order_by(upkeep.c.version.desc()).limit(1)).first()
        newest = None if found is None else _entry(found)
        if newest is not None and newest.version != entry.version - 1:
            raise Overtaken(newest, entry.version - 1)
        if newest is None and entry.version != 1:
            raise EntryRefused(
                f"{entry.kind} {entry.subject}: made from version {entry.version - 1}, and there is none; begin it anew"
            )
        connection.execute(upkeep.insert().values(_row(entry)))


def _of(kind: str, subject: str) -> Select[Any]:
    return select(upkeep).where(upkeep.c.kind == kind, upkeep.c.subject == subject)


def _row(entry: UpkeepEntry) -> dict[str, Any]:
    return {
        "kind": entry.kind,
        "subject": entry.subject,
        "version": entry.version,
        "at": entry.at,
        "who": entry.who,
        "body": body_text(entry.body),
    }


def _entry(row: Row[Any]) -> UpkeepEntry:
    return UpkeepEntry(**{**row._mapping, "body": json.loads(row.body)})
