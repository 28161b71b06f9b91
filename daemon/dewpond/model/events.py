"""Everything the brain can learn. Past tense; ``at`` is when it happened (aware, UTC).

The runner stamps each batch with the moment it was taken up (``Now``); the journal keeps both.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Now:
    """The two times of one pass: wall (schedules, records) and elapsed (durations, leases).

    ``trusted`` is False while the wall clock cannot be believed (no RTC and no time service yet).
    """

    wall: datetime
    elapsed_s: float
    trusted: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Base of all events."""

    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceStarted(Event):
    """The daemon came up with this site file; ``first`` when there was no earlier state."""

    site_digest: str
    version: str
    first: bool
    assumed_depletion_share: float = 0.0  # of RAW, used where a zone has no earlier state


@dataclass(frozen=True, slots=True, kw_only=True)
class CareTold(Event):
    """What the calendar of care reminds of today: a sentence by duty."""

    due: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceStopping(Event):
    """The daemon is about to end; nothing is opened any more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingsArrived(Event):
    """One sensor's accepted readings since the last block, oldest first.

    ``time_s`` are seconds since 1970-01-01 UTC (float64); ``value`` in the sensor's canonical unit (float64). A meter
    with ``accumulation`` set delivers increments in litres, a rain gauge increments in mm; ``window_s`` is then the
    span each increment covers (same length).
    """

    sensor: str
    time_s: NDArray[np.float64]
    value: NDArray[np.float64]
    window_s: NDArray[np.float64] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingRejected(Event):
    """A message for a known sensor could not be used; nothing of it entered arithmetic."""

    sensor: str
    reason: str
    excerpt: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageRefused(Event):
    """A message was turned away before decoding (too big, retained command, unknown topic, queue full)."""

    topic: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceEtKnown(Event):
    """Reference ET of one site calendar day, by the reference-ET adapter. ``eto_mm`` is None when it had no inputs."""

    date: date
    eto_mm: float | None
    method: str
    sd_mm: float


RAIN_GAUGE = "rain gauge"  # how the source of a measurement on the spot begins


@dataclass(frozen=True, slots=True, kw_only=True)
class RainKnown(Event):
    """Rain of one site calendar day. ``rain_mm`` None is a missing measurement, not a dry day.

    ``check`` is a second source's word on the same day: the ledger takes no notice of it, the belief does.
    """

    date: date
    rain_mm: float | None
    source: str
    check: bool = False
    hourly_mm: tuple[float, ...] | None = None  # 24 local hours, where they are known


@dataclass(frozen=True, slots=True, kw_only=True)
class ForecastDay:
    """A forecast's word on one site calendar day; None where it has none, which is never a dry or a cool day.

    ``rain_probability`` is a fraction, of more rain than a trace.
    """

    date: date
    rain_mm: float | None = None
    rain_probability: float | None = None
    eto_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ForecastKnown(Event):
    """A forecast of days that are not over yet, in order of date. ``raw_ref`` names the kept answer it comes from."""

    issued_at: datetime
    source: str
    days: tuple[ForecastDay, ...]
    raw_ref: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanningDue(Event):
    """The time has come to decide the night whose window opens on the local ``date``."""

    date: date


@dataclass(frozen=True, slots=True, kw_only=True)
class DayEnded(Event):
    """The site calendar day ``date`` is over by the site's own clock."""

    date: date


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatorAsked(Event):
    """A person asks for something. ``action`` is water, stop, hold or release; the brain answers by ``request_id``.

    ``program`` and ``percent`` belong to the action percent; None goes back to what the site file says. [%]
    """

    request_id: str
    who: str
    action: str
    zone: str | None = None
    seconds: float | None = None
    until: datetime | None = None
    reason: str = ""
    depth_mm: float | None = None  # net, of a watering-in
    kind: str = ""  # of a hold: treatment, mowing, event, repair or other
    program: str = ""
    percent: float | None = None
    by: str = ""  # a person's own name, beside the account or sign-in that is ``who``
    against_rule: bool = False  # of water by hand: the person has been told the rule and insists
    target: str = ""  # of an exemption: zone id, supply id, "overhead", "drip" or "all"
    rule: str = ""  # of an exemption: the one restriction it passes over, "" for all but complete stops
    number: str = ""  # of an exemption that ends
    stage: str = ""  # of restriction, declared in force; "" is none
    answer: str = ""  # of a guided test: "yes" or "no", what a person sees

    @property
    def person(self) -> str:
        """Who it is, as it is recorded."""
        return f"{self.by} ({self.who})" if self.by and self.by != self.who else self.who


@dataclass(frozen=True, slots=True, kw_only=True)
class ValveOpened(Event):
    """The keeper holds this output open for this run, since ``at``."""

    run_id: str
    output: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ValveClosed(Event):
    """The keeper closed this output at ``at`` after ``open_s`` seconds of elapsed time. ``why`` is its own word.

    ``wished``: a person's stop or lock reached the keeper itself.
    """

    run_id: str
    output: int
    open_s: float
    why: str
    wished: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ValveRefused(Event):
    """The keeper would not open this output, or could not be asked."""

    run_id: str
    output: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class KeeperFound(Event):
    """The keeper answers. ``session`` changes when it was restarted; ``open_outputs`` are what it holds open now.

    ``opened_at`` says since when, by run id. ``closed`` are the closings it remembers: run id -> seconds open;
    ``closed_at``: when; ``wished``: those of them that a person wished. Times are aware, UTC.
    """

    session: str
    ready: bool
    open_outputs: Mapping[int, str] = field(default_factory=dict)  # output -> run id
    closed: Mapping[str, float] = field(default_factory=dict)
    closed_at: Mapping[str, datetime] = field(default_factory=dict)
    wished: tuple[str, ...] = ()  # run ids
    opened_at: Mapping[str, datetime] = field(default_factory=dict)
    alarm: str = ""  # why it is not sure that everything is off, once it has tried


@dataclass(frozen=True, slots=True, kw_only=True)
class KeeperLost(Event):
    """The keeper does not answer; its leases run out by themselves."""

    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class KeeperLock:
    """A person's lock at the keeper. ``target`` is a zone id, "supply:ID" or "site"; "site" covers every output.

    ``kind`` is work, winter, or damaged where the keeper has lost its locks. ``outputs`` are what may not open.
    """

    target: str
    kind: str
    who: str
    reason: str
    since: datetime | None
    outputs: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LocksKnown(Event):
    """The locks that stand at the keeper now, the oldest first; told when they have changed."""

    locks: tuple[KeeperLock, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PersonsStop:
    """What a person stopped at the keeper, past the daemon: a zone, one output, or everything ("" and 0)."""

    id: str
    zone: str
    output: int
    who: str  # as a cause: "stopped by Ana"
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class StopsTold(Event):
    """The newest stops that the keeper knows of, the oldest first; those known already among them."""

    stops: tuple[PersonsStop, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokerChanged(Event):
    """The link to the MQTT broker came up or went down."""

    connected: bool
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockStepped(Event):
    """The wall clock moved by ``step_s`` against elapsed time (NTP, a person, a dead battery)."""

    step_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockJudged(Event):
    """The wall clock is believed from here on, or not; ``why`` is a clause with what stands behind it."""

    trusted: bool
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultSeen(Event):
    """An operating fault of the service itself (disk, feed, child process): a record, not an exception."""

    part: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleAnswered(Event):
    """A rule plug-in's answer for one night, or why there is none. ``net_mm`` by zone id."""

    request_id: str
    net_mm: Mapping[str, float] = field(default_factory=dict)
    failure: str = ""
    notes: Mapping[str, Any] = field(default_factory=dict)
