"""What every request shares: sources, options, templates, and the few things the board remembers between requests."""

from __future__ import annotations

import functools
import hashlib
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, ParamSpec, TypeVar, cast

import anyio.to_thread
from anyio import CapacityLimiter
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.types import Scope

from dewpond.board.people import Person
from dewpond.board.show.site import masthead
from dewpond.board.sources import BoardOptions, Sources
from dewpond.board.words import Words
from dewpond.model.view import SiteView
from dewpond.ports import OperatorReply

HERE = Path(__file__).parent
STATIC = HERE / "static"
P = ParamSpec("P")
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Answer:
    """What a person gets back. ``kept`` marks a stored answer to a repeated request."""

    accepted: bool
    text: str
    kept: bool = False


class RecordsUnreadable(HTTPException):
    """Raised when the records cannot be read; what is live can still be shown."""


class Once:
    """Answers by idempotency key, so that a request sent twice waters once. The newest ``limit`` keys are kept."""

    def __init__(self, limit: int = 256) -> None:
        self._limit = limit
        self._answers: OrderedDict[str, tuple[object, Answer | None]] = OrderedDict()

    def begin(self, key: str, asked: object) -> Answer | None:
        """The stored answer, or None when the work is to be done now. Raises HTTPException 409 or 422."""
        if key in self._answers:
            before, answer = self._answers[key]
            if before != asked:
                raise HTTPException(
                    422, "This Idempotency-Key was used for another request; make a new key for a new request."
                )
            if answer is None:
                raise HTTPException(
                    409, "The first request with this Idempotency-Key is still under way; ask again in a moment."
                )
            return Answer(answer.accepted, answer.text, kept=True)
        self._answers[key] = (asked, None)
        while len(self._answers) > self._limit:
            self._answers.popitem(last=False)
        return None

    def end(self, key: str, answer: Answer | None) -> None:
        """Keep an accepted answer; forget the key of a refused or failed one, so that it may be tried again."""
        if key not in self._answers:
            return
        if answer is not None and answer.accepted:
            self._answers[key] = (self._answers[key][0], answer)
        else:
            del self._answers[key]


class Room:
    """One board. Lives in ``app.state.room``; touched by the board's event loop only."""

    def __init__(self, sources: Sources, options: BoardOptions) -> None:
        self.sources = sources
        self.options = options
        self.once = Once()
        self.streams = 0
        self.closing = False
        self._said: dict[str, Answer] = {}
        # Three queues, so that neither slow records nor a daemon that does not answer stands before stop-all.
        self._reading, self._asking, self._stopping = CapacityLimiter(2), CapacityLimiter(4), CapacityLimiter(2)
        self._templates = templates()
        self.assets = {path.name: _digest(path) for path in STATIC.iterdir()}

    @property
    def cookie_name(self) -> str:
        """Browsers share cookies between the ports of a host; several boards on one machine must not."""
        return f"dewpond_{self.options.port}"

    def view(self) -> SiteView | None:
        return self.sources.desk.view()

    def known_view(self) -> SiteView:
        """The view for answers that need one. Raises HTTPException 503 before the first is published."""
        view = self.view()
        if view is None:
            raise HTTPException(
                503, "The daemon has not published anything yet; ask again in a moment.", {"Retry-After": "2"}
            )
        return view

    async def read(self, work: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        """Read records in a worker thread. Raises RecordsUnreadable."""
        try:
            return await anyio.to_thread.run_sync(functools.partial(work, *args, **kwargs), limiter=self._reading)
        except self.sources.unreadable as error:
            raise RecordsUnreadable(503, f"The records cannot be read now: {error}") from error

    async def ask(
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
        **place: Any,
    ) -> Answer:
        """Put a request to the daemon's loop; ``place`` are the fields of requests about the rules of the place."""
        ask: Callable[[], OperatorReply] = functools.partial(
            self.sources.desk.ask,
            action,
            who,
            zone=zone,
            seconds=seconds,
            until=until,
            reason=reason,
            kind=kind,
            depth_mm=depth_mm,
            program=program,
            percent=percent,
            **place,
        )
        reply = await anyio.to_thread.run_sync(ask, limiter=self._asking)
        return Answer(reply.accepted, reply.text)

    async def stop_all(self, who: str) -> Answer:
        """Close everything: the keeper is told first and directly, then the daemon, so that it starts nothing anew."""
        fault = said = ""
        try:
            said = await anyio.to_thread.run_sync(self.sources.stop_now, who, limiter=self._stopping)
        except OSError as error:
            fault = f"The valve keeper could not be told to close ({error}); shut the water at its isolation valve."
        ask = functools.partial(self.sources.desk.ask, "stop", who, timeout_s=5)
        reply = await anyio.to_thread.run_sync(ask, limiter=self._stopping)
        if fault:
            return Answer(False, f"{fault} {reply.text}")
        if reply.accepted:
            return Answer(True, f"{said} {reply.text}".strip())
        return Answer(True, f"{said} The daemon has not confirmed it ({reply.text}), so planned openings may follow.")

    def say(self, person: Person, answer: Answer) -> None:
        """Keep one line for the next page this session opens."""
        self._said[person.session] = answer
        while len(self._said) > 64:
            self._said.pop(next(iter(self._said)))

    def page(self, template: str, request: Request, **what: Any) -> str:
        """A whole page. Somebody who may not read the site sees nothing of it, also on pages that are open to all."""
        person: Person | None = request.scope.get("state", {}).get("person")
        may_read = person is not None or self.options.open_reading
        view = self.view() if may_read else None
        words = Words.of(view) if view else None
        return self._templates.get_template(template).render(
            view=view,
            w=words,
            person=person,
            said=self._said.pop(person.session, None) if person else None,
            may_read=may_read,
            mast=masthead(view, self.sources.now().wall, self.options.stale_after_s),
            path=request.url.path,
            assets=self.assets,
            version=self.options.version,
            open_reading=self.options.open_reading,
            **what,
        )

    def part(self, template: str, **what: Any) -> str:
        """One fragment of a page, for the live stream."""
        return self._templates.get_template(f"parts/{template}.html").render(**what)


@functools.cache
def templates() -> Environment:
    """The pages' templates. Everything put into them is escaped unless a drawing of ours says that it is markup."""
    return Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        auto_reload=False,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def room_of(scope: Scope) -> Room:
    """The board that serves this request."""
    return cast("Room", scope["app"].state.room)


def _digest(path: Path) -> str:
    """The end of a file's address, so that a browser keeps it until it changes."""
    return f"{path.name}?v={hashlib.sha256(path.read_bytes()).hexdigest()[:12]}"
