"""Who may move the time of a demonstration, and when: the pure part.

Daemon, keeper and simulated site run in processes of their own and share one time. It jumps to the earliest wake-up
of all, but only when everybody is idle, nobody holds work elsewhere, every message sent has been dealt with, and
those who watch the relays had one more turn after a relay moved. Nothing here knows sockets or real time
(``conductor_server`` does).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(slots=True)
class Seat:
    """One participant. ``due_s`` is the next time it wants a turn; ``seq`` numbers the turns given to it."""

    name: str
    watches: bool
    busy: bool = True
    held: bool = False
    due_s: float = math.inf
    seq: int = 0
    sent: int = 0
    processed: int | None = None  # None: takes no messages


@dataclass(frozen=True, slots=True)
class Turn:
    """A participant's turn, by number."""

    seat_id: int
    seq: int


class Conductor:
    """The state of the shared time. Seats are numbered by the caller.

    Parameters
    ----------
    expected : iterable of str
        Names that must have joined once before time moves at all.
    """

    def __init__(self, *, expected: Iterable[str] = (), now_s: float = 0.0) -> None:
        self.now_s = now_s
        self._awaited = set(expected)
        self._seats: dict[int, Seat] = {}
        self._round_owed = False
        self._written_off = 0

    def join(self, seat_id: int, name: str, *, watches: bool) -> None:
        """A participant took its seat; it is busy until its first idle report."""
        self._seats[seat_id] = Seat(name=name, watches=watches)
        self._awaited.discard(name)
        self.write_off()

    def leave(self, seat_id: int) -> None:
        """A participant vanished: time goes on without it, and what was on its way to it is lost."""
        if self._seats.pop(seat_id, None) is not None:
            self.write_off()

    def hear(self, seat_id: int, message: Mapping[str, Any]) -> None:
        """Take in one report. An idle report that crossed a turn given meanwhile is out of date and ignored."""
        seat = self._seats[seat_id]
        if message.get("busy"):
            seat.busy = True
            self._round_owed |= bool(message.get("acted"))
        elif message["idle"] == seat.seq:
            seat.busy = False
            seat.due_s = math.inf if message["due_s"] is None else float(message["due_s"])
            seat.held = bool(message.get("held"))
            seat.sent = int(message.get("sent", 0))
            seat.processed = message.get("done")

    @property
    def seated(self) -> frozenset[str]:
        """Names of the participants present."""
        return frozenset(seat.name for seat in self._seats.values())

    def last_turn(self, seat_id: int) -> Turn:
        """The last turn given to that participant."""
        return Turn(seat_id, self._seats[seat_id].seq)

    @property
    def messages_under_way(self) -> int:
        """Messages sent and not yet dealt with, without those written off; 0 while nobody is there to take any.

        Below 0 when a broker repeats one.
        """
        if all(seat.processed is None for seat in self._seats.values()):
            return 0
        return self._balance() - self._written_off

    def write_off(self) -> None:
        """Stop waiting for the messages under way: their receiver is gone or new, or they were lost."""
        self._written_off = self._balance()

    @property
    def waits_for_messages_only(self) -> bool:
        """True when nothing but messages under way keeps the time from moving."""
        return self._all_idle() and self.messages_under_way > 0

    def next_s(self) -> float | None:
        """The time to move to (inf: nobody wants a turn), or None while somebody is busy or something is under way.

        Equals ``now_s`` while a turn at the same instant is owed.
        """
        if not self._all_idle() or self.messages_under_way > 0:
            return None
        if self._round_owed and any(seat.watches for seat in self._seats.values()):
            return self.now_s
        return max(self.now_s, min((seat.due_s for seat in self._seats.values()), default=math.inf))

    def move(self, to_s: float) -> list[Turn]:
        """Move the time, never past ``next_s()``; those whose turn it then is become busy.

        Raises RuntimeError while the time may not move.
        """
        limit_s = self.next_s()
        if limit_s is None or not self.now_s <= to_s <= limit_s:
            raise RuntimeError(f"time cannot move from {self.now_s} s to {to_s} s; the limit is {limit_s}")
        self.now_s = to_s
        self._written_off = min(self._written_off, self._balance())  # one that was only late must not hide a later loss
        owed, self._round_owed = self._round_owed, False
        return [
            self._give_turn(seat_id, seat)
            for seat_id, seat in self._seats.items()
            if seat.due_s <= to_s or (owed and seat.watches)
        ]

    def _give_turn(self, seat_id: int, seat: Seat) -> Turn:
        seat.busy = True
        seat.seq += 1
        return Turn(seat_id, seat.seq)

    def _all_idle(self) -> bool:
        seated = self._seats.values()
        return bool(seated) and not self._awaited and not any(seat.busy or seat.held for seat in seated)

    def _balance(self) -> int:
        return sum(seat.sent - (seat.processed or 0) for seat in self._seats.values())
