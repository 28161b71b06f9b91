"""What waits between the network's thread and the loop: bounded in number, bytes and topics, and counted."""

from __future__ import annotations

import threading
from collections import Counter, deque
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

MAX_MESSAGES = 4096
MAX_BYTES = 4_194_304
MAX_MESSAGE_BYTES = 4096
MAX_TOPICS = 1024
MAX_TOPIC_CHARS = 1024


@dataclass(frozen=True, slots=True)
class Arrived:
    """One message as it came; ``number`` is its place in the order of arrival."""

    number: int
    topic: str
    payload: bytes
    retained: bool
    at: datetime


@dataclass(frozen=True, slots=True)
class TurnedAway:
    """Messages that were not kept, of one sort: ``topic`` is the newest of them."""

    topic: str
    reason: str
    count: int


class Inbox:
    """Safe from any thread. When full, a topic loses its own oldest message, so a flood harms nobody else.

    ``expected`` topics count as known, so that others cannot use up their room. ``received_count`` counts every message
    ever put in, kept or not.
    """

    def __init__(self, expected: Iterable[str] = ()) -> None:
        self._lock = threading.Lock()
        self._waiting: dict[str, deque[Arrived]] = {}
        self._expected = frozenset(expected)
        self._others: set[str] = set()
        self._messages = 0
        self._bytes = 0
        self._turned_away: Counter[str] = Counter()
        self._turned_away_topic: dict[str, str] = {}
        self.received_count = 0

    def put(self, topic: str, payload: bytes, *, retained: bool, at: datetime) -> None:
        """Keep a message for the next ``take``, unless it is too big or one topic too many."""
        with self._lock:
            self.received_count += 1
            if len(payload) > MAX_MESSAGE_BYTES:
                self._turn_away(topic, f"bigger than {MAX_MESSAGE_BYTES} bytes")
            elif not self._admit(topic):
                self._turn_away(topic, f"on more than {MAX_TOPICS} topics, or on one with a very long name")
            else:
                self._keep(Arrived(self.received_count, topic, payload, retained, at))

    def take(self) -> tuple[list[Arrived], list[TurnedAway], int]:
        """Everything that waits, in order of arrival, what was turned away, and ``received_count`` at this moment."""
        with self._lock:
            waiting, self._waiting = self._waiting, {}
            self._messages = self._bytes = 0
            turned_away = [TurnedAway(self._turned_away_topic[why], why, n) for why, n in self._turned_away.items()]
            self._turned_away.clear()
            received = self.received_count
        messages = [message for queue in waiting.values() for message in queue]
        return sorted(messages, key=lambda each: each.number), turned_away, received

    def _admit(self, topic: str) -> bool:
        if topic in self._expected or topic in self._others:
            return True
        if len(self._others) >= MAX_TOPICS or len(topic) > MAX_TOPIC_CHARS:
            return False
        self._others.add(topic)
        return True

    def _keep(self, message: Arrived) -> None:
        while self._messages >= MAX_MESSAGES or self._bytes + len(message.payload) > MAX_BYTES:
            self._drop_for(message.topic)
        self._waiting.setdefault(message.topic, deque()).append(message)
        self._messages += 1
        self._bytes += len(message.payload)

    def _drop_for(self, topic: str) -> None:
        """Drop the oldest of the same topic; where it has none waiting, of the one with the most."""
        queue = self._waiting.get(topic) or max(self._waiting.values(), key=len)
        dropped = queue.popleft()
        self._messages -= 1
        self._bytes -= len(dropped.payload)
        self._turn_away(dropped.topic, f"the oldest of its topic when more than {MAX_MESSAGES} waited")

    def _turn_away(self, topic: str, reason: str) -> None:
        self._turned_away[reason] += 1
        self._turned_away_topic[reason] = topic[:200]
