"""The keeper's elapsed clock in a demonstration: time that a conductor hands out instead of the machine's own.

The keeper says until when it has nothing to do (``select_timeout``), the conductor answers when that time has come, and
every deadline, leases too, runs on it. When the conductor goes away ``ClockLost`` is raised, so that the keeper closes
everything and ends rather than hold a valve open in a time that no longer moves.

The conductor speaks JSON lines over a Unix socket; the time itself stands in a shared file beside that socket.
"""

from __future__ import annotations

import json
import math
import mmap
import selectors
import socket
from pathlib import Path

_PREFIX = "unix:"


class ClockLost(ConnectionError):
    """Raised when the conductor of the paced time does not answer or has gone away."""


class PacedClock:
    """One participant's seat at the conductor at ``address`` (``unix:PATH``). Raises ClockLost when nobody is there."""

    def __init__(self, address: str, name: str = "keeper") -> None:
        if not address.startswith(_PREFIX):
            raise ValueError(
                f"clock address {address!r}: only unix:PATH is known; give the path of the conductor's socket"
            )
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._rest = b""
        self._seq = 0
        self._reported: tuple[int, float] | None = None
        try:
            self._socket.connect(address.removeprefix(_PREFIX))
            self._say({"join": name, "watches": False})
            self._welcome()
            self._now = _shared_now(address.removeprefix(_PREFIX) + ".now")
        except OSError as error:
            self._socket.close()
            raise ClockLost(f"no conductor of the paced time answers at {address}: {error}") from error

    def now_s(self) -> float:
        """Elapsed time now, in seconds. Any thread may ask."""
        return float(self._now[0])

    def select_timeout(self, deadline_s: float) -> float | None:
        """Report that there is nothing to do before ``deadline_s``; None means: block until a socket speaks.

        Returns 0 when that time has come already.
        """
        if deadline_s <= self.now_s():
            return 0.0
        if self._reported != (self._seq, deadline_s):
            due_s = None if math.isinf(deadline_s) else deadline_s
            self._say({"idle": self._seq, "due_s": due_s})
            self._reported = (self._seq, deadline_s)
        return None

    def register(self, selector: selectors.BaseSelector) -> None:
        """Have ``selector`` watch the conductor's socket too."""
        selector.register(self._socket, selectors.EVENT_READ, self)

    def handle(self, key: selectors.SelectorKey) -> bool:
        """True when ``key`` is the conductor's socket, which is then read; False when it is somebody else's."""
        if key.fileobj is not self._socket:
            return False
        self._hear(self._socket.recv(65536))
        return True

    def acted(self) -> None:
        """Say that relays moved or deadlines changed. Call it before answering whoever asked for it."""
        self._say({"busy": True, "acted": True})
        self._reported = None

    def close(self) -> None:
        """Leave the conductor."""
        self._socket.close()

    def _welcome(self) -> None:
        """Wait for the first whole line: before it there is no time at all."""
        self._hear(self._socket.recv(65536))
        while self._rest:
            self._hear(self._socket.recv(65536))

    def _say(self, message: dict[str, object]) -> None:
        try:
            self._socket.sendall(json.dumps(message).encode() + b"\n")
        except OSError as error:
            raise ClockLost(f"the conductor of the paced time has gone: {error}") from error

    def _hear(self, heard: bytes) -> None:
        if not heard:
            raise ClockLost("the conductor of the paced time has gone; everything is closed and the keeper ends")
        *lines, self._rest = (self._rest + heard).split(b"\n")
        for line in lines:
            self._seq = int(json.loads(line)["seq"])


def _shared_now(path: str) -> memoryview[float]:
    """The conductor's time, one 64-bit float in a file that it alone writes."""
    with Path(path).open("rb") as file:
        return memoryview(mmap.mmap(file.fileno(), 8, access=mmap.ACCESS_READ)).cast("d")
