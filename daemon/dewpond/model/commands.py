"""Everything the brain can want. Imperative; carried out by the runner through the ports, in the order given."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from dewpond.model.reasons import ZoneReason


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """Base of all commands."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenValve(Command):
    """Open an output on a lease, never beyond ``planned_s`` + 5 s. The intent is durable before the relay moves.

    ``follows`` is True for a master valve, which is opened again (same run id) to extend its planned end.
    """

    run_id: str
    output: int
    zone: str | None
    planned_s: float
    follows: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class CloseValve(Command):
    """Close an output now. Idempotent."""

    run_id: str
    output: int
    cause: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CloseAll(Command):
    """Close every output now."""

    cause: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordPlan(Command):
    """Write one planned opening. The key is (zone, source, window_date, start_no); a second row of a key replaces."""

    zone: str
    source: str  # rule name, program name, or "by hand"
    window_date: date
    start_no: int
    start: datetime
    seconds: float
    gross_mm: float
    state: str  # planned, running, done, shortened, dropped


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordRun(Command):
    """Write one finished opening: what really flowed, as far as it is known."""

    run_id: str
    zone: str
    start: datetime
    end: datetime
    seconds: float
    gross_mm: float
    litres: float
    cause: str
    metered_litres: float | None = None
    note: str = ""


@dataclass(frozen=True, kw_only=True)
class RecordDay(Command):
    """Write one zone's ledger row of one site calendar day (columns of days.csv)."""

    date: date
    zone: str
    eto_mm: float
    etc_mm: float
    rain_mm: float
    effective_rain_mm: float
    net_irrigation_mm: float
    runoff_mm: float
    drainage_mm: float
    depletion_mm: float
    taw_mm: float
    raw_mm: float
    reason: str
    belief_mm: float
    belief_sd_mm: float
    correction_mm: float
    eto_method: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordReason(Command):
    """Keep why a zone is watered or left dry tonight."""

    reason: ZoneReason


@dataclass(frozen=True, slots=True, kw_only=True)
class RaiseAlarm(Command):
    """Tell people of a fault. One per incident; ``key`` names it."""

    key: str
    at: datetime
    kind: str
    zone: str | None
    detail: str
    facts: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClearAlarm(Command):
    """The incident ``key`` is over."""

    key: str
    at: datetime
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PublishState(Command):
    """Publish one retained state topic of the service's own tree; ``body`` is JSON-ready and carries ``at``."""

    topic: str  # below dewpond/SITE/, e.g. "zone/north-lawn/state"
    body: Mapping[str, Any]
    retained: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteRules(Command):
    """Keep in the journal which rules of the place stood over an opening when it began, for whoever inspects.

    ``against`` are those it breaks; ``who`` insisted on it, for ``reason``.
    """

    run_id: str
    zone: str
    at: datetime
    in_force: tuple[str, ...] = ()
    exemptions: tuple[str, ...] = ()
    against: tuple[str, ...] = ()
    who: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteShortened(Command):
    """Keep in the journal what a zone was not given in a night for want of room, and by which rule it was chosen. [s]

    ``carried_s`` waits for the next night. A later one of the same zone and night replaces it.
    """

    zone: str
    window_date: date
    wanted_s: float
    given_s: float
    carried_s: float
    rule: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteMaintenance(Command):
    """Keep in the journal what a person did on the pipes by way of this program, and how it ended.

    ``target`` is a supply's id; ``seconds`` from ``began``; ``litres`` by the meter, None without one.
    """

    at: datetime
    work: str
    target: str
    who: str
    reason: str
    began: datetime
    seconds: float
    litres: float | None
    outcome: str
    facts: Mapping[str, Any] = field(default_factory=dict)  # of a guided test: what it rests on


@dataclass(frozen=True, slots=True, kw_only=True)
class TrustClock(Command):
    """Believe the wall clock as it stands now: a person has looked."""

    who: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AnswerOperator(Command):
    """Tell the asking person whether the request was taken, in one line."""

    request_id: str
    accepted: bool
    text: str
    body: Mapping[str, Any] = field(default_factory=dict)  # what a program may want to know besides


@dataclass(frozen=True, slots=True, kw_only=True)
class AskRule(Command):
    """Have a rule plug-in decide tonight's depths; the answer comes back as ``RuleAnswered``."""

    request_id: str
    rule: str
    question: Mapping[str, Any]
