from __future__ import annotations

import threading
from datetime import UTC, datetime

import pytest

from dewpond.adapters.desk import REQUESTS_WAITING, SUBSCRIBERS, VIEWS_WAITING, DeskFull, OperatorDesk
from dewpond.model.events import Now
from dewpond.ports import OperatorReply

NOW = Now(wall=datetime(2027, 5, 1, tzinfo=UTC), elapsed_s=5.0)


class StillClock:
    def __init__(self):
        self.woken = threading.Event()

    def now(self):
        return NOW

    def wake(self):
        self.woken.set()


@pytest.fixture
def clock():
    return StillClock()


@pytest.fixture
def desk(clock):
    return OperatorDesk(clock, "s1")


def in_background(desk, replies, *args, **kwargs):
    thread = threading.Thread(target=lambda: replies.append(desk.ask(*args, **kwargs)))
    thread.start()
    return thread


def test_a_request_wakes_the_runner_and_its_answer_reaches_the_asker(desk, clock):
    replies = []
    thread = in_background(desk, replies, "water", "Ada", zone="north-lawn", seconds=600.0)
    assert clock.woken.wait(30)
    (event,) = desk.drain(NOW)
    assert (event.request_id, event.who, event.action, event.zone, event.seconds) == (
        "s1-1",
        "Ada",
        "water",
        "north-lawn",
        600.0,
    )
    assert event.at == NOW.wall
    desk.answer(event.request_id, OperatorReply(accepted=True, text="opens now"))
    thread.join(30)
    assert replies == [OperatorReply(accepted=True, text="opens now")]
    assert desk.drain(NOW) == []


def test_a_request_nobody_took_up_is_withdrawn(desk):
    reply = desk.ask("stop", "Ada", timeout_s=0.01)
    assert not reply.accepted
    assert "nothing was done" in reply.text
    assert desk.drain(NOW) == []


def test_one_taken_up_but_not_answered_in_time_is_not_called_undone(desk, clock):
    replies = []
    thread = in_background(desk, replies, "stop", "Ada", timeout_s=0.2)
    assert clock.woken.wait(30)
    (event,) = desk.drain(NOW)
    thread.join(30)
    assert not replies[0].accepted
    assert "may still be carried out" in replies[0].text
    desk.answer(event.request_id, OperatorReply(accepted=True, text="late"))  # must not disturb anybody


def test_answers_go_to_those_who_asked_whatever_their_order(desk):
    replies = {}
    threads = [
        threading.Thread(target=lambda n=n: replies.update({n: desk.ask("stop", f"person {n}")})) for n in range(20)
    ]
    for thread in threads:
        thread.start()
    events = []
    while len(events) < 20:
        events += desk.drain(NOW)
    for event in reversed(events):
        desk.answer(event.request_id, OperatorReply(accepted=True, text=event.who))
    for thread in threads:
        thread.join(30)
    assert {n: reply.text for n, reply in replies.items()} == {n: f"person {n}" for n in range(20)}
    assert len({event.request_id for event in events}) == 20


def test_the_queue_is_bounded_and_says_so(desk):
    threads = [threading.Thread(target=desk.ask, args=("stop", "Ada"), kwargs={"timeout_s": 5}) for _ in range(64)]
    for thread in threads:
        thread.start()
    while len(desk._waiting) < REQUESTS_WAITING:
        threading.Event().wait(0.001)
    reply = desk.ask("stop", "Ada")
    assert not reply.accepted
    assert "64" in reply.text
    for event in desk.drain(NOW):
        desk.answer(event.request_id, OperatorReply(accepted=True, text=""))
    for thread in threads:
        thread.join(30)


def test_an_answer_to_nobody_is_no_error(desk):
    desk.answer("s0-9", OperatorReply(accepted=True, text=""))


def test_the_view_is_the_newest_published_and_versions_count_up(desk):
    assert (desk.view(), desk.version) == (None, 0)
    desk.publish("first")
    desk.publish("second")
    assert (desk.view(), desk.version) == ("second", 2)


def test_a_subscriber_gets_each_view_and_a_slow_one_the_newest(desk):
    with desk.subscribe() as follower:
        assert follower.get(0.0) is None
        desk.publish("a")
        assert follower.get(30) == (1, "a")
        for n in range(VIEWS_WAITING + 5):
            desk.publish(n)
        got = [follower.get(0.0)[1] for _ in range(VIEWS_WAITING)]
        assert got == list(range(5, VIEWS_WAITING + 5))
        assert follower.get(0.0) is None


def test_a_view_published_later_ends_the_wait_of_a_subscriber(desk):
    with desk.subscribe() as follower:
        threading.Timer(0.01, desk.publish, ("late",)).start()
        assert follower.get(30) == (1, "late")


def test_places_to_watch_from_are_bounded_and_freed_on_leaving(desk):
    followers = [desk.subscribe() for _ in range(SUBSCRIBERS)]
    with pytest.raises(DeskFull, match="64"):
        desk.subscribe()
    followers[0].close()
    followers[0].close()
    desk.subscribe().close()
