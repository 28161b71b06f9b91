"""Brings a database to the tables this version expects: makes them, upgrades them, or refuses."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, Engine, inspect, select

from dewpond.adapters.store.dialect import copy_database, free_name, sqlite_path, where, writing
from dewpond.adapters.store.tables import HEAD, StoreUnusable, metadata, schema_version

MIGRATIONS = Path(__file__).with_name("migrations")


def bring_to_head(
    engine: Engine, url: str, *, head: str = HEAD, versions: Path = MIGRATIONS / "versions"
) -> Path | None:
    """Make or upgrade the tables in one transaction; returns the copy made before an upgrade, if there was one.

    Raises StoreUnusable for a newer schema or a database that is not ours; nothing is changed then.
    """
    with engine.connect() as connection:
        found = version_of(connection, url)
    if found == head:
        return None
    if found is None:
        _create(engine, url)
        return None
    if int(found) > int(head):
        raise StoreUnusable(
            f"database {where(url)}: it was written by a newer dewpond (schema {found}, this version knows {head}); "
            "install that version again, or restore a backup made before the upgrade"
        )
    copy = _copy_before(url, found)
    with writing(engine) as connection:
        _upgrade(connection, head, versions)
    return copy


def version_of(connection: Connection, url: str) -> str | None:
    """The schema of a database, None when it has no tables at all. Raises StoreUnusable when it is not ours."""
    names = inspect(connection).get_table_names()
    if not names:
        return None
    found = connection.scalar(select(schema_version.c.version_num)) if schema_version.name in names else None
    if found is None or not found.isdecimal():
        raise StoreUnusable(f"database {where(url)}: its tables are not dewpond's; name another file or move this one")
    return str(found)


def expect_head(connection: Connection, url: str) -> None:
    """Raises StoreUnusable unless the database has exactly the tables this version reads."""
    found = version_of(connection, url)
    if found != HEAD:
        raise StoreUnusable(
            f"database {where(url)}: schema {found or 'none'}, this version reads {HEAD}; "
            "start the daemon, which makes or upgrades it"
        )


def _create(engine: Engine, url: str) -> None:
    # A new database needs no alembic, which costs start-up time and memory; a test holds both ways to the same tables.
    with writing(engine) as connection:
        if version_of(connection, url) is not None:  # the daemon and a command may both have found none
            return
        metadata.create_all(connection)
        connection.execute(schema_version.insert().values(version_num=HEAD))


def _copy_before(url: str, found: str) -> Path | None:
    path = sqlite_path(url)
    if path is None:
        return None
    copy = free_name(path, f"schema-{found}")
    copy_database(path, copy)
    return copy


def _upgrade(connection: Connection, head: str, versions: Path) -> None:
    # Imported here because only an upgrade needs it, and it costs start-up time and memory.
    from alembic import command  # noqa: PLC0415
    from alembic.config import Config  # noqa: PLC0415

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.set_main_option("version_locations", str(versions).replace("%", "%%"))
    config.set_main_option("path_separator", "newline")
    config.attributes["connection"] = connection
    command.upgrade(config, head)
