"""What the board needs from the daemon, as Protocols: the published picture, the operators' desk, the records."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Protocol

from dewpond.board.people import People
from dewpond.model.commands import RecordDay, RecordPlan, RecordRun
from dewpond.model.events import Now
from dewpond.model.reasons import ZoneReason
from dewpond.model.view import SiteView
from dewpond.ports import OperatorReply


class Desk(Protocol):
    """The daemon's loop as people reach it. Safe from any thread."""

    def view(self) -> SiteView | None:
        """The newest published picture; None until the first one. Never waits."""
        ...

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
        timeout_s: float = 15,
    ) -> OperatorReply:
        """Put a request to the loop and wait for its answer; refused when none comes within ``timeout_s``."""
        ...


class Alarm(Protocol):
    """One incident of the records, open or over."""

    @property
    def key(self) -> str: ...
    @property
    def raised_at(self) -> datetime: ...
    @property
    def cleared_at(self) -> datetime | None: ...
    @property
    def kind(self) -> str: ...
    @property
    def zone(self) -> str | None: ...
    @property
    def detail(self) -> str: ...


class History(Protocol):
    """The records, read only, safe from any thread. Dates are site calendar days, both included; None is all zones."""

    def days(self, zone: str | None, first: date, last: date) -> Sequence[RecordDay]: ...

    def runs(self, first_utc: datetime, last_utc: datetime, zone: str | None = None) -> Sequence[RecordRun]: ...

    def reasons(self, zone: str | None, first: date, last: date) -> Sequence[ZoneReason]: ...

    def plan(self, window_date: date) -> Sequence[RecordPlan]: ...

    def alarms(self, open_only: bool) -> Sequence[Alarm]: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Sources:
    """Everything the board reads and asks. ``stop_now`` goes straight to the keeper and raises OSError when it cannot.

    ``now`` is the clock of the data (the demo's own clock in a demo): it ages the picture and starts holds.
    ``unreadable`` are the exceptions by which ``history`` says that the records cannot be read now.
    """

    desk: Desk
    history: History
    stop_now: Callable[[str], str]
    people: People
    now: Callable[[], Now]
    unreadable: tuple[type[Exception], ...] = (OSError,)


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardOptions:
    """How the board is served. ``hosts`` are further names it may be called by (a local name, a proxy's name)."""

    host: str = "127.0.0.1"
    port: int = 8377
    hosts: tuple[str, ...] = ()
    open_reading: bool = False
    secure_cookie: bool = False
    version: str = ""
    max_body_bytes: int = 16_384
    body_timeout_s: float = 10.0
    max_streams: int = 12
    stale_after_s: float = 900.0
    live_every_s: float = 1.0
