"""The conductor behind a Unix socket, in a thread of its own, and the pace against real time.

Lines of JSON. From a participant: ``join`` (its name) with ``watches``; ``idle`` (the number of the last turn it saw)
with ``due_s``, ``held``, ``sent``, ``done``; ``busy`` with ``acted`` and ``ask``. To it: ``start`` as welcome, ``go``
for a turn, ``reply`` to ``ask``, each with ``seq``, the number of its last turn. The time itself stands in a small
shared file beside the socket, its name with ``.now``: one 64-bit float in seconds, written before anybody may go.
"""

from __future__ import annotations

import itertools
import json
import math
import mmap
import selectors
import socket
import threading
from collections.abc import Callable, Iterable
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from dewpond_sim.conductor import Conductor, Turn

TICK_S = 0.05  # real seconds between two small moves while the time is slowed down
BACKLOG_S = 0.5  # real seconds that slow participants may make up for; more would look like a sprint
PATIENCE_S = 5.0  # real seconds after which a message under way counts as lost
_BELL, _DOOR = -1, 0  # in the place of a participant's number


class Pace:
    """How fast simulated time may go: ``speed`` seconds per real second up to ``until_s``, ``speed_after`` from there
    on.

    ``speed`` inf is as fast as the participants can, 0 stands still. ``real_s`` is the machine's elapsed time in
    seconds.
    """

    def __init__(
        self,
        real_s: Callable[[], float],
        *,
        speed: float = math.inf,
        until_s: float = math.inf,
        speed_after: float = 0.0,
    ) -> None:
        self._real_s = real_s
        self._mark_s = real_s()
        self._speed = speed
        self._speed_after = speed_after
        self.until_s = until_s

    def allowed_s(self, now_s: float) -> float:
        """The latest simulated time that may be moved to from ``now_s``."""
        speed = self._speed_at(now_s)
        gained_s = math.inf if math.isinf(speed) else (self._real_s() - self._mark_s) * speed
        return min(now_s + gained_s, self.until_s) if now_s < self.until_s else now_s + gained_s

    def moved(self, from_s: float, to_s: float) -> None:
        """Simulated time has moved: that much real time is spent, and of the rest no more than a moment is kept."""
        speed = self._speed_at(from_s)
        spent_s = (to_s - from_s) / speed if speed > 0.0 else 0.0
        self._mark_s = max(self._mark_s + spent_s, self._real_s() - BACKLOG_S)

    def _speed_at(self, now_s: float) -> float:
        return self._speed if now_s < self.until_s else self._speed_after


class ConductorServer:
    """Serves one shared time at ``address`` until the context ends.

    Parameters
    ----------
    path : Path                 The Unix socket, made and removed here.
    start : datetime            Aware wall time at 0 s of the shared time.
    expected : iterable of str  Participants that must have joined before time moves.
    real_s : callable           The machine's elapsed time, in seconds.
    pace : Pace                 How fast; at once by default.
    patience_s : float          Real seconds after which a message under way counts as lost.

    ``finished`` is set when ``pace.until_s`` is reached and everybody has had the last turn.
    """

    def __init__(
        self,
        path: Path,
        *,
        start: datetime,
        expected: Iterable[str],
        real_s: Callable[[], float],
        pace: Pace | None = None,
        patience_s: float = PATIENCE_S,
    ) -> None:
        self.address = f"unix:{path}"
        self.finished = threading.Event()
        self._path = path
        self._start = start
        self._real_s = real_s
        self._pace = pace or Pace(real_s)
        self._patience_s = patience_s
        self._core = Conductor(expected=expected)
        self._seated = self._core.seated
        self._shared_now = _SharedNow(Path(f"{path}.now"))
        self._links: dict[int, _Link] = {}
        self._numbers = itertools.count(1)
        self._stuck_since_s: float | None = None
        self._selector = selectors.DefaultSelector()
        self._bell, self._ringer = socket.socketpair()
        self._door = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._thread = threading.Thread(target=self._serve, name="conductor", daemon=True)

    def __enter__(self) -> Self:
        self._door.bind(str(self._path))
        self._door.listen()
        self._selector.register(self._door, selectors.EVENT_READ, _DOOR)
        self._selector.register(self._bell, selectors.EVENT_READ, _BELL)
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()
        for end in (self._door, self._bell, self._ringer):
            end.close()
        self._selector.close()
        self._shared_now.close()
        self._path.unlink(missing_ok=True)

    def stop(self) -> None:
        """End the shared time: every participant loses its clock. Again and again does no harm."""
        if self._thread.is_alive():
            self._ringer.send(b"!")
            self._thread.join()
        for link in self._links.values():
            link.socket.close()
        self._links.clear()

    @property
    def now_s(self) -> float:
        """The shared time in seconds since ``start``. Safe from any thread."""
        return self._core.now_s

    @property
    def seated(self) -> frozenset[str]:
        """Names of the participants present. Kept by the serving thread, safe from any."""
        return self._seated

    def _serve(self) -> None:
        while True:
            ready = self._ready(self._timeout_s())
            # A report always precedes what its sender did next, so reading until nothing is left sees all causes.
            while ready:
                if _BELL in ready:
                    return
                for number in ready:
                    self._welcome() if number == _DOOR else self._read(number)
                ready = self._ready(0.0)
            self._advance()

    def _ready(self, timeout_s: float | None) -> list[int]:
        return [key.data for key, _ in self._selector.select(timeout_s)]

    def _timeout_s(self) -> float | None:
        next_s = self._core.next_s()
        if next_s is None:
            return self._patience_s / 5 if self._core.waits_for_messages_only else None
        return None if math.isinf(next_s) and not self._links else TICK_S

    def _welcome(self) -> None:
        link, _ = self._door.accept()
        number = next(self._numbers)
        self._links[number] = _Link(link)
        self._selector.register(link, selectors.EVENT_READ, number)

    def _read(self, number: int) -> None:
        link = self._links[number]
        try:
            for message in link.receive():
                self._take_in(number, message)
        except (OSError, KeyError, TypeError, ValueError):  # gone, or not one of ours: time goes on without it
            self._dismiss(number)

    def _take_in(self, number: int, message: dict[str, object]) -> None:
        link = self._links[number]
        if "join" in message:
            self._core.join(number, str(message["join"]), watches=bool(message.get("watches")))
            self._seated = self._core.seated
            link.send(self._core.last_turn(number), start=self._start.isoformat())
            return
        self._core.hear(number, message)
        if message.get("ask"):
            link.send(self._core.last_turn(number), reply=True)

    def _dismiss(self, number: int) -> None:
        link = self._links.pop(number)
        self._selector.unregister(link.socket)
        link.socket.close()
        self._core.leave(number)
        self._seated = self._core.seated

    def _advance(self) -> None:
        next_s = self._core.next_s()
        if next_s is None:
            self._write_off_lost_messages()
            return
        self._stuck_since_s = None
        now_s = self._core.now_s
        to_s = min(next_s, self._pace.allowed_s(now_s))
        if now_s >= self._pace.until_s and next_s > now_s:
            self.finished.set()
        if math.isfinite(to_s) and (to_s > now_s or next_s == now_s):
            self._pace.moved(now_s, to_s)
            turns = self._core.move(to_s)
            self._shared_now.write(to_s)
            for turn in turns:
                self._send(turn)

    def _write_off_lost_messages(self) -> None:
        if not self._core.waits_for_messages_only:
            self._stuck_since_s = None
        elif self._stuck_since_s is None:
            self._stuck_since_s = self._real_s()
        elif self._real_s() - self._stuck_since_s >= self._patience_s:
            self._core.write_off()
            self._advance()

    def _send(self, turn: Turn) -> None:
        try:
            self._links[turn.seat_id].send(turn, go=True)
        except OSError:
            self._dismiss(turn.seat_id)


class _SharedNow:
    """The file from which participants read the time without asking."""

    def __init__(self, path: Path) -> None:
        self._path = path
        path.write_bytes(bytes(8))
        with path.open("r+b") as file:
            self._map = mmap.mmap(file.fileno(), 8)
        self._cell = memoryview(self._map).cast("d")

    def write(self, now_s: float) -> None:
        """One aligned store: a reader sees the old time or the new."""
        self._cell[0] = now_s

    def close(self) -> None:
        self._cell.release()
        self._map.close()
        self._path.unlink(missing_ok=True)


class _Link:
    """One participant's socket and the line it has not finished yet."""

    def __init__(self, link: socket.socket) -> None:
        link.setblocking(False)
        self.socket = link
        self._rest = b""

    def receive(self) -> list[dict[str, object]]:
        """Every whole line that has arrived. Raises OSError when the other end is gone, ValueError for no JSON."""
        while True:
            try:
                heard = self.socket.recv(65536)
            except BlockingIOError:
                break
            if not heard:
                raise ConnectionResetError("the participant closed its end")
            self._rest += heard
        *lines, self._rest = self._rest.split(b"\n")
        return [json.loads(line) for line in lines]

    def send(self, turn: Turn, **more: object) -> None:
        """Send one line. Raises OSError when the other end is gone or no longer reads."""
        self.socket.sendall(json.dumps({"seq": turn.seq, **more}).encode() + b"\n")
