"""The daemon's clock in a demonstration: both times come from a conductor that daemon, keeper and simulated site share.

Time jumps to the next wake-up only when every participant is idle, so a day passes in seconds and no deadline is
missed. The conductor speaks JSON lines over a Unix socket; the time itself stands in a shared file beside that socket.
"""

from __future__ import annotations

import json
import math
import mmap
import select
import socket
import threading
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from dewpond.model.events import Now

_PREFIX = "unix:"


def _nothing() -> None:
    """The count of one that takes no messages."""
    return


class ClockLost(ConnectionError):
    """Raised when the conductor of the paced time does not answer or has gone away."""


class ClockRefused(ValueError):
    """Raised when a paced clock is asked for a site whose relays are real."""


def paced_clock_for(address: str, driver: str) -> PacedClock:
    """The clock that DEWPOND_CLOCK names. Once there is a bus, call ``count(processed=...)`` with its count.

    Raises ClockRefused unless the relays are simulated, ClockLost when there is no conductor.
    """
    if driver != "simulated":
        raise ClockRefused(
            f'DEWPOND_CLOCK={address}: [relays] driver is "{driver}", and a paced clock may only drive the driver '
            '"simulated"; unset DEWPOND_CLOCK.'
        )
    return PacedClock(address)


class PacedClock:
    """ports.Clock over a conductor at ``address`` (``unix:PATH``).

    ``watches`` asks for one more turn at the same instant whenever another participant moved a relay. One thread
    waits; ``now``, ``wake``, ``hold`` and ``unhold`` may be called from any.
    """

    def __init__(self, address: str, name: str = "daemon", *, watches: bool = False) -> None:
        if not address.startswith(_PREFIX):
            raise ValueError(
                f"clock address {address!r}: only unix:PATH is known; give the path of the conductor's socket"
            )
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._bell, self._ringer = socket.socketpair()
        self._lock = threading.Lock()
        self._rung = False
        self._holds = 0
        self._rest = b""
        self._seq = 0
        self._heard_go = False
        self._heard_reply = False
        self._count_sent: Callable[[], int] = int
        self._count_processed: Callable[[], int | None] = _nothing
        try:
            self._socket.connect(address.removeprefix(_PREFIX))
            self._say({"join": name, "watches": watches})
            welcome: list[dict[str, Any]] = []
            while not welcome:
                welcome = self._hear()
            self._shared_now = _SharedNow(address.removeprefix(_PREFIX) + ".now")
            self._start = datetime.fromisoformat(welcome[0]["start"])
        except OSError as error:
            self.close()
            raise ClockLost(f"no conductor of the paced time answers at {address}: {error}") from error

    def count(self, *, sent: Callable[[], int] = int, processed: Callable[[], int | None] = _nothing) -> None:
        """Say how many messages this participant sent to, or took up and dealt with from, the others.

        Time stands still while messages are under way, that is while the sum sent is above the sum processed. One
        that takes no messages leaves ``processed`` out.
        """
        self._count_sent, self._count_processed = sent, processed

    def now(self) -> Now:
        """Both times of this instant."""
        elapsed_s = self._shared_now.read_s()
        return Now(wall=self._start + timedelta(seconds=elapsed_s), elapsed_s=elapsed_s)

    def wait(self, until_elapsed_s: float) -> None:
        """Return when the conductor has moved to that time or asks for another turn, or earlier after ``wake``."""
        if until_elapsed_s <= self._shared_now.read_s() or self._take_ring():
            return
        self._report_idle(until_elapsed_s)
        while not self._heard_go:
            ready, _, _ = select.select([self._socket, self._bell], [], [])
            if self._socket in ready:
                self._hear()
            elif self._take_ring():
                self._report_busy()
                return

    def wake(self) -> None:
        """End a running or the next ``wait`` at once. Safe from any thread."""
        with self._lock:
            if not self._rung:
                self._rung = True
                self._ringer.send(b"!")

    def hold(self) -> None:
        """Work has begun elsewhere: time stands still until ``unhold``."""
        with self._lock:
            self._holds += 1

    def unhold(self) -> None:
        """That work is over; its answer is queued, and the waiting thread gets a turn."""
        with self._lock:
            self._holds -= 1
        self.wake()

    def close(self) -> None:
        """Leave the conductor, which then goes on without this participant. A later ``wake`` does nothing."""
        with self._lock:
            self._rung = True
        for end in (self._socket, self._bell, self._ringer):
            end.close()

    def _take_ring(self) -> bool:
        with self._lock:
            rung, self._rung = self._rung, False
            if rung:
                self._bell.recv(1)
        return rung

    def _report_idle(self, until_elapsed_s: float) -> None:
        self._heard_go = False
        report = {
            "idle": self._seq,
            "due_s": None if math.isinf(until_elapsed_s) else until_elapsed_s,
            "held": self._holds > 0,
            "sent": self._count_sent(),
            "done": self._count_processed(),
        }
        self._say(report)

    def _report_busy(self) -> None:
        """Stop the conductor from moving on; after its reply the time stands still."""
        self._heard_reply = False
        self._say({"busy": True, "acted": False, "ask": True})
        while not self._heard_reply:
            self._hear()

    def _say(self, message: dict[str, Any]) -> None:
        try:
            self._socket.sendall(json.dumps(message).encode() + b"\n")
        except OSError as error:
            raise ClockLost(f"the conductor of the paced time has gone: {error}") from error

    def _hear(self) -> list[dict[str, Any]]:
        try:
            heard = self._socket.recv(65536)
        except OSError as error:
            raise ClockLost(f"the conductor of the paced time has gone: {error}") from error
        if not heard:
            raise ClockLost("the conductor of the paced time has gone; the demonstration is over")
        *lines, self._rest = (self._rest + heard).split(b"\n")
        messages = [json.loads(line) for line in lines]
        for message in messages:
            self._seq = int(message["seq"])
            self._heard_go |= bool(message.get("go"))
            self._heard_reply |= bool(message.get("reply"))
        return messages


class _SharedNow:
    """The conductor's time, one 64-bit float in a file that it alone writes."""

    def __init__(self, path: str) -> None:
        with Path(path).open("rb") as file:
            self._map = mmap.mmap(file.fileno(), 8, access=mmap.ACCESS_READ)
        self._cell = memoryview(self._map).cast("d")

    def read_s(self) -> float:
        return float(self._cell[0])
