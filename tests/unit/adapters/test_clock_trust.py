"""When the wall clock is believed: no clock chip at boot, a time service that steps it, a battery that dies."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from dewpond.adapters.clock_trust import EARLIEST_PLAUSIBLE, RESTORED_S, STEP_S, ClockTrust
from dewpond.adapters.clock_witness import Witness, kernel_witness
from dewpond.model.events import Now

T0 = datetime(2026, 6, 1, 12, tzinfo=UTC)


class Board:
    """A machine with two clocks and whatever stands behind the first."""

    def __init__(self, wall=T0, elapsed_s=100.0, newest=None, witness=None):
        self.wall, self.elapsed_s, self.witness = wall, elapsed_s, witness or Witness()
        self.trust = ClockTrust(newest=newest, witness=lambda: self.witness)

    def after(self, seconds, step_s=0.0):
        self.elapsed_s += seconds
        self.wall += timedelta(seconds=seconds + step_s)
        return self.trusted

    @property
    def trusted(self):
        return self.trust.trusted(self.wall, self.elapsed_s)


def record(wall=T0, elapsed_s=5000.0):
    return Now(wall=wall, elapsed_s=elapsed_s)


def test_a_first_start_with_a_plausible_clock_is_believed():
    board = Board()
    assert board.trusted
    assert [(event.trusted, event.why) for event in board.trust.judged()] == [(True, "it goes on from the records")]
    assert board.trust.judged() == []


def test_1970_is_not_believed_until_the_clock_has_been_set():
    board = Board(wall=datetime(1970, 1, 1, tzinfo=UTC))
    assert not board.trusted and not board.after(60.0)
    assert board.after(1.0, step_s=(T0 - board.wall).total_seconds())
    assert [event.trusted for event in board.trust.judged()] == [False, True]


def test_a_time_service_is_not_enough_for_1970():
    board = Board(wall=EARLIEST_PLAUSIBLE - timedelta(days=1), witness=Witness(synchronised=True))
    assert not board.trusted


def test_a_clock_before_the_newest_record_is_not_believed_nor_when_time_alone_carries_it_there():
    board = Board(wall=T0, elapsed_s=10.0, newest=record(T0 + timedelta(hours=1)))
    assert not board.trusted and not board.after(2 * 3600.0)
    board.witness = Witness(synchronised=True)
    assert board.after(10.0)


def test_a_restored_clock_after_a_power_cut_is_not_believed():
    """The saved time goes on where the records ended, so nobody counted the hours without power."""
    board = Board(wall=T0 + timedelta(seconds=60), elapsed_s=20.0, newest=record())
    assert not board.trusted
    assert "started anew" in board.trust.judged()[0].why
    assert board.after(5.0, step_s=6 * 3600.0)  # the time service has set it


@pytest.mark.parametrize("witness", [Witness(synchronised=True), Witness(rtc_s=T0.timestamp() + 61.0)])
def test_a_power_cut_costs_no_trust_where_a_chip_or_a_service_stands_behind_the_clock(witness):
    assert Board(wall=T0 + timedelta(seconds=60), elapsed_s=20.0, newest=record(), witness=witness).trusted


def test_a_chip_that_says_something_else_stands_behind_nothing():
    witness = Witness(rtc_s=T0.timestamp() + 7200.0)
    assert not Board(wall=T0 + timedelta(seconds=60), elapsed_s=20.0, newest=record(), witness=witness).trusted


def test_a_machine_that_was_off_for_longer_than_a_restored_clock_could_say_is_believed():
    board = Board(wall=T0 + timedelta(seconds=RESTORED_S + 30.0), elapsed_s=20.0, newest=record())
    assert board.trusted


def test_a_daemon_that_was_killed_and_restarted_goes_on():
    board = Board(wall=T0 + timedelta(seconds=3), elapsed_s=5003.0, newest=record())
    assert board.trusted


def test_small_steps_both_ways_cost_no_trust():
    board = Board()
    assert all(board.after(20.0, step_s=step_s) for step_s in (0.0, 3.0, -4.0, STEP_S / 2.0, -STEP_S / 2.0))
    assert [event.trusted for event in board.trust.judged()] == [True]


@pytest.mark.parametrize("step_s", [STEP_S + 60.0, -STEP_S - 60.0, 86_400.0 * 365])
def test_a_big_step_that_nothing_stands_behind_is_not_believed_until_it_is_taken_back(step_s):
    board = Board()
    assert board.trusted
    assert not board.after(20.0, step_s=step_s) and not board.after(3600.0)
    assert "was set by" in board.trust.judged()[-1].why
    assert board.after(20.0, step_s=-step_s)


def test_many_small_steps_do_not_add_up_to_a_big_one_unseen():
    board = Board()
    assert board.trusted
    assert not all(board.after(20.0, step_s=STEP_S / 2.0) for _ in range(4))


def test_a_big_step_of_a_time_service_costs_no_trust():
    board = Board(witness=Witness(synchronised=True))
    assert board.trusted and board.after(20.0, step_s=-7200.0) and board.after(20.0, step_s=7200.0)


def test_a_person_may_vouch_for_the_clock():
    board = Board(wall=T0 + timedelta(seconds=60), elapsed_s=20.0, newest=record())
    assert not board.trusted
    board.trust.vouch(Now(wall=board.wall, elapsed_s=board.elapsed_s), "Ada")
    assert board.trusted and board.after(3600.0)
    assert board.trust.judged()[-1].why == "by the word of Ada"


def test_the_kernel_is_asked_without_any_right():
    found = kernel_witness()
    assert isinstance(found.synchronised, bool) and (found.rtc_s is None or found.rtc_s > 0.0)
