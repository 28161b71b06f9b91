"""When the shared time of a demonstration may move, and to where."""

from __future__ import annotations

import pytest

from dewpond_sim.conductor import Conductor, Turn
from dewpond_sim.conductor_server import Pace

DAEMON, KEEPER, SITE = 1, 2, 3


def idle(conductor: Conductor, seat_id: int, due_s: float | None, **more: object) -> None:
    seq = conductor.last_turn(seat_id).seq
    conductor.hear(seat_id, {"idle": seq, "due_s": due_s, **more})


@pytest.fixture
def seated() -> Conductor:
    conductor = Conductor(expected=("daemon", "keeper", "site"))
    conductor.join(DAEMON, "daemon", watches=False)
    conductor.join(KEEPER, "keeper", watches=False)
    conductor.join(SITE, "site", watches=True)
    return conductor


def test_time_stands_still_until_everybody_expected_has_joined():
    conductor = Conductor(expected=("daemon", "site"))
    conductor.join(DAEMON, "daemon", watches=False)
    idle(conductor, DAEMON, 5.0)
    assert conductor.next_s() is None
    conductor.join(SITE, "site", watches=True)
    idle(conductor, SITE, 7.0)
    assert conductor.next_s() == 5.0


def test_time_moves_to_the_earliest_wake_up_only_when_all_are_idle(seated: Conductor):
    idle(seated, DAEMON, 60.0)
    idle(seated, KEEPER, None)
    assert seated.next_s() is None
    idle(seated, SITE, 30.0)
    assert seated.next_s() == 30.0
    assert seated.move(30.0) == [Turn(SITE, 1)]
    assert seated.next_s() is None, "the site has its turn"


def test_turns_are_numbered_and_all_that_are_due_get_theirs(seated: Conductor):
    for seat_id, due_s in ((DAEMON, 10.0), (KEEPER, None), (SITE, 10.0)):
        idle(seated, seat_id, due_s)
    assert seated.move(10.0) == [Turn(DAEMON, 1), Turn(SITE, 1)]
    idle(seated, DAEMON, 20.0)
    idle(seated, SITE, 50.0)
    assert seated.move(20.0) == [Turn(DAEMON, 2)]


def test_an_idle_report_that_crossed_a_turn_is_out_of_date(seated: Conductor):
    for seat_id in (DAEMON, KEEPER, SITE):
        idle(seated, seat_id, 10.0)
    seated.move(10.0)
    seated.hear(DAEMON, {"idle": 0, "due_s": 50.0})
    idle(seated, KEEPER, 50.0)
    idle(seated, SITE, 50.0)
    assert seated.next_s() is None, "the daemon has not answered its turn yet"
    seated.hear(DAEMON, {"idle": 1, "due_s": 40.0})
    assert seated.next_s() == 40.0


def test_time_waits_for_messages_under_way(seated: Conductor):
    idle(seated, DAEMON, 60.0, done=4)
    idle(seated, KEEPER, None)
    idle(seated, SITE, 30.0, sent=6)
    assert seated.next_s() is None
    assert seated.messages_under_way == 2
    assert seated.waits_for_messages_only
    seated.hear(DAEMON, {"busy": True})
    idle(seated, DAEMON, 60.0, done=6)
    assert seated.next_s() == 30.0


def test_a_lost_message_can_be_written_off_and_a_repeated_one_hides_no_later_loss(seated: Conductor):
    idle(seated, DAEMON, 60.0, done=3)
    idle(seated, KEEPER, None)
    idle(seated, SITE, 30.0, sent=5)
    seated.write_off()
    assert seated.next_s() == 30.0
    idle(seated, DAEMON, 60.0, done=5)  # they were only late
    seated.move(30.0)
    idle(seated, SITE, 90.0, sent=6)
    assert seated.messages_under_way == 1


def test_messages_to_nobody_are_not_waited_for(seated: Conductor):
    idle(seated, KEEPER, None)
    idle(seated, DAEMON, 60.0, done=1)
    idle(seated, SITE, 30.0, sent=2)
    assert seated.next_s() is None
    seated.leave(DAEMON)
    idle(seated, SITE, 30.0, sent=5)
    assert seated.next_s() == 30.0


def test_time_waits_for_work_held_elsewhere(seated: Conductor):
    idle(seated, DAEMON, 60.0, held=True)
    idle(seated, KEEPER, None)
    idle(seated, SITE, 30.0)
    assert seated.next_s() is None
    idle(seated, DAEMON, 60.0, held=False)
    assert seated.next_s() == 30.0


def test_a_watcher_gets_one_more_turn_at_the_instant_a_relay_moved(seated: Conductor):
    idle(seated, DAEMON, 60.0)
    idle(seated, SITE, 30.0)
    seated.hear(KEEPER, {"busy": True, "acted": True})
    idle(seated, KEEPER, 90.0)
    assert seated.next_s() == 0.0
    assert [turn.seat_id for turn in seated.move(0.0)] == [SITE]
    idle(seated, SITE, 10.0)
    assert seated.next_s() == 10.0


def test_a_vanished_participant_no_longer_stops_the_time(seated: Conductor):
    idle(seated, KEEPER, 90.0)
    idle(seated, SITE, 300.0, sent=3)
    assert seated.next_s() is None
    seated.leave(DAEMON)
    assert seated.next_s() == 90.0, "the keeper's lease runs out although the daemon is dead"


def test_a_daemon_that_comes_back_owes_nothing_for_the_messages_it_missed(seated: Conductor):
    idle(seated, KEEPER, None)
    idle(seated, SITE, 300.0, sent=7)
    idle(seated, DAEMON, 60.0, done=7)
    seated.leave(DAEMON)
    seated.join(4, "daemon", watches=False)
    idle(seated, 4, 60.0, done=0)
    assert seated.next_s() == 60.0
    idle(seated, SITE, 300.0, sent=8)
    assert seated.next_s() is None


def test_time_never_passes_a_wake_up(seated: Conductor):
    for seat_id in (DAEMON, KEEPER, SITE):
        idle(seated, seat_id, 30.0)
    with pytest.raises(RuntimeError, match=r"limit is 30\.0"):
        seated.move(31.0)
    assert seated.move(20.0) == [], "a part of the way wakes nobody"
    assert seated.next_s() == 30.0


def test_pace_lets_time_run_up_to_its_mark_and_then_slower():
    real = [100.0]
    pace = Pace(lambda: real[0], speed=60.0, until_s=90.0, speed_after=1.0)
    real[0] = 101.0
    assert pace.allowed_s(0.0) == 60.0
    pace.moved(0.0, 60.0)
    real[0] = 102.0
    assert pace.allowed_s(60.0) == 90.0, "not past the mark"
    pace.moved(60.0, 90.0)
    real[0] = 104.0
    assert pace.allowed_s(90.0) == pytest.approx(92.5), "half a second was left over"


def test_pace_keeps_its_mean_speed_over_short_steps_but_does_not_sprint_after_a_pause():
    real = [0.0]
    pace = Pace(lambda: real[0], speed=100.0)
    now_s = 0.0
    for tick in range(1, 41):
        real[0] = tick * 0.05
        while pace.allowed_s(now_s) >= now_s + 3.0:
            pace.moved(now_s, now_s + 3.0)
            now_s += 3.0
    assert now_s == pytest.approx(200.0, abs=3.0)
    real[0] += 60.0
    pace.moved(now_s, now_s)
    assert pace.allowed_s(now_s) == pytest.approx(now_s + 50.0)


def test_unlimited_pace_stops_at_its_mark():
    pace = Pace(lambda: 0.0, until_s=3600.0)
    assert pace.allowed_s(12.0) == 3600.0
    assert pace.allowed_s(3600.0) == 3600.0
