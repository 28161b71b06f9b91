from __future__ import annotations

import math
from datetime import timedelta

import numpy as np
import pytest

from dewpond.adapters.store.reader import StoreReader
from dewpond.adapters.store.tables import StoreUnusable
from dewpond.model.commands import ClearAlarm, RaiseAlarm

from .conftest import AT, NIGHT, day_row, now_at, plan_row, readings, reason, run_row

DAY = timedelta(days=1)


@pytest.fixture
def reader(store, url):
    return StoreReader(url)


def keep(store, *commands):
    for command in commands:
        store.record(command)
    assert store.commit()


def test_ledger_rows_come_back_equal_by_date_and_zone(store, reader):
    rows = [day_row(NIGHT + n * DAY, zone) for n in range(3) for zone in ("beds", "lawn")]
    keep(store, *reversed(rows))
    assert reader.days(None, NIGHT, NIGHT + 2 * DAY) == rows
    assert reader.days("lawn", NIGHT + DAY, NIGHT + DAY) == [rows[3]]


def test_a_day_is_replaced_by_its_later_version(store, reader):
    keep(store, day_row(depletion_mm=1.0), day_row(depletion_mm=2.0))
    assert [row.depletion_mm for row in reader.days(None, NIGHT, NIGHT)] == [2.0]


def test_a_number_nobody_knows_comes_back_as_nan(store, reader):
    keep(store, day_row(eto_mm=math.nan))
    assert math.isnan(reader.days(None, NIGHT, NIGHT)[0].eto_mm)


def test_runs_come_back_equal_within_the_half_open_span(store, reader):
    runs = [run_row(f"run-{n}", start=AT + n * DAY, metered_litres=None if n else 12.5) for n in range(3)]
    keep(store, *runs, run_row("other", zone="lawn"))
    assert reader.runs(AT, AT + 2 * DAY, "beds") == runs[:2]
    assert len(reader.runs(AT, AT + DAY)) == 2
    assert reader.runs(AT, AT + DAY)[0].start.tzinfo is not None


def test_litres_are_summed_by_zone_over_the_span(store, reader):
    keep(store, run_row("a", litres=1.5), run_row("b", litres=2.25), run_row("c", zone="lawn", litres=10.0))
    keep(store, run_row("d", litres=99.0, start=AT + DAY))
    assert reader.litres(AT, AT + DAY) == {"beds": 3.75, "lawn": 10.0}


def test_the_last_decision_of_a_night_counts_and_the_earlier_ones_are_kept(store, reader):
    early = reason(decided_at=AT, decision="water")
    late = reason(decided_at=AT + timedelta(hours=2), decision="held")
    other = reason(zone="lawn", day=NIGHT + DAY)
    keep(store, late, early, other)
    assert reader.reasons(None, NIGHT, NIGHT + DAY) == [late.reason, other.reason]
    assert reader.reasons("beds", NIGHT, NIGHT, history=True) == [early.reason, late.reason]


def test_the_plan_of_a_night_comes_in_order_of_time(store, reader):
    rows = [plan_row(start_no=n, start=AT + timedelta(minutes=10 * n)) for n in range(3)]
    keep(store, *reversed(rows), plan_row(window_date=NIGHT + DAY))
    assert reader.plan(NIGHT) == rows


def raised(key="beds/no_flow/1", at=AT, detail="no water"):
    return RaiseAlarm(key=key, at=at, kind="no_flow", zone="beds", detail=detail, facts={"flow_l_min": 0.0})


def test_an_incident_is_open_until_it_is_cleared(store, reader):
    keep(store, raised(), raised(key="other", at=AT + DAY))
    assert [alarm.key for alarm in reader.alarms(open_only=True)] == ["other", "beds/no_flow/1"]
    keep(store, ClearAlarm(key="beds/no_flow/1", at=AT + DAY, why="water again"))
    assert [alarm.key for alarm in reader.alarms(open_only=True)] == ["other"]
    closed = reader.alarms(open_only=False)[1]
    assert (closed.cleared_at, closed.cleared_why, closed.facts) == (AT + DAY, "water again", {"flow_l_min": 0.0})


def test_an_incident_raised_again_while_open_stays_one_row_with_the_newer_words(store, reader):
    keep(store, raised(), raised(at=AT + DAY, detail="still no water"))
    (alarm,) = reader.alarms(open_only=False)
    assert (alarm.raised_at, alarm.detail) == (AT, "still no water")


def test_the_same_fault_after_it_was_cleared_is_a_second_incident(store, reader):
    keep(store, raised(), ClearAlarm(key=raised().key, at=AT + DAY, why="fixed"), raised(at=AT + 2 * DAY))
    assert [alarm.cleared_at for alarm in reader.alarms(open_only=False)] == [None, AT + DAY]


def test_hearing_of_a_cleared_incident_once_more_does_not_open_it(store, reader):
    keep(store, raised(), ClearAlarm(key=raised().key, at=AT + DAY, why="fixed"), raised())
    (alarm,) = reader.alarms(open_only=False)
    assert alarm.cleared_at == AT + DAY


def test_clearing_what_nobody_raised_is_no_error(store, reader):
    keep(store, ClearAlarm(key="unheard of", at=AT, why=""))
    assert reader.alarms(open_only=False) == []


def test_the_newest_readings_of_a_span_come_oldest_first(store, reader):
    store.append(1, now_at(), [readings(values=[0.1 * n for n in range(10)], first_s=1000.0)], [])
    store.append(2, now_at(), [readings(sensor="gauge", first_s=1000.0)], [])
    store.commit()
    times, values = reader.readings("main-meter", 1002.0, 1009.0, limit=3)
    np.testing.assert_array_equal(times, [1006.0, 1007.0, 1008.0])
    np.testing.assert_array_equal(values, [0.1 * n for n in (6, 7, 8)])
    assert reader.sensors() == ["gauge", "main-meter"]


def test_a_sensor_nobody_heard_has_no_readings(reader):
    times, values = reader.readings("nothing", 0.0, 1e10, limit=5)
    assert times.shape == values.shape == (0,)


def test_a_missing_database_is_said_in_one_line(tmp_path):
    with pytest.raises(StoreUnusable, match=r"none\.db cannot be read: it cannot be opened"):
        StoreReader(f"sqlite:///{tmp_path}/none.db").alarms(open_only=True)
    assert not (tmp_path / "none.db").exists()


def test_the_reader_cannot_write(reader):
    from sqlalchemy import text

    with pytest.raises(StoreUnusable, match="it is read-only"), reader._database.connection() as connection:
        connection.execute(text("DELETE FROM days"))


def test_a_reader_sees_a_commit_while_the_writer_stays_open_and_never_blocks_it(store, reader, url):
    keep(store, day_row())
    with reader._database.connection() as looking:
        looking.exec_driver_sql("SELECT * FROM days").fetchone()
        keep(store, day_row(NIGHT + DAY))
    assert len(reader.days(None, NIGHT, NIGHT + DAY)) == 2


def test_a_folder_with_odd_letters_is_no_obstacle(tmp_path, open_store):
    folder = tmp_path / "a b#c?d%20é"
    folder.mkdir()
    from sqlalchemy import URL

    url = URL.create("sqlite", database=str(folder / "dewpond.db")).render_as_string()
    store = open_store(url=url)
    keep(store, day_row())
    assert len(StoreReader(url).days(None, NIGHT, NIGHT)) == 1
