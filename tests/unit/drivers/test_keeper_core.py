"""The keeper's rules over drivers that obey, fail, lie or vanish; time is a number the test chooses."""

from __future__ import annotations

import math
from collections.abc import Mapping

import pytest

from dewpond_drivers.driver import DriverRefused, DriverUnreachable
from dewpond_drivers.keeper_core import REMEMBERED, KeeperCore


class FakeRelays:
    """Relays that can be unplugged, told to refuse single outputs, or to say yes and do nothing."""

    def __init__(self, outputs: int = 4) -> None:
        self.on = dict.fromkeys(range(1, outputs + 1), True)  # a board that was left on
        self.unplugged = False
        self.refuses: set[int] = set()
        self.jammed: set[int] = set()
        self.blind: set[int] = set()
        self.connects = 0
        self.timed_on = False

    def _reach(self) -> None:
        if self.unplugged:
            raise DriverUnreachable("nobody answers")

    def connect(self) -> None:
        self._reach()
        self.connects += 1
        self.all_off()

    def set_output(self, output: int, on: bool) -> None:
        self._reach()
        if output in self.refuses:
            raise DriverRefused(f"relay {output} is broken")
        if output not in self.jammed:
            self.on[output] = on

    def all_off(self) -> None:
        self._reach()
        for output in self.on:
            if output not in self.jammed | self.refuses:
                self.on[output] = False
        if self.refuses:
            raise DriverRefused(f"relays {sorted(self.refuses)} are broken")

    def read_back(self) -> Mapping[int, bool | None]:
        self._reach()
        return {output: None if output in self.blind else on for output, on in self.on.items()}

    def close(self) -> None:
        pass


@pytest.fixture
def relays() -> FakeRelays:
    return FakeRelays()


@pytest.fixture
def core(relays: FakeRelays) -> KeeperCore:
    core = KeeperCore(relays, 4)
    core.expire(0.0)
    assert core.ready
    return core


def open_now(relays: FakeRelays) -> list[int]:
    return [output for output, on in relays.on.items() if on]


def test_everything_is_off_before_the_first_opening(relays: FakeRelays) -> None:
    core = KeeperCore(relays, 4)
    refused = core.open(1, "r1", 90.0, 600.0, 0.0)
    assert not refused.ok and "have not been switched off yet" in refused.why
    assert core.next_deadline_s() == -math.inf
    core.expire(5.0)
    assert open_now(relays) == [] and core.ready and core.all_off_s == 5.0
    assert core.next_deadline_s() == math.inf


def test_cannot_open_while_relays_are_unreachable_and_retries_for_ever(relays: FakeRelays) -> None:
    relays.unplugged = True
    core = KeeperCore(relays, 4)
    tried_s = []
    now_s = 0.0
    for _ in range(40):
        core.expire(now_s)
        assert not core.open(1, "r1", 90.0, 600.0, now_s).ok
        tried_s.append(core.next_deadline_s() - now_s)
        now_s = core.next_deadline_s()
    assert tried_s[:4] == [1.0, 2.0, 5.0, 5.0] and set(tried_s[4:]) == {5.0}
    relays.unplugged = False
    core.expire(now_s)
    assert core.ready and open_now(relays) == []


def test_an_opening_ends_with_its_lease_when_nobody_renews(core: KeeperCore, relays: FakeRelays) -> None:
    assert core.open(2, "r1", 90.0, 600.0, 100.0).ok
    assert open_now(relays) == [2] and core.next_deadline_s() == 190.0
    assert core.expire(189.9) == ()
    (closing,) = core.expire(190.0)
    assert open_now(relays) == [] and closing.open_s == 90.0 and "lease ended" in closing.why
    assert core.closings["r1"] == closing


def test_no_renewal_reaches_beyond_the_planned_end_by_more_than_5_s(core: KeeperCore, relays: FakeRelays) -> None:
    core.open(1, "r1", 90.0, 100.0, 0.0)
    for now_s in (20.0, 40.0, 60.0, 80.0, 100.0):
        assert core.renew(1, "r1", 90.0, now_s).ok
    assert core.next_deadline_s() == 105.0
    (closing,) = core.expire(105.0)
    assert closing.open_s == 105.0 and "planned end" in closing.why and open_now(relays) == []


def test_an_infinite_lease_ends_5_s_after_the_plan(core: KeeperCore) -> None:
    core.open(1, "r1", math.inf, 300.0, 0.0)
    assert core.next_deadline_s() == 305.0


def test_a_lease_that_has_ended_is_not_revived_by_a_late_renewal(core: KeeperCore, relays: FakeRelays) -> None:
    core.open(1, "r1", 90.0, 600.0, 0.0)
    late = core.renew(1, "r1", 90.0, 95.0)
    assert not late.ok and late.closings[0].open_s == 95.0 and open_now(relays) == []


def test_the_same_run_opened_again_extends_its_planned_end(core: KeeperCore) -> None:
    core.open(1, "master", 90.0, 60.0, 0.0)
    assert core.open(1, "master", 90.0, 300.0, 50.0).ok
    for now_s in range(60, 351, 20):
        assert core.renew(1, "master", 90.0, float(now_s)).ok
    assert core.next_deadline_s() == 355.0
    assert core.open(1, "master", 90.0, 1.0, 340.0).ok, "an earlier end does not shorten it"
    assert core.next_deadline_s() == 355.0


def test_an_output_held_by_another_run_is_refused(core: KeeperCore, relays: FakeRelays) -> None:
    core.open(1, "r1", 90.0, 600.0, 0.0)
    answer = core.open(1, "r2", 90.0, 600.0, 1.0)
    assert not answer.ok and "held by run r1" in answer.why and open_now(relays) == [1]
    answer = core.close(1, "r2", 2.0, "mine")
    assert not answer.ok and open_now(relays) == [1]


@pytest.mark.parametrize(
    ("output", "lease_s", "planned_s", "run"),
    [
        (0, 90.0, 600.0, "r"),
        (5, 90.0, 600.0, "r"),
        (1, 0.0, 600.0, "r"),
        (1, math.nan, 600.0, "r"),
        (1, 90.0, -1.0, "r"),
        (1, 90.0, math.nan, "r"),
        (1, 90.0, 86_401.0, "r"),
        (1, 90.0, 600.0, ""),
        (1, 90.0, 600.0, "r" * 501),
    ],
)
def test_senseless_openings_are_refused(
    core: KeeperCore, relays: FakeRelays, output: int, lease_s: float, planned_s: float, run: str
) -> None:
    assert not core.open(output, run, lease_s, planned_s, 0.0).ok
    assert open_now(relays) == []


def test_a_refusal_from_outside_keeps_the_output_shut(relays: FakeRelays) -> None:
    core = KeeperCore(relays, 4, refuse=lambda output: "somebody works there" if output == 2 else None)
    core.expire(0.0)
    assert core.open(2, "r1", 90.0, 600.0, 0.0).why == "somebody works there"
    assert core.open(1, "r1", 90.0, 600.0, 0.0).ok and open_now(relays) == [1]


def test_closing_tells_how_long_it_was_open_and_is_idempotent(core: KeeperCore, relays: FakeRelays) -> None:
    core.open(3, "r1", 90.0, 600.0, 10.0)
    answer = core.close(3, "r1", 70.5, "done")
    assert answer.ok and answer.closings[0].open_s == 60.5 and answer.closings[0].why == "done"
    assert core.close(3, "r1", 71.0, "done").ok and core.close(3, None, 72.0, "a person").ok
    assert not core.close(9, None, 72.0, "a person").ok
    assert open_now(relays) == []


def test_a_person_can_close_a_relay_that_nobody_holds(core: KeeperCore, relays: FakeRelays) -> None:
    relays.on[4] = True
    assert core.close(4, None, 1.0, "a person").ok and open_now(relays) == []


def test_close_all_ends_every_run(core: KeeperCore, relays: FakeRelays) -> None:
    core.open(1, "r1", 90.0, 600.0, 0.0)
    core.open(2, "r2", 90.0, 600.0, 10.0)
    answer = core.close_all(30.0, "stop")
    assert answer.ok and {c.run: c.open_s for c in answer.closings} == {"r1": 30.0, "r2": 20.0}
    assert open_now(relays) == [] and core.ready


def test_a_failed_opening_is_closed_at_once_and_others_go_on(core: KeeperCore, relays: FakeRelays) -> None:
    core.open(1, "r1", 90.0, 600.0, 0.0)
    relays.jammed = {2}
    answer = core.open(2, "r2", 90.0, 600.0, 1.0)
    assert not answer.ok and "found off" in answer.why and answer.closings == ()
    assert "r2" not in core.closings and core.ready and open_now(relays) == [1]


def test_a_close_that_fails_switches_everything_off(core: KeeperCore, relays: FakeRelays) -> None:
    core.open(1, "r1", 90.0, 600.0, 0.0)
    core.open(2, "r2", 90.0, 600.0, 0.0)
    relays.set_output = _fail_once(relays.set_output)  # type: ignore[method-assign]
    answer = core.close(1, "r1", 10.0, "done")
    assert answer.ok and open_now(relays) == [] and {c.run for c in answer.closings} == {"r1", "r2"}


def _fail_once(call):
    failed = []

    def wrapped(output: int, on: bool) -> None:
        if not failed:
            failed.append(1)
            raise DriverRefused("a frame was lost")
        call(output, on)

    return wrapped


def test_a_close_is_retried_for_ever_and_counts_water_until_it_is_taken(core: KeeperCore, relays: FakeRelays) -> None:
    core.open(1, "r1", 90.0, 600.0, 0.0)
    relays.unplugged = True
    assert not core.close(1, "r1", 10.0, "done").ok
    assert not core.ready and not core.open(2, "r2", 90.0, 600.0, 10.5).ok
    waits_s, now_s = [], 10.0
    for _ in range(6):
        waits_s.append(core.next_deadline_s() - now_s)
        now_s = core.next_deadline_s()
        assert core.expire(now_s) == ()
    assert waits_s == [1.0, 2.0, 5.0, 5.0, 5.0, 5.0]
    assert core.openings[0].run == "r1"
    relays.unplugged = False
    now_s = core.next_deadline_s()
    (closing,) = core.expire(now_s)
    assert closing.run == "r1" and closing.open_s == now_s and closing.why == "done"
    assert core.ready and relays.connects == 2 and open_now(relays) == []


def test_a_close_pending_is_not_sent_again_before_its_time(core: KeeperCore, relays: FakeRelays) -> None:
    core.open(1, "r1", 90.0, 600.0, 0.0)
    relays.unplugged = True
    core.close(1, "r1", 10.0, "done")
    moves = core.moves
    assert not core.close(1, "r1", 10.1, "again").ok and not core.renew(1, "r1", 90.0, 10.2).ok
    assert core.moves == moves


def test_one_broken_relay_leaves_the_others_closed_and_nothing_opens(core: KeeperCore, relays: FakeRelays) -> None:
    core.open(1, "r1", 90.0, 600.0, 0.0)
    core.open(2, "r2", 90.0, 600.0, 0.0)
    relays.refuses = {2}
    answer = core.close(2, "r2", 10.0, "done")
    assert not answer.ok and "[2] are broken" in answer.why
    assert [c.run for c in answer.closings] == ["r1"] and open_now(relays) == [2]
    assert not core.open(3, "r3", 90.0, 600.0, 11.0).ok
    relays.refuses = set()
    assert [c.run for c in core.expire(core.next_deadline_s())] == ["r2"] and core.ready


def test_a_relay_that_lies_when_closing_is_never_believed(core: KeeperCore, relays: FakeRelays) -> None:
    core.open(1, "r1", 90.0, 600.0, 0.0)
    relays.jammed = {1}
    assert not core.close(1, "r1", 10.0, "done").ok
    assert not core.ready and core.openings[0].run == "r1" and "found on" in core.alarm
    relays.jammed = set()
    core.expire(core.next_deadline_s())
    assert core.ready and open_now(relays) == []


def test_a_relay_found_on_that_nobody_opened_closes_everything(core: KeeperCore, relays: FakeRelays) -> None:
    core.open(1, "r1", 90.0, 600.0, 0.0)
    relays.on[4] = True
    answer = core.open(2, "r2", 90.0, 600.0, 5.0)
    assert not answer.ok and open_now(relays) == [] and [c.run for c in answer.closings] == ["r1"]


def test_a_relay_that_fell_off_is_noticed_at_the_next_renewal(core: KeeperCore, relays: FakeRelays) -> None:
    core.open(1, "r1", 90.0, 600.0, 0.0)
    relays.on[1] = False
    answer = core.renew(1, "r1", 90.0, 20.0)
    assert not answer.ok and answer.closings[0].open_s == 20.0 and "found off" in answer.why


def test_what_the_board_cannot_tell_is_let_pass(core: KeeperCore, relays: FakeRelays) -> None:
    relays.blind = {1, 2, 3, 4}
    assert core.open(1, "r1", 90.0, 600.0, 0.0).ok and core.close(1, "r1", 5.0, "done").ok


def test_relays_unplugged_during_a_run_are_switched_off_before_anything_else(
    core: KeeperCore, relays: FakeRelays
) -> None:
    core.open(1, "r1", 90.0, 600.0, 0.0)
    relays.unplugged = True
    assert not core.renew(1, "r1", 90.0, 20.0).ok
    relays.unplugged = False
    assert open_now(relays) == [1]
    core.expire(core.next_deadline_s())
    assert open_now(relays) == [] and core.ready


def test_a_stop_while_not_ready_is_tried_at_once(relays: FakeRelays) -> None:
    relays.unplugged = True
    core = KeeperCore(relays, 4)
    core.expire(0.0)
    relays.unplugged = False
    assert core.close_all(0.1, "a person").ok and open_now(relays) == [] and core.ready


def test_the_last_closings_are_remembered(core: KeeperCore) -> None:
    for number in range(REMEMBERED + 5):
        core.open(1, f"r{number}", 90.0, 600.0, float(number))
        core.close(1, f"r{number}", number + 0.5, "done")
    assert len(core.closings) == REMEMBERED and "r4" not in core.closings and "r5" in core.closings


class TimedRelays(FakeRelays):
    def __init__(self) -> None:
        super().__init__()
        self.timed_on = True
        self.told: list[tuple[int, float]] = []

    def open_for(self, output: int, seconds: float) -> None:
        self.told.append((output, seconds))
        self.on[output] = True


def test_the_end_of_an_earlier_opening_by_the_same_name_is_forgotten_when_it_opens_again(core: KeeperCore) -> None:
    core.open(1, "r1", 90.0, 600.0, 10.0)
    core.close(1, "r1", 20.0, "done")
    assert "r1" in core.closings
    core.open(1, "r1", 90.0, 600.0, 30.0)
    assert "r1" not in core.closings, "or it would be told as the end of the one that is open"


def test_a_board_that_keeps_time_is_told_the_lease_and_each_renewal() -> None:
    relays = TimedRelays()
    core = KeeperCore(relays, 4)
    core.expire(0.0)
    core.open(1, "r1", 90.0, 100.0, 0.0)
    core.renew(1, "r1", 90.0, 20.0)
    assert relays.told == [(1, 90.0), (1, 85.0)]


def test_relays_that_are_all_shut_are_looked_at_and_one_found_on_is_shut(relays: FakeRelays) -> None:
    core = KeeperCore(relays, 4, look_s=20.0)
    core.expire(0.0)
    assert core.next_deadline_s() == 20.0
    relays.on[3] = True  # another master, or somebody at the board
    core.expire(19.0)
    assert open_now(relays) == [3]
    core.expire(20.0)
    assert open_now(relays) == [] and core.ready and core.next_deadline_s() == 40.0


def test_a_board_that_lost_its_power_while_idle_is_switched_off_when_it_is_back(relays: FakeRelays) -> None:
    core = KeeperCore(relays, 4, look_s=20.0)
    core.expire(0.0)
    relays.unplugged = True
    core.expire(20.0)
    assert not core.ready and "nobody answers" in core.alarm
    relays.unplugged, relays.on[2] = False, True  # it came back with a relay on
    core.expire(21.0)
    assert core.ready and open_now(relays) == [] and relays.connects == 2


def test_nothing_is_looked_at_beside_an_opening_which_its_renewals_compare(relays: FakeRelays) -> None:
    core = KeeperCore(relays, 4, look_s=20.0)
    core.expire(0.0)
    core.open(1, "r1", 90.0, 600.0, 1.0)
    assert core.next_deadline_s() == 91.0
    core.close(1, "r1", 50.0, "done")
    assert core.next_deadline_s() == 20.0, "due at once"
