"""The clerk who writes locks down, in a thread of its own: a slow disk must not hold a valve open."""

from __future__ import annotations

import selectors
from collections import deque
from collections.abc import Callable

from dewpond_drivers.clients import Client
from dewpond_drivers.keeper_facts import Answer
from dewpond_drivers.layout import TargetRefused
from dewpond_drivers.locks import Done, LockBook, LockRefused
from dewpond_drivers.wire import Request
from dewpond_drivers.worker import Worker

OnLocked = Callable[[Client, Answer, Done | None], None]


class LockDesk:
    """Takes requests to lock and unlock one after the other; ``on_locked`` hears of each in the loop's own thread."""

    def __init__(self, book: LockBook, selector: selectors.BaseSelector, on_locked: OnLocked) -> None:
        self._book = book
        self._on_locked = on_locked
        self._clerk = Worker()
        self._waiting: deque[tuple[Client, Request]] = deque()
        self._client: Client | None = None
        self._done: Done | None = None
        selector.register(self._clerk.done, selectors.EVENT_READ, self._on_done)

    def ask(self, client: Client, request: Request) -> None:
        """Take up a request; the client is answered once it is on disk."""
        self._waiting.append((client, request))
        self._go_on()

    def end(self) -> None:
        """Let the clerk go."""
        self._clerk.end()

    def _go_on(self) -> None:
        if self._clerk.busy or not self._waiting:
            return
        self._client, request = self._waiting.popleft()
        self._done = None
        self._clerk.start(lambda: self._perform(request))

    def _perform(self, request: Request) -> Answer:
        """In the clerk's thread: the only place that changes locks."""
        try:
            self._done = _change(self._book, request)
        except (LockRefused, TargetRefused) as refused:
            return Answer(False, str(refused))
        return Answer(True)

    def _on_done(self, _mask: int) -> None:
        answer = self._clerk.take()
        if self._client is not None:
            self._on_locked(self._client, answer, self._done)
        self._go_on()


def _change(book: LockBook, request: Request) -> Done:
    match request.op:
        case "lock":
            return book.lock(request.target, request.who, request.reason)
        case "unlock":
            return book.unlock(request.target, request.who, request.reason, owner=request.owner)
        case "winter_close":
            return book.winter_close(request.who, request.reason)
        case _:
            return book.winter_open(request.who, request.signed)
