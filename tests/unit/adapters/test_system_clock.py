import threading
from datetime import UTC, datetime, timedelta

from dewpond.adapters.system_clock import EARLIEST_PLAUSIBLE, SystemClock


def test_both_times_run_and_the_wall_is_aware_utc():
    clock = SystemClock()
    first, second = clock.now(), clock.now()
    assert first.wall.utcoffset() == timedelta(0)
    assert second.elapsed_s >= first.elapsed_s


def test_a_wake_before_the_wait_is_not_lost():
    clock = SystemClock()
    clock.wake()
    clock.wait(float("inf"))  # would never return


def test_a_wake_from_another_thread_ends_the_wait():
    clock = SystemClock()
    threading.Timer(0.01, clock.wake).start()
    clock.wait(float("inf"))


def test_a_wait_ends_at_its_time():
    clock = SystemClock()
    until_s = clock.now().elapsed_s + 0.02
    clock.wait(until_s)
    assert clock.now().elapsed_s >= until_s


def test_a_wait_for_a_time_gone_by_returns_at_once():
    SystemClock().wait(0.0)


def test_a_clock_before_the_newest_journal_time_is_not_trusted():
    wall = SystemClock().now().wall
    assert not SystemClock(not_before=wall + timedelta(hours=1)).now().trusted
    assert SystemClock(not_before=wall - timedelta(hours=1)).now().trusted


def test_an_empty_journal_still_does_not_make_1970_believable():
    trust = SystemClock(not_before=datetime(1970, 1, 1, tzinfo=UTC)).trust
    assert not trust.trusted(EARLIEST_PLAUSIBLE - timedelta(days=1), 10.0)


def test_real_time_cannot_be_held():
    clock = SystemClock()
    clock.hold()
    clock.wait(clock.now().elapsed_s + 0.001)
    clock.unhold()
