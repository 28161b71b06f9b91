"""Named points at which a proof has this daemon die, as by kill -9, between two steps that must survive it.

Unset, each point is a call that does nothing. Set, ``DEWPOND_CRASH_POINTS`` names an *arming file* whose first line is
``MAGIC``; its second, ``POINT COUNT``, has the daemon kill itself when it comes to that point for the COUNT-th time
since the line was written. A daemon of real relays refuses to start with it, and so does one whose file is another.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from pathlib import Path

AtPoint = Callable[[str], None]

MAGIC = "dewpond proof: the daemon kills itself at the point below"

# Name -> what has happened there. In the order of an opening's life; the proofs go through this table.
POINTS = {
    "intent-decided": "the brain wants a valve open; nothing of it is on disk",
    "in-transaction": "rows are written, their transaction is not committed",
    "intent-durable": "the intent is on disk; the keeper has not been asked",
    "open-sent": "the keeper was asked to open; its answer was not read",
    "open-answered": "the keeper has opened; the brain has not heard of it",
    "opened-decided": "the brain knows the valve is open; that is not on disk",
    "opened-durable": "the opening is on disk",
    "answer-given": "a person was told yes; the step after it goes on",
    "renew-due": "leases are to be renewed; the keeper has not been asked",
    "renew-sent": "the keeper was asked to renew; its answer was not read",
    "renew-answered": "one lease is renewed; the pass goes on",
    "close-decided": "the brain wants the valve shut and that is all",
    "close-sent": "the keeper was asked to close; its answer was not read",
    "close-answered": "the keeper has closed; the brain has not heard of it",
    "closed-decided": "the brain has booked the run; that is not on disk",
    "closed-durable": "the run is on disk",
    "start-restored": "a new life has read what the last one left; it has not looked at the keeper",
    "start-stepped": "a new life has found the keeper and settled with it; its snapshot is not on disk",
    "start-stored": "a new life's first snapshot is on disk; it is not ready yet",
    "close_all-sent": "the daemon is stopped and has the keeper close everything; the answer was not read",
    "stop-closed": "the daemon is stopped and everything is shut; the remainders are not on disk",
    "stop-stored": "the daemon is stopped and all is on disk",
}


class CrashPointsRefused(ValueError):
    """Raised when the environment asks for crash points where there may be none; the text says why."""


def passed_by(_point: str) -> None:
    """Nothing happens here."""


def crash_points(arming_file: str | None, driver: str) -> AtPoint:
    """What to call at each point. Raises CrashPointsRefused unless unset, or set in full and with simulated relays."""
    if not arming_file:
        return passed_by
    if driver != "simulated":
        raise CrashPointsRefused(
            f'DEWPOND_CRASH_POINTS={arming_file}: [relays] driver is "{driver}", and only a daemon of the driver '
            '"simulated" may be killed for a proof; unset DEWPOND_CRASH_POINTS'
        )
    armed = Armed(Path(arming_file))
    armed.check()
    return armed


class Armed:
    """Dies at the point that the arming file names. A file with its first line alone arms nothing."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._order = ""
        self._left = 0

    def check(self) -> None:
        """Raises CrashPointsRefused when the file is missing, is no arming file, or names no point of the table."""
        try:
            self._read()
        except (OSError, ValueError) as fault:
            raise CrashPointsRefused(
                f"DEWPOND_CRASH_POINTS={self._path}: it is no arming file of a proof ({fault}); "
                "unset DEWPOND_CRASH_POINTS"
            ) from fault

    def __call__(self, point: str) -> None:
        order, name, count = self._read()
        if order != self._order:
            self._order, self._left = order, count
        if point != name:
            return
        self._left -= 1
        if self._left == 0:
            os.kill(os.getpid(), signal.SIGKILL)

    def _read(self) -> tuple[str, str, int]:
        first, _, order = self._path.read_text(encoding="utf-8").partition("\n")
        if first != MAGIC:
            raise ValueError("its first line is another")
        words = order.split()
        if not words:
            return "", "", 0
        if words[0] not in POINTS:
            raise ValueError(f"there is no point {words[0]!r}")
        return order, words[0], int(words[1])
