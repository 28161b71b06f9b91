"""The one thread that touches the relays, so that a hanging driver hangs nothing else.

It does one job at a time. The loop hands it a job, goes on serving its clients, and hears by a socket when it is done.
"""

from __future__ import annotations

import queue
import socket
import threading
from collections.abc import Callable

from dewpond_drivers.keeper_facts import Answer

Job = Callable[[], Answer]


class WorkerFailed(RuntimeError):
    """Raised when a job ended by an exception that is no driver fault: the program itself is wrong."""


class Worker:
    """``start`` a job when not ``busy``; ``done`` becomes readable; ``take`` its answer."""

    def __init__(self) -> None:
        self.done, self._bell = socket.socketpair()
        self.busy = False
        self._jobs: queue.SimpleQueue[Job | None] = queue.SimpleQueue()
        self._answer: Answer | None = None
        self._finished = threading.Event()
        self._thread = threading.Thread(target=self._work, name="relays", daemon=True)
        self._thread.start()

    def start(self, job: Job) -> None:
        """Hand over a job; the worker must not be busy."""
        self.busy = True
        self._answer = None
        self._finished.clear()
        self._jobs.put(job)

    def take(self) -> Answer:
        """The finished job's answer. Raises WorkerFailed when it has none."""
        self.done.recv(1)
        self.busy = False
        if self._answer is None:
            raise WorkerFailed("the relay thread has failed; its error stands above")
        return self._answer

    def wait(self, real_s: float) -> Answer | None:
        """Block until the present job is done, at most ``real_s`` seconds; None when it is not."""
        return self.take() if self.busy and self._finished.wait(real_s) else None

    def end(self) -> None:
        """Let the thread go, once it is free. One that hangs stays behind, and dies with the process."""
        self._jobs.put(None)
        if not self.busy:
            self._thread.join()
            self.done.close()
            self._bell.close()

    def _work(self) -> None:
        while (job := self._jobs.get()) is not None:
            try:
                self._answer = job()
            finally:
                self._finished.set()
                self._bell.send(b"!")
