"""The signals that end a program, as a plain call from a thread of its own.

SIGHUP and SIGQUIT are among them: a terminal that is closed must not leave a valve open.

Python runs a signal's handler in the main thread between any two of its steps, also while that thread holds the lock
which the handler's work would need: setting an event there can wait for ever. So the handler only puts a note on a
queue made for that (``queue.SimpleQueue.put`` is reentrant), and the thread that reads it may take any lock.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from queue import SimpleQueue

STOPS = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGQUIT)


class Ending:
    """The wish that a program end, which may come before there is a loop to end."""

    def __init__(self) -> None:
        self._asked = threading.Event()
        self._stop: Callable[[], None] | None = None

    def ask(self) -> None:
        """Wish for the end, however far things have come. Safe from any thread, not from a signal handler."""
        self._asked.set()
        if self._stop is not None:
            self._stop()

    def obeyed_by(self, stop: Callable[[], None]) -> None:
        """From now on ``ask`` calls this; it is called at once where the wish is there already."""
        self._stop = stop
        if self._asked.is_set():
            stop()


@contextmanager
def on_stop_signals(stop: Callable[[], None]) -> Iterator[None]:
    """Have each of ``STOPS`` call ``stop``; the earlier handlers come back afterwards. Main thread only."""
    notes: SimpleQueue[bool] = SimpleQueue()

    def listen() -> None:
        while notes.get():
            stop()

    thread = threading.Thread(target=listen, name="stop-signals", daemon=True)
    thread.start()
    # Whoever had SIGHUP ignored wants the program to outlive its terminal.
    obeyed = [number for number in STOPS if number != signal.SIGHUP or signal.getsignal(number) != signal.SIG_IGN]
    before = {number: signal.signal(number, lambda _number, _frame: notes.put(True)) for number in obeyed}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        notes.put(False)
        thread.join()
