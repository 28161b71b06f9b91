"""What the runner needs from the world. Live, demo, replay and tests differ only in who stands behind these."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, Protocol

from dewpond.model.commands import AskRule, Command
from dewpond.model.events import Event, Now
from dewpond.model.upkeep import UpkeepEntry
from dewpond.model.view import SiteView


class Clock(Protocol):
    """Two times that never mix: wall for schedules and records, elapsed for durations and leases."""

    def now(self) -> Now:
        """Both times of this instant."""
        ...

    def wait(self, until_elapsed_s: float) -> None:
        """Return at that elapsed time, or earlier when ``wake`` was called. A paced clock moves here."""
        ...

    def wake(self) -> None:
        """End a running or the next ``wait`` at once. Safe from any thread."""
        ...

    def hold(self) -> None:
        """Work has begun elsewhere (a child process, a message under way): a paced clock must not jump yet."""
        ...

    def unhold(self) -> None:
        """That work is over and its answer is queued."""
        ...


class Valves(Protocol):
    """The keeper as the runner sees it. Calls return within a second or two; failures come back as events.

    Openings, closings and refusals are answered with events from the returned list (never raised).
    """

    def open(self, run_id: str, output: int, planned_s: float, now: Now) -> Sequence[Event]: ...

    def renew(self, now: Now) -> Sequence[Event]:
        """Renew the lease of every run held open; returns closings, losses and finds noticed on the way."""
        ...

    def look(self, now: Now) -> Sequence[Event]:
        """Ask the keeper how it is, renewing nothing: before a person is promised water."""
        ...

    def close(self, run_id: str, output: int, now: Now, cause: str) -> Sequence[Event]: ...

    def close_all(self, now: Now, cause: str) -> Sequence[Event]: ...

    def next_renewal_s(self) -> float:
        """Elapsed time of the next call to ``renew`` (inf when there is nothing to look after)."""
        ...


class Bus(Protocol):
    """Messages. Incoming ones reach the runner as events through ``drain``."""

    def drain(self, now: Now) -> Sequence[Event]:
        """Everything that arrived since the last call, readings gathered into one block per sensor."""
        ...

    def publish(self, topic: str, body: Mapping[str, Any], *, retained: bool) -> None:
        """Queue a state for the broker; drops the oldest of a topic rather than block."""
        ...


class Store(Protocol):
    """The journal and the tables people read. Writers never block the closing of a valve."""

    def append(self, step_no: int, now: Now, events: Sequence[Event], commands: Sequence[Command]) -> None:
        """Add what one step received and what it wanted. Durable at the next ``commit``."""
        ...

    def flush_if_due(self, now: Now) -> None:
        """Commit what has been waiting for half a minute."""
        ...

    def record(self, command: Command) -> None:
        """Write a Record*, RaiseAlarm or ClearAlarm command into its table. Durable at the next ``commit``."""
        ...

    def commit(self) -> bool:
        """Make everything so far durable (FULL sync). False when the disk will not; then ``faults`` says why."""
        ...

    def faults(self) -> Sequence[Event]:
        """Faults of the store since the last call."""
        ...

    def snapshot(self, step_no: int, now: Now, state: object) -> None:
        """Keep the brain's state (a frozen dataclass) after ``step_no``: start-up need not read the whole journal."""
        ...


class UpkeepBook(Protocol):
    """What people note on foot, every version of it. Any process of a site may keep and read, at any time."""

    def keep(self, *entries: UpkeepEntry) -> None:
        """Keep all of them durably, or none. Raises Overtaken when one does not follow the newest of its subject."""
        ...

    def newest(self, kind: str, subject: str) -> UpkeepEntry | None:
        """The last version, None when there is none."""
        ...

    def all_newest(self, kind: str, prefix: str = "") -> Sequence[UpkeepEntry]:
        """The last version of every subject of a kind whose name begins so, by subject."""
        ...

    def history(self, kind: str, subject: str) -> Sequence[UpkeepEntry]:
        """Every version, oldest first."""
        ...


class Calendar(Protocol):
    """Calendar work: planning time, day ends, polls. Each key fires once per local date."""

    def next_due_s(self, now: Now) -> float:
        """Elapsed time of the next firing, inf when another thread wakes the runner instead."""
        ...

    def drain(self, now: Now) -> Sequence[Event]:
        """The calendar events due by now, each local date once."""
        ...


class WeatherFeed(Protocol):
    """Weather of days that are over, already turned into events (rain, reference ET)."""

    def observe(self, events: Sequence[Event]) -> None:
        """See the readings of each pass; a weather station's day is gathered from them."""
        ...

    def next_due_s(self, now: Now) -> float: ...

    def drain(self, now: Now) -> Sequence[Event]: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class DayWeather:
    """One day's measured weather at a weather station; None where there is no measurement.

    Temperatures in degC, humidity in %, wind in m/s at ``wind_height_m``, radiation in MJ/m2/day, rain in mm.
    """

    date: date
    t_min_c: float | None = None
    t_max_c: float | None = None
    rh_min_pct: float | None = None
    rh_max_pct: float | None = None
    wind_m_s: float | None = None
    solar_mj_m2: float | None = None
    rain_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class EtoValue:
    """Reference ET of one day. ``eto_mm`` is None only without temperatures; ``method`` says how it was found."""

    date: date
    eto_mm: float | None
    method: str
    sd_mm: float


class ReferenceEt(Protocol):
    """Daily reference ET for a batch of days at one place."""

    def days(
        self, weather: Sequence[DayWeather], *, latitude_deg: float, elevation_m: float, wind_height_m: float
    ) -> Sequence[EtoValue]: ...


class Rules(Protocol):
    """Rule plug-ins. A question is answered with ``RuleAnswered``, or with why there is no answer; never raised."""

    def ask(self, command: AskRule, now: Now) -> None:
        """Put one question. Returns at once."""
        ...

    def drain(self, now: Now) -> Sequence[Event]:
        """The answers that came since the last call."""
        ...


class Notifier(Protocol):
    """Tells people of alarms by other paths than the board."""

    def tell(self, subject: str, text: str) -> None: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatorReply:
    """What a person gets back."""

    accepted: bool
    text: str
    body: Mapping[str, Any] = field(default_factory=dict)


class Desk(Protocol):
    """Where people's requests come in (operator socket, board) and answers go out."""

    def drain(self, now: Now) -> Sequence[Event]: ...

    def answer(self, request_id: str, reply: OperatorReply) -> None: ...

    def publish(self, view: SiteView) -> None:
        """Replace the picture that people see."""
        ...


Wake = Callable[[], None]
Events = Iterable[Event]
Instant = datetime
