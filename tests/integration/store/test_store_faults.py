"""Disk full, read-only, locked, damaged: nothing new without a record, nothing lost silently, no restart needed."""

from __future__ import annotations

import os
import random
import sqlite3
import subprocess
from contextlib import closing

import pytest
import sqlalchemy.exc

from dewpond.adapters.store import sql_store
from dewpond.adapters.store.journal import JournalReader
from dewpond.adapters.store.reader import StoreReader
from dewpond.adapters.store.tables import StoreUnusable

from .conftest import NIGHT, day_row, now_at, readings


def step(store, number, elapsed_s=None, size=50):
    now = now_at(float(number) if elapsed_s is None else elapsed_s)
    store.append(number, now, [readings(values=[1.0] * size)], [])


def told(store):
    return [fault.text for fault in store.faults()]


def numbers(url):
    return [number for number, _, _ in JournalReader(url).steps()]


def limit_pages(store, pages):
    """The nearest thing to a small disk that needs no rights: SQLite itself says SQLITE_FULL."""
    with store._engine.connect() as connection:
        connection.connection.dbapi_connection.execute(f"PRAGMA max_page_count={pages}").close()


def test_a_full_disk_is_told_once_and_everything_is_written_when_there_is_room_again(store, url):
    step(store, 1)
    store.commit()
    limit_pages(store, 1)
    step(store, 2, size=5000)
    for number in range(3, 30):
        step(store, number)
        store.record(day_row())
        assert store.commit() is False
    (fault,) = told(store)
    assert "dewpond.db cannot be written: the disk is full; free some space" in fault
    assert numbers(url) == [1]
    limit_pages(store, 1_000_000)
    step(store, 30)
    assert store.commit() is True
    (news,) = told(store)
    assert "written again; nothing was lost" in news
    assert numbers(url) == list(range(1, 31))
    assert len(StoreReader(url).days(None, NIGHT, NIGHT)) == 1


def test_while_the_disk_is_full_the_buffer_stays_small_and_its_losses_are_counted(open_store, url):
    store = open_store(buffer_bytes=20_000, keep_bytes=100_000)
    limit_pages(store, 1)
    for number in range(1, 1001):
        step(store, number)
    assert store._buffer.size <= 100_000
    faults = told(store)
    assert any("100 kB wait to be written, which is the limit, and the oldest are being dropped" in f for f in faults)
    assert len(faults) == 2
    limit_pages(store, 1_000_000)
    assert store.commit() is True
    kept = numbers(url)
    assert kept == list(range(kept[0], 1001))
    assert told(store) == [f"journal {url[10:]}: written again; {kept[0] - 1} steps and 0 records were lost"]


def test_what_people_read_outlives_the_readings_in_a_full_buffer(open_store, url):
    store = open_store(keep_bytes=50_000)
    limit_pages(store, 1)
    store.record(day_row())
    for number in range(1, 200):
        step(store, number)
    limit_pages(store, 1_000_000)
    assert store.commit()
    assert len(StoreReader(url).days(None, NIGHT, NIGHT)) == 1


def test_a_flush_that_failed_is_tried_again_by_itself_every_half_minute(store, url):
    limit_pages(store, 1)
    step(store, 1, elapsed_s=0.0, size=5000)
    store.flush_if_due(now_at(30.0))
    limit_pages(store, 1_000_000)
    store.flush_if_due(now_at(59.0))
    assert numbers(url) == []
    store.flush_if_due(now_at(60.0))
    assert numbers(url) == [1]


@pytest.fixture
def small_disk(tmp_path):
    """A real file system of 1 MB."""
    folder = tmp_path / "small"
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", folder], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip("mounting a file system needs more rights")
    yield folder
    subprocess.run(["umount", folder], check=True)


def test_a_really_full_disk_loses_nothing(small_disk, open_store):
    url = f"sqlite:///{small_disk}/dewpond.db"
    store = open_store(url=url)
    step(store, 1)
    assert store.commit() is True
    filler = small_disk / "filler"
    with filler.open("wb", buffering=0) as stream:
        while True:
            try:
                stream.write(b"x" * 4096)
            except OSError:
                break
    number = 2
    while True:
        step(store, number)
        if not store.commit():
            break
        number += 1
    assert "the disk is full" in told(store)[0]
    filler.unlink()
    assert store.commit() is True
    assert numbers(url) == list(range(1, number + 1))


def test_a_start_on_a_full_disk_waits_for_room(small_disk, open_store):
    url = f"sqlite:///{small_disk}/dewpond.db"
    filler = small_disk / "filler"
    filler.write_bytes(b"x" * 1024 * 1024)
    store = open_store(url=url)
    step(store, 1)
    assert store.commit() is False
    assert "cannot be written" in told(store)[0]
    filler.unlink()
    assert store.commit() is True
    assert numbers(url) == [1]


def test_a_locked_database_is_waited_for_and_then_refused_and_written_later(open_store, path, url):
    store = open_store(lock_wait_s=0.05)
    step(store, 1)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        assert store.commit() is False
        assert store.commit() is False
        (fault,) = told(store)
        assert "another process keeps it locked" in fault
        other.execute("ROLLBACK")
    assert store.commit() is True
    assert numbers(url) == [1]


def test_a_short_lock_goes_unnoticed(open_store, path, url):
    store = open_store(lock_wait_s=30.0)
    step(store, 1)
    script = "import sqlite3, sys, time; c = sqlite3.connect(sys.argv[1], isolation_level=None)\n"
    script += "c.execute('BEGIN IMMEDIATE'); print('locked', flush=True); time.sleep(0.2); c.execute('ROLLBACK')"
    with subprocess.Popen(["python3", "-c", script, path], stdout=subprocess.PIPE) as other:
        assert other.stdout.readline() == b"locked\n"
        assert store.commit() is True
    assert told(store) == []


def test_a_database_that_turns_read_only_is_told_and_used_again_once_it_can_be(store, url):
    with store._engine.connect() as connection:
        connection.connection.dbapi_connection.execute("PRAGMA query_only=ON").close()
    step(store, 1)
    assert store.commit() is False
    assert "it is read-only; make it writable for the user dewpond runs as" in told(store)[0]
    assert store.commit() is True
    assert numbers(url) == [1]


def test_a_missing_folder_at_start_is_a_fault_and_not_the_end(tmp_path, open_store):
    url = f"sqlite:///{tmp_path}/later/dewpond.db"
    store = open_store(url=url)
    assert "cannot be written: No such file or directory" in told(store)[0]
    step(store, 1)
    assert store.commit() is False
    (tmp_path / "later").mkdir()
    assert store.commit() is True
    assert numbers(url) == [1]


def test_a_daemon_that_could_not_read_old_steps_does_not_number_over_them(tmp_path, open_store):
    url = f"sqlite:///{tmp_path}/later/dewpond.db"
    (tmp_path / "later").mkdir()
    earlier = open_store(url=url)
    step(earlier, 7)
    earlier.close()
    (tmp_path / "later").rename(tmp_path / "away")
    store = open_store(url=url)
    step(store, 1)
    (tmp_path / "away").rename(tmp_path / "later")
    with pytest.raises(StoreUnusable, match=r"holds steps up to 7.*numbered its own from 1; restart the daemon"):
        store.commit()


def filled(open_store, steps=200):
    store = open_store()
    for number in range(1, steps + 1):
        step(store, number)
        store.record(day_row())
    store.snapshot(steps, now_at(), {"soil": 1})
    store.close()


@pytest.mark.parametrize(
    "content", [b"this is no database, but it is long enough to be read as one" * 100, b"SQLite format 3\0"]
)
def test_a_file_that_is_no_database_is_set_aside_whole(path, url, open_store, content):
    path.write_bytes(content)
    store = open_store()
    (fault,) = told(store)
    assert "it was set aside as dewpond.db.damaged-1 and a new one begun" in fault
    assert path.with_name("dewpond.db.damaged-1").read_bytes() == content
    step(store, 1)
    assert store.commit() is True
    assert numbers(url) == [1]


def test_a_truncated_database_is_set_aside_and_a_second_one_does_not_overwrite_the_first(path, url, open_store):
    for turn in (1, 2):
        filled(open_store)
        os.truncate(path, path.stat().st_size // 2)
        store = open_store()
        assert f"dewpond.db.damaged-{turn}" in told(store)[0]
        assert store.commit()
        store._let_go()
        path.unlink()
    assert path.with_name("dewpond.db.damaged-1").exists()
    assert path.with_name("dewpond.db.damaged-2").exists()


def test_the_last_snapshot_of_a_damaged_database_is_carried_over(path, url, open_store):
    filled(open_store)
    page_of_the_journal = open_pages(path, "journal")[5]
    with path.open("r+b") as stream:
        stream.seek((page_of_the_journal - 1) * 4096)
        stream.write(b"\xff" * 4096)
    store = open_store()
    assert "its last snapshot was carried over" in told(store)[0]
    assert JournalReader(url).latest_snapshot()[:2] == (200, {"soil": 1})
    step(store, 201)
    assert store.commit()


def open_pages(path, table):
    with closing(sqlite3.connect(path)) as connection:
        root = connection.execute("SELECT rootpage FROM sqlite_schema WHERE name = ?", (table,)).fetchone()[0]
        pages = connection.execute("PRAGMA page_count").fetchone()[0]
    return [root, *range(root + 1, pages)]


def test_damage_found_while_running_begins_a_new_database_and_loses_nothing_that_waited(path, url, open_store):
    filled(open_store)
    store = open_store()
    told(store)
    root = open_pages(path, "journal")[0]
    with path.open("r+b") as stream:
        stream.seek((root - 1) * 4096)
        stream.write(b"\xff" * 4096)
    store._engine.dispose()  # so that the page is read again
    step(store, 201)
    store.record(day_row())
    assert store.commit() is True
    assert any("set aside as dewpond.db.damaged-1" in text for text in told(store))
    assert numbers(url) == [201]
    assert len(StoreReader(url).days(None, NIGHT, NIGHT)) == 1


def test_a_disk_that_damages_every_new_database_is_not_filled_with_them(path, store, monkeypatch):
    def spoil(*_):
        raise sqlalchemy.exc.DatabaseError("INSERT", {}, error)

    error = sqlite3.DatabaseError("malformed")
    error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
    monkeypatch.setattr(sql_store, "write_buffer", spoil)
    for number in range(1, 6):
        step(store, number)
        assert store.commit() is False
    assert len(list(path.parent.glob("*damaged-[0-9]"))) == 1
    monkeypatch.undo()
    assert store.commit() is True
    assert "written again; nothing was lost" in told(store)[-1]


@pytest.mark.parametrize("seed", range(20))
def test_whatever_bytes_rot_the_store_starts_and_takes_new_records(path, url, open_store, seed):
    filled(open_store, steps=40)
    rng = random.Random(seed)  # noqa: S311 - not a secret
    content = bytearray(path.read_bytes())
    for _ in range(rng.choice([1, 3, 30])):
        content[rng.randrange(len(content))] = rng.randrange(256)
    path.write_bytes(content)
    try:
        store = open_store()
    except StoreUnusable as refusal:  # the two words that say whose tables these are
        assert "not dewpond's" in str(refusal) or "newer dewpond" in str(refusal)
        return
    step(store, max(store.last_step_no, 40) + 1)
    assert store.commit() is True, told(store)
    list(JournalReader(url).steps())
    JournalReader(url).latest_snapshot()


def test_a_journal_row_that_rotted_is_left_out_and_counted(store, path, url):
    for number in (1, 2, 3):
        step(store, number)
    store.close()
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE journal SET body = '[1' WHERE step_no = 2")
        connection.execute("UPDATE journal SET kind = 'TreePlanted' WHERE step_no = 3")
    journal = JournalReader(url)
    assert [len(events) for _, _, events in journal.steps()] == [1, 0, 0]
    assert journal.unreadable == 2
