"""The inbox between the network and the loop: always bounded, and nobody loses by another's flood."""

from __future__ import annotations

from datetime import UTC, datetime

from dewpond.adapters.mqtt.inbox import MAX_BYTES, MAX_MESSAGE_BYTES, MAX_MESSAGES, MAX_TOPICS, Inbox

NOON = datetime(2026, 5, 14, 12, 0, tzinfo=UTC)


def put(inbox: Inbox, topic: str, payload: bytes = b"1") -> None:
    inbox.put(topic, payload, retained=False, at=NOON)


def test_order_of_arrival_is_kept_across_topics() -> None:
    inbox = Inbox()
    for topic in ("b", "a", "b", "c"):
        put(inbox, topic)
    messages, turned_away, received = inbox.take()
    assert [each.topic for each in messages] == ["b", "a", "b", "c"]
    assert (turned_away, received) == ([], 4)
    assert inbox.take() == ([], [], 4)


def test_flood_on_one_topic_loses_its_own_oldest_and_harms_nobody_else() -> None:
    inbox = Inbox()
    put(inbox, "quiet/early")
    for number in range(MAX_MESSAGES + 100):
        put(inbox, "flood", str(number).encode())
    put(inbox, "quiet/late")
    messages, (lost,), received = inbox.take()
    assert len(messages) == MAX_MESSAGES
    assert [each.topic for each in messages if each.topic != "flood"] == ["quiet/early", "quiet/late"]
    assert messages[-2].payload == str(MAX_MESSAGES + 99).encode()
    assert lost.count == received - MAX_MESSAGES
    assert lost.topic == "flood"


def test_bytes_are_bounded_too() -> None:
    inbox = Inbox()
    for _ in range(2 * MAX_BYTES // MAX_MESSAGE_BYTES):
        put(inbox, "big", bytes(MAX_MESSAGE_BYTES))
    messages, _, _ = inbox.take()
    assert sum(len(each.payload) for each in messages) <= MAX_BYTES


def test_message_over_the_limit_is_turned_away_unread() -> None:
    inbox = Inbox()
    put(inbox, "huge", bytes(MAX_MESSAGE_BYTES + 1))
    messages, (refused,), received = inbox.take()
    assert (messages, received) == ([], 1)
    assert str(MAX_MESSAGE_BYTES) in refused.reason


def test_invented_topics_cannot_use_up_the_room_of_expected_ones() -> None:
    inbox = Inbox(expected=["meter"])
    for number in range(MAX_TOPICS + 5):
        put(inbox, f"invented/{number}")
    put(inbox, "meter")
    put(inbox, "x" * 5000)
    messages, (refused,), _ = inbox.take()
    assert len(messages) == MAX_TOPICS + 1
    assert messages[-1].topic == "meter"
    assert refused.count == 6


def test_topic_that_overflows_loses_its_own_although_another_has_more_waiting() -> None:
    inbox = Inbox()
    for _ in range(MAX_MESSAGES - 10):
        put(inbox, "long/outage")
    for number in range(50):
        put(inbox, "chatter", str(number).encode())
    messages, _, _ = inbox.take()
    assert sum(each.topic == "long/outage" for each in messages) == MAX_MESSAGES - 10
    assert [each.payload for each in messages if each.topic == "chatter"] == [
        b"%d" % number for number in range(40, 50)
    ]
