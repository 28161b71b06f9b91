from __future__ import annotations

import shutil
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing

import pytest

from dewpond.adapters.store import schema, tables
from dewpond.adapters.store.dialect import open_writer, writing
from dewpond.adapters.store.reader import StoreReader
from dewpond.adapters.store.schema import MIGRATIONS, bring_to_head
from dewpond.adapters.store.tables import HEAD, StoreUnusable

from .conftest import NIGHT, day_row

REVISION = """
import os, sqlalchemy as sa
from alembic import op
revision, down_revision = "0003", "0002"
def upgrade():
    op.add_column("days", sa.Column("soil_temperature_c", sa.Double))
    with op.batch_alter_table("runs") as batch:
        batch.alter_column("note", new_column_name="remark")
    {then}
"""


@pytest.fixture
def versions(tmp_path):
    """The revisions of this version, with room for one more."""
    return shutil.copytree(MIGRATIONS / "versions", tmp_path / "versions")


@pytest.fixture
def old(store, url, path):
    """A database of schema 0002 with one ledger row, opened to be upgraded."""
    store.record(day_row())
    store.close()
    engine = open_writer(url)
    yield engine
    engine.dispose()


def structure(path):
    with closing(sqlite3.connect(path)) as connection:
        rows = connection.execute("SELECT name, sql FROM sqlite_schema WHERE name NOT LIKE 'sqlite_%'").fetchall()
    return {name: " ".join(sql.split()) for name, sql in rows}


def version(path):
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute("SELECT version_num FROM schema_version").fetchall()


def test_a_new_database_has_exactly_the_tables_the_revisions_make(store, path, tmp_path):
    migrated = tmp_path / "migrated.db"
    engine = open_writer(f"sqlite:///{migrated}")
    with writing(engine) as connection:
        schema._upgrade(connection, HEAD, MIGRATIONS / "versions")
    engine.dispose()
    made, expected = structure(path), structure(migrated)
    assert made.keys() == expected.keys()
    for name in made.keys() - {"schema_version"}:  # the migration library makes that one itself
        assert made[name] == expected[name]
    assert version(path) == version(migrated) == [(HEAD,)]


def test_the_head_is_the_newest_revision():
    newest = max(path.name[1:5] for path in (MIGRATIONS / "versions").glob("r*.py"))
    assert newest == HEAD


def test_an_upgrade_keeps_the_rows_and_leaves_a_copy_of_the_old_database(old, url, path, versions):
    (versions / "r0003_more.py").write_text(REVISION.format(then="pass"))
    copy = bring_to_head(old, url, head="0003", versions=versions)
    assert copy == path.with_name("dewpond.db.schema-0002-1")
    assert StoreReader(f"sqlite:///{copy}").days(None, NIGHT, NIGHT) == [day_row()]
    assert version(path) == [("0003",)]
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT depletion_mm, soil_temperature_c FROM days").fetchall() == [(7.125, None)]
    assert bring_to_head(old, url, head="0003", versions=versions) is None


def test_without_room_for_the_copy_there_is_no_upgrade(old, url, path, versions, monkeypatch):
    (versions / "r0003_more.py").write_text(REVISION.format(then="pass"))
    monkeypatch.setattr(schema, "free_name", lambda *_: path.parent / "no such folder" / "copy.db")
    with pytest.raises(OSError, match="No such file"):
        bring_to_head(old, url, head="0003", versions=versions)
    assert version(path) == [("0002",)]


def test_an_upgrade_that_fails_leaves_the_old_database_as_it_was(old, url, path, versions):
    (versions / "r0003_more.py").write_text(REVISION.format(then='raise RuntimeError("no")'))
    before = structure(path)
    with pytest.raises(RuntimeError, match="no"):
        bring_to_head(old, url, head="0003", versions=versions)
    assert structure(path) == before
    assert version(path) == [("0002",)]
    assert StoreReader(url).days(None, NIGHT, NIGHT) == [day_row()]


def test_a_kill_in_the_middle_of_an_upgrade_leaves_the_old_database_as_it_was(old, url, path, versions):
    (versions / "r0003_more.py").write_text(REVISION.format(then="os.kill(os.getpid(), 9)"))
    before = structure(path)
    code = f"""
from pathlib import Path
from dewpond.adapters.store.dialect import open_writer
from dewpond.adapters.store.schema import bring_to_head
bring_to_head(open_writer({url!r}), {url!r}, head="0003", versions=Path({str(versions)!r}))
"""
    died = subprocess.run([sys.executable, "-c", code], check=False)
    assert died.returncode == -signal.SIGKILL
    assert structure(path) == before
    assert StoreReader(url).days(None, NIGHT, NIGHT) == [day_row()]


def set_version(path, number):
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE schema_version SET version_num = ?", (number,))


def test_a_newer_schema_is_refused_and_not_touched(store, path, url, open_store):
    store.close()
    set_version(path, "0099")
    with pytest.raises(StoreUnusable, match=r"newer dewpond \(schema 0099, this version knows 0002\); install"):
        open_store()
    with pytest.raises(StoreUnusable, match="schema 0099, this version reads 0002"):
        StoreReader(url).plan(NIGHT)
    assert version(path) == [("0099",)]


@pytest.mark.parametrize("statement", ["CREATE TABLE songs (title)", "CREATE TABLE schema_version (version_num)"])
def test_tables_of_somebody_else_are_refused_and_not_touched(path, open_store, statement):
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(statement)
    with pytest.raises(StoreUnusable, match="its tables are not dewpond's; name another file or move this one"):
        open_store()
    assert len(structure(path)) == 1


def test_tables_and_statements_are_spelt_for_postgresql_too():
    from sqlalchemy.dialects import postgresql
    from sqlalchemy.schema import CreateIndex, CreateTable

    from dewpond.adapters.store.dialect import insert_or_leave, insert_or_replace

    postgres = postgresql.dialect()
    said = []

    class Connection:
        dialect = postgres

        def execute(self, statement, rows):
            said.append(str(statement.compile(dialect=postgres)))

    for table in tables.metadata.sorted_tables:
        said.append(str(CreateTable(table).compile(dialect=postgres)))
        said += [str(CreateIndex(index).compile(dialect=postgres)) for index in table.indexes]
        insert_or_leave(Connection(), table, [{}])
    for table in (tables.plan, tables.runs, tables.days, tables.reasons, tables.alarms, tables.snapshots):
        insert_or_replace(Connection(), table, [{}])
    whole = "\n".join(said)
    assert "TIMESTAMP WITH TIME ZONE" in whole
    assert "ON CONFLICT (window_date, zone, source, start_no) DO UPDATE SET" in whole
    assert "ON CONFLICT DO NOTHING" in whole
    assert "WHERE kind <> 'ReadingsArrived'" in whole
    assert "ROWID" not in whole
