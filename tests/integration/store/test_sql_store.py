from __future__ import annotations

import stat
import subprocess
import sys
from datetime import UTC, datetime, timedelta, timezone
from math import inf

import numpy as np
import pytest
from sqlalchemy import create_engine, text

from dewpond.adapters.store.journal import JournalReader
from dewpond.model.commands import CloseAll, OpenValve, PublishState, RecordReason
from dewpond.model.events import ClockStepped, FaultSeen, Now, PlanningDue, ReadingsArrived, ValveOpened

from .conftest import AT, NIGHT, now_at, plan_row, readings, reason, run_row


def rows(url, sql):
    engine = create_engine(url)
    with engine.connect() as connection:
        found = [tuple(row) for row in connection.execute(text(sql))]
    engine.dispose()
    return found


def test_nothing_is_on_disk_before_the_commit_and_all_of_it_after(store, url):
    store.append(1, now_at(), [ClockStepped(at=AT, step_s=2.0), readings()], [])
    store.record(run_row())
    assert rows(url, "SELECT count(*) FROM journal") == [(0,)]
    assert store.commit() is True
    assert rows(url, "SELECT count(*) FROM journal") == [(2,)]
    assert rows(url, "SELECT count(*) FROM readings") == [(2,)]
    assert rows(url, "SELECT count(*) FROM runs") == [(1,)]
    assert list(store.faults()) == []


def test_the_journal_comes_back_step_by_step_and_bit_for_bit(store, url):
    first = [ClockStepped(at=AT, step_s=0.1 + 0.2), readings(values=(1 / 3, -0.0, 5e-324))]
    wanted = [OpenValve(run_id="r", output=3, zone="beds", planned_s=600.0), reason(), PublishState(topic="t", body={})]
    untrusted = Now(wall=AT + timedelta(microseconds=1), elapsed_s=1 / 3, trusted=False)
    store.append(1, now_at(), first, wanted)
    store.append(2, untrusted, [], [CloseAll(cause="test")])
    store.append(9, now_at(5.0), [ValveOpened(at=AT, run_id="r", output=3)], [])
    store.commit()
    journal = JournalReader(url)
    steps = list(journal.steps())
    assert [(number, now) for number, now, _ in steps] == [(1, now_at()), (2, untrusted), (9, now_at(5.0))]
    assert steps[0][2][0] == first[0]
    assert steps[0][2][1].value.tobytes() == first[1].value.tobytes()
    assert steps[1][2] == ()
    assert steps[2][2] == (ValveOpened(at=AT, run_id="r", output=3),)
    assert list(journal.commands()) == [(1, tuple(wanted[:2])), (2, (CloseAll(cause="test"),)), (9, ())]
    assert [number for number, _, _ in journal.steps(after=2)] == [9]
    assert journal.last_step() == (9, now_at(5.0))
    assert store.last_step_no == 9


def test_a_long_journal_is_read_in_pages_without_losing_a_row(store, url):
    for number in range(1, 1500):
        store.append(number, now_at(number), [ClockStepped(at=AT, step_s=float(n)) for n in range(3)], [])
    store.append(1500, now_at(), [ClockStepped(at=AT, step_s=float(n)) for n in range(4500)], [])
    store.commit()
    steps = list(JournalReader(url).steps())
    assert [number for number, _, _ in steps] == list(range(1, 1501))
    assert all([event.step_s for event in events] == [0.0, 1.0, 2.0] for _, _, events in steps[:-1])
    assert [event.step_s for event in steps[-1][2]] == [float(n) for n in range(4500)]


def test_the_newest_event_of_a_kind_is_found_by_an_index_among_many_readings(store, url):
    for number in range(1, 50):
        store.append(number, now_at(), [readings(), PlanningDue(at=AT, date=NIGHT + timedelta(days=number))], [])
    store.commit()
    journal = JournalReader(url)
    assert [event.date for event in journal.newest(PlanningDue, 2)] == [NIGHT + timedelta(days=n) for n in (49, 48)]
    plan = rows(
        url,
        "EXPLAIN QUERY PLAN SELECT body FROM journal WHERE kind = 'PlanningDue' AND kind <> 'ReadingsArrived' "
        "AND kind <> '' ORDER BY step_no DESC, seq DESC LIMIT 1",
    )
    assert any("journal_by_kind" in str(row) for row in plan)
    assert not any("TEMP B-TREE" in str(row) for row in plan)


def test_a_step_number_that_does_not_rise_is_a_programming_error(store):
    store.append(5, now_at(), [], [])
    with pytest.raises(ValueError, match="journal step 5 follows step 5"):
        store.append(5, now_at(), [], [])


def test_a_second_start_goes_on_above_the_newest_step(store, open_store):
    store.append(41, now_at(), [], [])
    store.close()
    again = open_store()
    assert again.last_step_no == 41
    with pytest.raises(ValueError, match="steps are numbered upwards"):
        again.append(41, now_at(), [], [])
    again.append(42, now_at(), [], [])
    assert again.commit()


def test_a_command_without_a_table_is_a_programming_error(store):
    with pytest.raises(TypeError, match="no table for CloseAll"):
        store.record(CloseAll(cause="x"))


def test_an_event_the_journal_cannot_hold_is_refused_where_it_is_given(store):
    with pytest.raises(TypeError, match="cannot keep a object"):
        store.append(1, now_at(), [FaultSeen(at=AT, part="x", text=object())], [])


def test_readings_seen_twice_are_kept_once_and_the_first_value_stays(store, url):
    store.append(1, now_at(), [readings(values=(1.0, 2.0)), readings(values=(9.0,))], [])
    store.commit()
    store.append(2, now_at(), [readings(values=(8.0, 8.0, 3.0)), readings(sensor="gauge", values=(0.2,))], [])
    store.commit()
    assert rows(url, "SELECT series, value FROM readings ORDER BY series, time_ms") == [
        (1, 1.0),
        (1, 2.0),
        (1, 3.0),
        (2, 0.2),
    ]


def test_a_plan_row_of_the_same_key_replaces_and_another_does_not(store, url):
    for command in (plan_row(), plan_row(start_no=1), plan_row(zone="lawn"), plan_row(source="by hand")):
        store.record(command)
    store.commit()
    store.record(plan_row(state="done", seconds=540.0))
    store.commit()
    found = rows(url, "SELECT zone, source, start_no, state, seconds FROM plan ORDER BY zone, source, start_no")
    assert found == [
        ("beds", "by hand", 0, "planned", 600.0),
        ("beds", "refill", 0, "done", 540.0),
        ("beds", "refill", 1, "planned", 600.0),
        ("lawn", "refill", 0, "planned", 600.0),
    ]


def test_numbers_of_numpy_and_foreign_time_zones_are_stored_as_plain_utc(store, url):
    east = timezone(timedelta(hours=9, minutes=30))
    store.record(plan_row(start_no=np.int64(2), seconds=np.float32(1.5), start=AT.astimezone(east)))
    store.commit()
    assert rows(url, "SELECT start_no, seconds, start FROM plan") == [(2, 1.5, "2027-05-01 20:00:00.123456")]


def test_a_naive_time_is_refused_and_nothing_of_its_commit_is_kept(store, url):
    store.record(run_row(start=datetime(2027, 5, 1)))  # noqa: DTZ001 - that is the point
    with pytest.raises(Exception, match="has no offset"):
        store.commit()
    assert rows(url, "SELECT count(*) FROM runs") == [(0,)]


def test_the_newest_ten_snapshots_stay(store, url):
    for number in range(1, 15):
        store.append(number, now_at(number), [], [])
        store.snapshot(number, now_at(number), {"soil": {"beds": 1 / 3 * number}})
        store.commit()
    assert rows(url, "SELECT step_no FROM snapshots ORDER BY step_no") == [(n,) for n in range(5, 15)]
    step_no, plain, meta = JournalReader(url).latest_snapshot()
    assert (step_no, plain) == (14, {"soil": {"beds": 1 / 3 * 14}})
    assert meta == {"now": now_at(14), "version": "1.2.3", "schema": "0002"}


def test_a_snapshot_that_was_tampered_with_is_passed_over(store, url):
    for number in (1, 2):
        store.snapshot(number, now_at(), {"n": number})
        store.commit()
    engine = create_engine(url)
    with engine.begin() as connection:
        connection.execute(text("UPDATE snapshots SET body = '{\"n\": 99}' WHERE step_no = 2"))
    engine.dispose()
    assert JournalReader(url).latest_snapshot()[:2] == (1, {"n": 1})


def test_a_journal_without_snapshot_or_step_says_so(store, url):
    assert JournalReader(url).latest_snapshot() is None
    assert JournalReader(url).last_step() is None
    assert list(JournalReader(url).steps()) == []


def test_what_waits_is_written_after_half_a_minute_and_not_before(store, url):
    assert store.next_flush_s() == inf
    store.append(1, now_at(), [], [])
    assert store.next_flush_s() == 30.0
    store.flush_if_due(now_at(29.9))
    assert rows(url, "SELECT count(*) FROM journal") == [(0,)]
    store.flush_if_due(now_at(30.0))
    assert rows(url, "SELECT count(*) FROM journal") == [(1,)]
    assert store.next_flush_s() == inf


def test_a_full_buffer_is_written_by_itself(open_store, url):
    store = open_store(buffer_bytes=10_000)
    for number in range(1, 40):
        store.append(number, now_at(), [readings()], [])
    written = rows(url, "SELECT count(*) FROM journal")[0][0]
    assert 0 < written < 39


def test_the_file_and_its_companions_are_the_owners_alone(store, path):
    store.append(1, now_at(), [], [])
    store.commit()
    for name in ("dewpond.db", "dewpond.db-wal", "dewpond.db-shm"):
        assert stat.S_IMODE((path.parent / name).stat().st_mode) == 0o600


def test_commits_are_synced_in_full_and_logged_ahead(store):
    with store._engine.connect() as connection:
        raw = connection.connection.dbapi_connection
        names = ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
        pragmas = {name: raw.execute(f"PRAGMA {name}").fetchone()[0] for name in names}
    assert pragmas == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "busy_timeout": 5000}


def test_a_database_in_memory_is_refused(open_store):
    with pytest.raises(ValueError, match="must outlive the process"):
        open_store(url="sqlite://")


def test_an_empty_commit_writes_nothing_and_is_well(store, url):
    assert store.commit() is True
    store.record(RecordReason(reason=reason().reason))
    assert store.commit() is True


def test_daily_running_needs_neither_alembic_nor_the_object_mapper(url):
    code = f"""
import sys
from datetime import UTC, datetime
from dewpond.adapters.store.sql_store import SqlStore
from dewpond.model.events import Now
for _ in range(2):
    store = SqlStore({url!r}, now=Now(wall=datetime(2027, 5, 1, tzinfo=UTC), elapsed_s=0.0), version="1")
    store.append(store.last_step_no + 1, Now(wall=datetime(2027, 5, 1, tzinfo=UTC), elapsed_s=0.0), [], [])
    store.close()
print([name for name in ("alembic", "sqlalchemy.orm", "pandas") if name in sys.modules])
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_two_blocks_of_one_second_do_not_hide_each_other(store, url):
    block = ReadingsArrived(at=AT, sensor="meter", time_s=np.array([100.25, 100.75]), value=np.array([1.0, 2.0]))
    store.append(1, Now(wall=datetime(2027, 5, 1, tzinfo=UTC), elapsed_s=0.0), [block], [])
    store.commit()
    assert rows(url, "SELECT time_ms, value FROM readings") == [(100_250, 1.0), (100_750, 2.0)]
