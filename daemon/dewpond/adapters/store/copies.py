"""Backup and restore of a SQLite store. A database server has its own tools for both."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError

from dewpond.adapters.store.dialect import copy_database, damage, open_reader, set_aside, sqlite_path, trouble_of, where
from dewpond.adapters.store.schema import version_of
from dewpond.adapters.store.tables import HEAD, StoreUnusable


def backup(url: str, path: Path) -> None:
    """Copy the database, which may be in use, to ``path`` (mode 0600), whole or not at all. Raises StoreUnusable."""
    source = _file(url)
    if not source.exists():
        raise StoreUnusable(f"database {source}: there is none yet; the daemon makes it at its first start")
    if path.exists() and path.samefile(source):
        raise StoreUnusable(f"backup {path}: that is the database itself; name another file")
    try:
        copy_database(source, path)
    except OSError as error:
        raise StoreUnusable(f"backup {path} was not made: {error}") from error


def inspect_backup(path: Path) -> str:
    """The schema of a backup. Raises StoreUnusable when it is missing, damaged, not ours or of a newer dewpond."""
    if not path.is_file():
        raise StoreUnusable(f"backup {path}: there is no such file")
    url = f"sqlite:///{path.absolute()}"
    engine = open_reader(url)
    try:
        return _sound_version(engine, url, path)
    except DBAPIError as error:
        trouble = trouble_of(error)
        raise StoreUnusable(f"backup {path} cannot be read: {trouble.text if trouble else error.orig}") from error


def restore(path: Path, url: str) -> Path | None:
    """Put a backup in place of the database; returns the name under which the present one is kept.

    The daemon must not run (hold its lock). Nothing is changed unless the backup is sound. Raises StoreUnusable.
    """
    inspect_backup(path)
    target = _file(url)
    try:
        arriving = target.with_name(target.name + ".arriving")
        copy_database(path, arriving)
        kept = set_aside(target, "before-restore") if target.exists() else None
        arriving.replace(target)
    except OSError as error:
        raise StoreUnusable(f"database {target} was not restored: {error}") from error
    return kept


def _sound_version(engine: Engine, url: str, path: Path) -> str:
    finding = damage(engine, path)
    if finding:
        raise StoreUnusable(f"backup {path}: {finding}; take an older backup")
    with engine.connect() as connection:
        found = version_of(connection, url)
    if found is None or int(found) > int(HEAD):
        raise StoreUnusable(
            f"backup {path}: schema {found or 'none'}, this version of dewpond knows up to {HEAD}; "
            "install the version that wrote it"
        )
    return found


def _file(url: str) -> Path:
    path = sqlite_path(url)
    if path is None:
        raise StoreUnusable(
            f"database {where(url)} is on a server; back it up and restore it with the server's own tools"
        )
    return path
