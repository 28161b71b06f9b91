"""Waiting moves the replay's time; the wall clock may be wrong while elapsed time is not."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from dewpond_sim.replay_clock import ReplayClock

START = datetime(2030, 5, 1, 7, 0, tzinfo=UTC)


def test_waiting_jumps_to_the_time_waited_for():
    clock = ReplayClock(START)
    clock.wait(3600.0)
    assert clock.now().elapsed_s == 3600.0
    assert clock.now().wall == START + timedelta(hours=1)


def test_time_never_goes_back():
    clock = ReplayClock(START)
    clock.wait(100.0)
    clock.wait(40.0)
    assert clock.now().elapsed_s == 100.0


def test_a_wake_ends_the_next_wait_where_it_stands():
    clock = ReplayClock(START)
    clock.wake()
    clock.wait(500.0)
    assert clock.now().elapsed_s == 0.0
    clock.wait(500.0)
    assert clock.now().elapsed_s == 500.0


def test_a_wrong_wall_clock_leaves_elapsed_time_alone():
    clock = ReplayClock(START)
    clock.wait(60.0)
    clock.wall_error_s = -7200.0
    assert clock.now().wall == START + timedelta(seconds=60 - 7200)
    assert clock.now().elapsed_s == 60.0


def test_a_wait_without_end_goes_to_the_end_or_is_refused():
    clock = ReplayClock(START, end_s=900.0)
    clock.wait(float("inf"))
    assert clock.now().elapsed_s == 900.0
    with pytest.raises(RuntimeError, match="waits for ever"):
        ReplayClock(START).wait(float("inf"))


def test_a_start_without_time_zone_is_refused():
    with pytest.raises(ValueError, match="time zone"):
        ReplayClock(datetime(2030, 5, 1))  # noqa: DTZ001
