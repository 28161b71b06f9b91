"""What is written must come back bit for bit: the journal is a replay's input."""

from __future__ import annotations

import dataclasses
import math
import struct
from datetime import UTC, date, datetime, timedelta, timezone

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dewpond.adapters.store.rows import (
    COMMAND_KINDS,
    EVENT_KINDS,
    command_from,
    command_row,
    event_body,
    event_from,
    reading_rows,
    step_rows,
)
from dewpond.adapters.store.tables import from_microseconds, microseconds
from dewpond.model.commands import CloseAll, CloseValve, Command, PublishState, RecordPlan
from dewpond.model.events import (
    ClockStepped,
    Event,
    KeeperFound,
    Now,
    OperatorAsked,
    RainKnown,
    ReadingsArrived,
    ReferenceEtKnown,
    RuleAnswered,
    ServiceStarted,
)

AT = datetime(2027, 5, 1, 4, 5, 6, 789_012, tzinfo=UTC)
NOW = Now(wall=AT, elapsed_s=0.1 + 0.2, trusted=False)


def same_bits(left, right):
    return left.dtype == right.dtype == np.float64 and left.tobytes() == right.tobytes()


@pytest.mark.parametrize(
    "event",
    [
        ServiceStarted(at=AT, site_digest="ab", version="0.1", first=True, assumed_depletion_share=1 / 3),
        ReferenceEtKnown(at=AT, date=date(2027, 4, 30), eto_mm=None, method="none", sd_mm=1.5),
        RainKnown(at=AT, date=date(2027, 4, 30), rain_mm=0.1 + 0.2, source="gauge"),
        OperatorAsked(at=AT, request_id="a-1", who="Ada", action="hold", until=AT + timedelta(days=2)),
        KeeperFound(at=AT, session="k", ready=True, open_outputs={3: "run-1"}, closed={"run-0": 12.5}),
        RuleAnswered(at=AT, request_id="r", net_mm={"beds": 4.2}, notes={"because": ["dry", 3]}),
        ClockStepped(at=AT, step_s=-3600.25),
    ],
)
def test_an_event_comes_back_equal(event):
    assert event_from(type(event).__name__, event_body(event)) == event


def test_every_kind_of_event_and_command_is_known():
    assert {kind.__name__ for kind in Event.__subclasses__()} == set(EVENT_KINDS)
    assert {kind.__name__ for kind in Command.__subclasses__()} == set(COMMAND_KINDS)
    assert not set(EVENT_KINDS) & set(COMMAND_KINDS)  # a row's kind alone says which of the two it is


def test_an_event_of_a_newer_version_is_named_not_guessed():
    with pytest.raises(ValueError, match="'TreePlanted' that this version of dewpond does not know"):
        event_from("TreePlanted", "{}")


floats = st.lists(st.floats(allow_nan=False, width=64), max_size=20)


@given(floats, floats, st.datetimes(timezones=st.just(UTC)))
def test_readings_come_back_bit_for_bit(times, values, at):
    size = min(len(times), len(values))
    block = ReadingsArrived(
        at=at,
        sensor="main-meter",
        time_s=np.array(times[:size]),
        value=np.array(values[:size]),
        window_s=np.array(values[:size]) if size % 2 else None,
    )
    back = event_from("ReadingsArrived", event_body(block))
    assert (back.at, back.sensor) == (block.at, block.sensor)
    assert same_bits(back.time_s, block.time_s)
    assert same_bits(back.value, block.value)
    assert (back.window_s is None) == (block.window_s is None)
    assert block.window_s is None or same_bits(back.window_s, block.window_s)


def test_the_least_and_the_signless_of_numbers_survive():
    value = np.array([-0.0, 5e-324, math.inf, -math.inf, math.nan, 1.7976931348623157e308])
    block = ReadingsArrived(at=AT, sensor="s", time_s=np.arange(6.0), value=value)
    back = event_from("ReadingsArrived", event_body(block)).value
    assert struct.pack("<d", back[0]) == struct.pack("<d", -0.0)
    np.testing.assert_array_equal(back, value)


def test_a_step_without_events_still_has_a_row():
    (row,) = step_rows(7, NOW, (), ())
    assert (row["step_no"], row["seq"], row["kind"], row["wall"], row["elapsed_s"]) == (7, 0, "", AT, NOW.elapsed_s)


def test_rows_of_a_step_keep_the_order_of_events_and_commands_without_what_was_published():
    events = [ClockStepped(at=AT, step_s=float(n)) for n in range(5)]
    commands = [
        PublishState(topic="a", body={}),
        CloseValve(run_id="r", output=3, cause="done"),
        CloseAll(cause="stop"),
    ]
    rows = step_rows(7, NOW, events, commands)
    assert [row["seq"] for row in rows] == [0, 1, 2, 3, 4, 5, 6]
    assert [event_from(row["kind"], row["body"]) for row in rows[:5]] == events
    assert [command_from(row["kind"], row["body"]) for row in rows[5:]] == commands[1:]


def test_what_is_not_finite_has_no_place_in_the_readings_table():
    block = ReadingsArrived(
        at=AT, sensor="s", time_s=np.array([1.0, 2.0004, math.nan]), value=np.array([math.nan, 3.5, 1.0])
    )
    assert reading_rows(4, block) == [{"series": 4, "time_ms": 2000, "value": 3.5}]


def test_numbers_of_numpy_become_numbers_of_python():
    command = RecordPlan(
        zone="beds",
        source="refill",
        window_date=date(2027, 5, 1),
        start_no=np.int64(3),
        start=AT,
        seconds=np.float32(1.5),
        gross_mm=np.float64(2.5),
        state="planned",
    )
    row = command_row(command)
    assert [type(row[name]) for name in ("start_no", "seconds", "gross_mm")] == [int, float, float]
    assert row.keys() == {field.name for field in dataclasses.fields(RecordPlan)}


@given(st.datetimes(timezones=st.integers(-14, 14).map(lambda hours: timezone(timedelta(hours=hours)))))
def test_microseconds_are_exact_in_any_zone(instant):
    assert from_microseconds(microseconds(instant)) == instant


def test_a_naive_time_is_refused():
    with pytest.raises(ValueError, match="2027-05-01T00:00:00 has no offset"):
        microseconds(datetime(2027, 5, 1))  # noqa: DTZ001 - that is the point
