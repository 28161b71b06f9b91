"""SIGTERM and SIGINT as a plain call from a thread of its own.

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

STOPS = (signal.SIGTERM, signal.SIGINT)


@contextmanager
def on_stop_signals(stop: Callable[[], None]) -> Iterator[None]:
    """Have each SIGTERM and SIGINT call ``stop``; the earlier handlers come back afterwards. Main thread only."""
    notes: SimpleQueue[bool] = SimpleQueue()

    def listen() -> None:
        while notes.get():
            stop()

    thread = threading.Thread(target=listen, name="stop-signals", daemon=True)
    thread.start()
    before = {number: signal.signal(number, lambda _number, _frame: notes.put(True)) for number in STOPS}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        notes.put(False)
        thread.join()
