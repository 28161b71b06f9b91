"""Everything in which SQLite and PostgreSQL differ: opening, locks, upserts, checks, files and error codes."""

from __future__ import annotations

import errno
import importlib
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

from sqlalchemy import URL, Connection, Engine, NullPool, Table, create_engine, event, make_url
from sqlalchemy.exc import DatabaseError, DBAPIError, OperationalError

LOCK_WAIT_S = 5.0
# Above this size the start-up check leaves out the two big tables, so that the daemon is ready in time on a slow card.
FULL_CHECK_BYTES = 64_000_000
_BIG_TABLES = ("journal", "readings")
_FILE_MODE = 0o600
_COMPANIONS = ("", "-wal", "-shm")


@dataclass(frozen=True, slots=True)
class Trouble:
    """An operating fault of the database. ``kind`` is locked, full, read-only, damaged, disk or server."""

    kind: str
    text: str


# Result codes: "Result and Error Codes", sqlite.org/rescode.html.
_SQLITE_TROUBLES = {
    sqlite3.SQLITE_BUSY: Trouble("locked", "another process keeps it locked"),
    sqlite3.SQLITE_LOCKED: Trouble("locked", "another process keeps it locked"),
    sqlite3.SQLITE_PERM: Trouble("read-only", "it may not be written (permissions)"),
    sqlite3.SQLITE_READONLY: Trouble("read-only", "it is read-only"),
    sqlite3.SQLITE_IOERR: Trouble("disk", "the disk reports an error"),
    sqlite3.SQLITE_CANTOPEN: Trouble("disk", "it cannot be opened"),
    sqlite3.SQLITE_FULL: Trouble("full", "the disk is full"),
    sqlite3.SQLITE_CORRUPT: Trouble("damaged", "its content is damaged"),
    sqlite3.SQLITE_NOTADB: Trouble("damaged", "it is not a database"),
    # Our statements fit the tables we made (the tests say them all), so a table or column was spoilt.
    sqlite3.SQLITE_ERROR: Trouble("damaged", "its tables are not what they were"),
    sqlite3.SQLITE_MISMATCH: Trouble("damaged", "its tables are not what they were"),
    # We insert nothing whose key is there already, so these mean that a table and its index disagree.
    sqlite3.SQLITE_CONSTRAINT_UNIQUE: Trouble("damaged", "an index disagrees with its table"),
    sqlite3.SQLITE_CONSTRAINT_PRIMARYKEY: Trouble("damaged", "an index disagrees with its table"),
}
_OS_TROUBLES = {
    errno.ENOSPC: "full",
    errno.EDQUOT: "full",
    errno.EROFS: "read-only",
    errno.EACCES: "read-only",
    errno.EPERM: "read-only",
}


def trouble_of(error: DBAPIError | OSError) -> Trouble | None:
    """What is wrong with the disk or the server; None when the error is a programmer's fault."""
    if isinstance(error, OSError):
        return Trouble(_OS_TROUBLES.get(error.errno or 0, "disk"), error.strerror or str(error))
    code = getattr(error.orig, "sqlite_errorcode", None)
    if code is not None:
        return _SQLITE_TROUBLES.get(code) or _SQLITE_TROUBLES.get(code & 0xFF)  # the low byte is the primary code
    if isinstance(error, OperationalError) and not isinstance(error.orig, sqlite3.Error):
        return Trouble("server", "the database server does not answer")
    return None


def sqlite_path(url: str) -> Path | None:
    """The file of a SQLite URL; None for a database server. Raises ValueError for a database in memory."""
    parsed = make_url(url)
    if parsed.get_backend_name() != "sqlite":
        return None
    if not parsed.database or parsed.database == ":memory:":
        raise ValueError(
            f"database {url}: the journal must outlive the process; name a file, as in sqlite:////var/x.db"
        )
    return Path(parsed.database)


def where(url: str) -> str:
    """The database as people know it: its file, or its address without the password."""
    return str(sqlite_path(url) or make_url(url).render_as_string(hide_password=True))


def open_writer(url: str) -> Engine:
    """An engine for the one writer. Each transaction takes the write lock at its start and is durable at its end."""
    path = sqlite_path(url)
    if path is None:
        return create_engine(url)
    path.touch(mode=_FILE_MODE)
    path.chmod(_FILE_MODE)  # the -wal and -shm files inherit it
    engine = create_engine(url)
    # FULL everywhere: an unsynced commit may vanish at power loss, and batches are too rare for the cost to matter.
    _on_connect(engine, "journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON", _lock_wait(LOCK_WAIT_S))
    event.listen(engine, "begin", lambda connection: connection.exec_driver_sql("BEGIN IMMEDIATE"))
    return engine


def open_reader(url: str) -> Engine:
    """An engine that cannot write. It keeps no connection, so it follows when the file is replaced."""
    path = sqlite_path(url)
    if path is None:
        engine = create_engine(url, poolclass=NullPool)
        return engine.execution_options(postgresql_readonly=True)
    file_uri = URL.create("sqlite", database=f"file:{quote(str(path.absolute()))}", query={"mode": "ro", "uri": "true"})
    engine = create_engine(file_uri, poolclass=NullPool)
    _on_connect(engine, "query_only=ON", _lock_wait(LOCK_WAIT_S))
    event.listen(engine, "begin", lambda connection: connection.exec_driver_sql("BEGIN"))
    return engine


def _on_connect(engine: Engine, *pragmas: str) -> None:
    def prepare(connection: sqlite3.Connection, _record: object) -> None:
        connection.isolation_level = None  # we say BEGIN ourselves: the module's own begins too late and not for DDL
        connection.text_factory = _text
        for pragma in pragmas:
            connection.execute(f"PRAGMA {pragma}").close()

    event.listen(engine, "connect", prepare)


def _text(stored: bytes) -> str:
    """Text even where the disk has spoilt it: one bad letter must not hide a whole table."""
    return stored.decode("utf-8", "replace")


def _lock_wait(wait_s: float) -> str:
    return f"busy_timeout={int(wait_s * 1000)}"


@contextmanager
def writing(engine: Engine, wait_s: float = LOCK_WAIT_S) -> Iterator[Connection]:
    """One transaction: all of it or nothing. A lock held elsewhere is waited for ``wait_s`` seconds."""
    with engine.connect() as connection:
        if engine.dialect.name == "sqlite":
            raw: Any = connection.connection.dbapi_connection
            raw.execute(f"PRAGMA {_lock_wait(wait_s)}").close()
        with connection.begin():
            yield connection


def insert_or_leave(connection: Connection, table: Table, rows: Sequence[dict[str, Any]]) -> None:
    """Insert rows; one whose key is there already is left as it is."""
    if rows:
        connection.execute(_insert(connection, table).on_conflict_do_nothing(), rows)


def insert_or_replace(
    connection: Connection, table: Table, rows: Sequence[dict[str, Any]], *, keep: Sequence[str] = ()
) -> None:
    """Insert rows; one whose key is there already replaces its columns, those in ``keep`` excepted."""
    if not rows:
        return
    keys = [column.name for column in table.primary_key]
    statement = _insert(connection, table)
    changed = {c.name: statement.excluded[c.name] for c in table.columns if c.name not in {*keys, *keep}}
    connection.execute(statement.on_conflict_do_update(index_elements=keys, set_=changed), rows)


def _insert(connection: Connection, table: Table) -> Any:
    # Both dialects spell the clause alike; only the one in use is imported.
    return importlib.import_module(f"sqlalchemy.dialects.{connection.dialect.name}").insert(table)


def damage(engine: Engine, path: Path | None) -> str:
    """What is broken in the SQLite file at ``path``, "" when it is sound. A server (no path) checks itself."""
    if path is None:
        return ""
    try:
        with engine.connect() as connection:
            tables = _tables_to_check(connection, path)
            found = [
                row for name in tables for row in connection.exec_driver_sql(f"PRAGMA quick_check({name})").scalars()
            ]
    except DatabaseError as error:
        trouble = trouble_of(error)
        if trouble is None or trouble.kind != "damaged":
            raise
        return trouble.text
    except UnicodeDecodeError:  # by the module, over SQLite's own complaint, which quotes the spoilt letters
        return "its list of tables is damaged"
    return "; ".join(row for row in found if row != "ok")


def _tables_to_check(connection: Connection, path: Path) -> list[str]:
    """The small tables of a big file, else [10]: a greatest number of findings, with which SQLite checks all tables."""
    if path.stat().st_size <= FULL_CHECK_BYTES:
        return ["10"]
    names = connection.exec_driver_sql("SELECT name FROM sqlite_schema WHERE type = 'table'").scalars()
    return [name for name in names if name not in _BIG_TABLES]


def free_name(path: Path, word: str) -> Path:
    """The first of ``path.word-1``, ``path.word-2``, ... that does not exist."""
    number = 1
    while (candidate := path.with_name(f"{path.name}.{word}-{number}")).exists():
        number += 1
    return candidate


def set_aside(path: Path, word: str) -> Path:
    """Rename a database with its companion files, never deleting anything; returns the new name."""
    target = free_name(path, word)
    for companion in _COMPANIONS:
        old = path.with_name(path.name + companion)
        if old.exists():
            old.rename(target.with_name(target.name + companion))
    return target


def copy_database(source: Path, target: Path) -> None:
    """A consistent copy of a SQLite database that may be in use, whole under its name or not there. Raises OSError."""
    partial = target.with_name(target.name + ".part")
    partial.unlink(missing_ok=True)
    partial.touch(mode=_FILE_MODE)
    try:
        _copy_pages(source, partial)
        partial.replace(target)
    except sqlite3.Error as error:
        raise OSError(f"{source.name} could not be copied: {error}") from error
    finally:
        partial.unlink(missing_ok=True)


def _copy_pages(source: Path, target: Path) -> None:
    reading = sqlite3.connect(f"file:{quote(str(source.absolute()))}?mode=ro", uri=True, timeout=LOCK_WAIT_S)
    with closing(reading), closing(sqlite3.connect(target)) as writing_to:
        reading.backup(writing_to)
        writing_to.execute("PRAGMA journal_mode=DELETE")  # one file, without companions
