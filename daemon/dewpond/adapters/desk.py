"""The desk between people and the brain: requests in, answers out, and the picture everybody looks at."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Sequence
from datetime import datetime
from types import TracebackType

from dewpond.model.events import Event, Now, OperatorAsked
from dewpond.model.view import SiteView
from dewpond.ports import Clock, OperatorReply

REQUESTS_WAITING = 64
SUBSCRIBERS = 64
VIEWS_WAITING = 8


class DeskFull(Exception):
    """Raised when more people watch than the desk keeps room for."""


class OperatorDesk:
    """Shared by the runner and the threads of operator socket and board; every method may be called from any of them.

    ``session`` begins every request id, so that ids of two runs of the daemon differ.
    """

    def __init__(self, clock: Clock, session: str) -> None:
        self._clock = clock
        self._session = session
        self._lock = threading.Lock()
        self._count = 0
        self._waiting: deque[OperatorAsked] = deque()
        self._askers: dict[str, _Asker] = {}
        self._version = 0
        self._view: SiteView | None = None
        self._subscribers: list[Subscription] = []

    def ask(
        self,
        action: str,
        who: str,
        *,
        zone: str | None = None,
        seconds: float | None = None,
        until: datetime | None = None,
        reason: str = "",
        kind: str = "",
        depth_mm: float | None = None,
        program: str = "",
        percent: float | None = None,
        by: str = "",
        against_rule: bool = False,
        target: str = "",
        rule: str = "",
        number: str = "",
        stage: str = "",
        answer: str = "",
        timeout_s: float = 15.0,
    ) -> OperatorReply:
        """Put a request to the brain and wait for its answer, at most ``timeout_s`` seconds.

        A request that was not taken up in time is withdrawn, so that nothing opens after the person has left.
        """
        asker = _Asker()
        with self._lock:
            if len(self._waiting) >= REQUESTS_WAITING:
                return _refused(f"{REQUESTS_WAITING} requests wait already, which is the limit; nothing was done")
            self._count += 1
            request = OperatorAsked(
                at=self._clock.now().wall,
                request_id=f"{self._session}-{self._count}",
                who=who,
                action=action,
                zone=zone,
                seconds=seconds,
                until=until,
                reason=reason,
                kind=kind,
                depth_mm=depth_mm,
                program=program,
                percent=percent,
                by=by,
                against_rule=against_rule,
                target=target,
                rule=rule,
                number=number,
                stage=stage,
                answer=answer,
            )
            self._waiting.append(request)
            self._askers[request.request_id] = asker
        self._clock.wake()
        asker.answered.wait(timeout_s)
        return self._collect(request, asker, timeout_s)

    def _collect(self, request: OperatorAsked, asker: _Asker, timeout_s: float) -> OperatorReply:
        with self._lock:
            self._askers.pop(request.request_id, None)
            if asker.reply is not None:
                return asker.reply
            if request in self._waiting:
                self._waiting.remove(request)
                return _refused(f"the daemon did not take this up within {timeout_s:g} s; nothing was done")
        return _refused(f"no answer within {timeout_s:g} s; it may still be carried out, so look at the status")

    def drain(self, now: Now) -> Sequence[Event]:  # noqa: ARG002
        """The requests that came since the last call, oldest first."""
        with self._lock:
            taken = list(self._waiting)
            self._waiting.clear()
        return taken

    def answer(self, request_id: str, reply: OperatorReply) -> None:
        """Hand a reply to whoever asked; one who no longer waits has been told so already."""
        with self._lock:
            asker = self._askers.get(request_id)
            if asker is not None:
                asker.reply = reply
                asker.answered.set()

    def publish(self, view: SiteView) -> None:
        """Replace the picture and hand it to every subscriber; a slow one loses its oldest."""
        with self._lock:
            self._version += 1
            self._view = view
            for subscriber in self._subscribers:
                subscriber._put(self._version, view)

    def view(self) -> SiteView | None:
        """The newest picture; None until the first is published."""
        return self._view

    @property
    def version(self) -> int:
        """Counts the pictures published; a screen that knows it need not ask for an unchanged one."""
        return self._version

    def subscribe(self) -> Subscription:
        """Follow the pictures published from now on; use it in a ``with`` block. Raises DeskFull."""
        with self._lock:
            if len(self._subscribers) >= SUBSCRIBERS:
                raise DeskFull(f"{SUBSCRIBERS} screens are open already, which is the limit; close one")
            subscription = Subscription(self)
            self._subscribers.append(subscription)
        return subscription

    def _leave(self, subscription: Subscription) -> None:
        with self._lock:
            if subscription in self._subscribers:
                self._subscribers.remove(subscription)


class _Asker:
    def __init__(self) -> None:
        self.answered = threading.Event()
        self.reply: OperatorReply | None = None


class Subscription:
    """One follower's own short queue of (version, view)."""

    def __init__(self, desk: OperatorDesk) -> None:
        self._desk = desk
        self._views: deque[tuple[int, SiteView]] = deque(maxlen=VIEWS_WAITING)
        self._arrived = threading.Condition()

    def get(self, timeout_s: float) -> tuple[int, SiteView] | None:
        """The next (version, view); None when nothing new came within ``timeout_s`` seconds."""
        with self._arrived:
            self._arrived.wait_for(lambda: bool(self._views), timeout_s)
            return self._views.popleft() if self._views else None

    def close(self) -> None:
        """Stop following."""
        self._desk._leave(self)

    def __enter__(self) -> Subscription:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _put(self, version: int, view: SiteView) -> None:
        with self._arrived:
            self._views.append((version, view))
            self._arrived.notify_all()


def _refused(text: str) -> OperatorReply:
    return OperatorReply(accepted=False, text=text)
