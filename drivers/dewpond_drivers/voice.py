"""The keeper's words for the log, written by a thread of its own: a log that is stuck must not hold a valve open."""

from __future__ import annotations

import os
import queue
import threading

STDOUT, STDERR = 1, 2
MOST_WAITING = 200


class Voice:
    """Says things on stderr, and once, on stdout, that the keeper is ready.

    No earlier line has that word, not even as a part of another: supervisors wait for it.
    """

    def __init__(self) -> None:
        self._announced = False
        self._lines: queue.Queue[tuple[int, str] | None] = queue.Queue(MOST_WAITING)
        self._thread = threading.Thread(target=self._write, name="log", daemon=True)
        self._thread.start()

    def say(self, text: str) -> None:
        """One line for the log. Dropped when too many wait already."""
        self._put(STDERR, text if self._announced else text.replace("ready", "re-ady"))

    def announce(self, text: str) -> None:
        """The one line that supervisors wait for."""
        self._announced = True
        self._put(STDOUT, text)

    def finish(self, patience_s: float = 1.0) -> None:
        """Have the last words written, as far as the log takes them in time."""
        try:
            self._lines.put(None, timeout=patience_s)
        except queue.Full:
            return
        self._thread.join(patience_s)

    def _put(self, where: int, text: str) -> None:
        try:
            self._lines.put_nowait((where, text))
        except queue.Full:
            return  # there is no place left to tell it

    def _write(self) -> None:
        while (line := self._lines.get()) is not None:
            where, text = line
            try:
                os.write(where, f"{text}\n".encode(errors="backslashreplace"))
            except OSError:
                continue  # nobody listens to the log; the valves come first
