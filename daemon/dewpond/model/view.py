"""What people may see at one instant: a frozen picture of the brain's state. Screens read nothing else live."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from dewpond.model.reasons import ZoneReason


@dataclass(frozen=True, slots=True, kw_only=True)
class OpeningView:
    """One planned, running or finished opening of the night in view."""

    zone: str
    supply: str
    start: datetime
    seconds: float
    gross_mm: float
    flow_l_min: float
    source: str  # rule, program, or "by hand"
    state: str  # planned, running, done, shortened, dropped
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneView:
    """One zone now. Depletion is water missing from field capacity; RAW is where stress starts."""

    id: str
    name: str
    supply: str
    output: int
    valve: str  # closed, opening, open, closing, unknown
    opened_at: datetime | None
    until: datetime | None
    asked_by: str
    depletion_mm: float
    depletion_sd_mm: float
    raw_mm: float
    taw_mm: float
    flow_l_min: float
    held: str  # why nothing runs here, "" when nothing holds it
    last_run_end: datetime | None
    last_run_mm: float | None
    week_litres: float
    reason: ZoneReason | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyView:
    """One supply now. Flow and pressure are None without a fresh reading."""

    id: str
    capacity_l_min: float | None
    expected_l_min: float
    flow_l_min: float | None
    flow_at: datetime | None
    pressure_kpa: float | None
    pressure_at: datetime | None
    watching: str  # "watching", or why the pipes are not watched
    pump: str = ""  # what its pump does, as a sentence; "" without one
    guided: str = ""  # the guided test that is on, or what the last one found, as sentences


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorView:
    """The last word of one sensor; ``fresh`` is False when it is older than the mapping allows."""

    id: str
    kind: str
    value: float | None
    unit: str
    at: datetime | None
    fresh: bool
    rejected: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmView:
    """One open incident, as a sentence."""

    key: str
    since: datetime
    kind: str
    zone: str | None
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ProgramView:
    """One program as it would run if it were planned now. ``changed_by`` is empty while the site file's word holds."""

    name: str
    percent: float
    why: str
    changed_by: str = ""
    changed_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LockView:
    """One lock at the keeper: nothing opens there, whoever asks. ``target`` is a zone id, "supply:ID" or "site"."""

    target: str
    kind: str
    who: str
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ExemptionView:
    """Leave to pass over restrictions, as recorded; ``target`` is a zone id, a supply id, a way of watering or all."""

    number: str
    target: str
    rule: str  # the one restriction it passes over, "" for all but complete stops
    who: str
    reason: str
    until: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteView:
    """The whole site now; ``at`` is the data's own time, in UTC."""

    at: datetime
    name: str
    slug: str
    timezone: str
    units: str
    broker: str  # connected, lost, none
    keeper: str  # ready, not ready, lost
    clock_trusted: bool
    hold_until: datetime | None
    hold_reason: str
    window_date: date | None
    window_opens: datetime | None
    window_closes: datetime | None
    next_planning: datetime | None
    zones: tuple[ZoneView, ...]
    supplies: tuple[SupplyView, ...]
    sensors: tuple[SensorView, ...]
    openings: tuple[OpeningView, ...]
    alarms: tuple[AlarmView, ...]
    simulated: bool = False
    programs: tuple[ProgramView, ...] = ()
    locks: tuple[LockView, ...] = ()
    stage: str = ""  # of restriction, in force
    exemptions: tuple[ExemptionView, ...] = ()
    clock_doubt: str = ""  # why the clock is not trusted
    power_loss: str = ""  # what it means for valves that need power to shut, as a sentence
