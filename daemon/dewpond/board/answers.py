"""What the API takes and gives beyond the model's own views. Times as in RFC 3339, metric units in every name."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from typing import Annotated, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from dewpond.board.sources import Alarm
from dewpond.model.commands import RecordPlan
from dewpond.model.operations import DEEPEST_MM, HIGHEST_PERCENT
from dewpond.model.view import AlarmView, ExemptionView, LockView, OpeningView, SiteView, SupplyView

MAX_MINUTES = 240.0
HoldKind = Literal["treatment", "mowing", "event", "repair", "other"]
Name = Annotated[str, Field(max_length=200)]


class Asked(BaseModel):
    """Base of request bodies: an unknown field is a typing mistake, not a comment."""

    model_config = ConfigDict(extra="forbid")


class WaterAsk(Asked):
    """Water one zone by hand, now."""

    minutes: Annotated[float, Field(gt=0, le=MAX_MINUTES, allow_inf_nan=False)]
    against_rule: bool = False  # the rule of the place that forbids it is known, and the person insists
    reason: Annotated[str, Field(max_length=200)] = ""


class StopAsk(Asked):
    """Close one zone, or everything when no zone is named."""

    zone: Annotated[str, Field(max_length=200)] | None = None


class HoldAsk(Asked):
    """Keep the schedule from running anything until then."""

    until: AwareDatetime
    reason: Annotated[str, Field(max_length=120)] = ""
    kind: HoldKind = "other"
    zone: Name | None = None


class ReleaseAsk(Asked):
    """End one kind of hold, the holds of one zone, or all holds."""

    kind: HoldKind | Literal["rain"] | None = None
    zone: Name | None = None


class WaterInAsk(Asked):
    """One watering of this net depth in the next allowed night, at the latest by ``until``."""

    depth_mm: Annotated[float, Field(gt=0, le=DEEPEST_MM, allow_inf_nan=False)]
    until: AwareDatetime | None = None


class PercentAsk(Asked):
    """The share of its minutes a program runs at; null goes back to the site file."""

    percent: Annotated[float, Field(ge=0, le=HIGHEST_PERCENT, allow_inf_nan=False)] | None


class ExemptAsk(Asked):
    """Leave to pass over restrictions until an end: who gave it and why stand in ``reason``."""

    target: Annotated[str, Field(min_length=1, max_length=200)]
    until: AwareDatetime
    reason: Annotated[str, Field(min_length=1, max_length=200)]
    rule: Annotated[str, Field(max_length=200)] = ""


class StageAsk(Asked):
    """The stage of restriction in force, empty for none; without an end it lasts until the next word."""

    stage: Annotated[str, Field(max_length=200)]
    reason: Annotated[str, Field(min_length=1, max_length=200)]
    until: AwareDatetime | None = None


class ClearAsk(Asked):
    """An alarm is dealt with; its key is as in /alarms."""

    key: Annotated[str, Field(min_length=1, max_length=200)]


class Given(BaseModel):
    """Base of answers, filled from the attributes of a view or a record."""

    model_config = ConfigDict(from_attributes=True)


class Taken(Given):
    """A request that was accepted, and what the daemon said to it."""

    accepted: bool
    text: str


class OpenZone(Given):
    """A zone whose valve is not closed."""

    zone: str
    valve: str
    since: datetime | None
    until: datetime | None
    flow_l_min: float
    asked_by: str


class Status(Given):
    """The site in short; ``at`` is the time of the data."""

    at: datetime
    name: str
    slug: str
    timezone: str
    simulated: bool
    keeper: str
    broker: str
    clock_trusted: bool
    hold_until: datetime | None
    hold_reason: str
    window_date: date | None
    window_opens: datetime | None
    window_closes: datetime | None
    next_planning: datetime | None
    open: list[OpenZone]
    supplies: list[SupplyView]
    alarms: list[AlarmView]
    locks: list[LockView]
    stage: str
    exemptions: list[ExemptionView]
    clock_doubt: str


class PlannedOpening(Given):
    """One opening of a night."""

    zone: str
    source: str
    start: datetime
    seconds: float
    gross_mm: float
    state: str


class Plan(Given):
    """The openings of the night whose window opens on ``window_date`` (site calendar day)."""

    window_date: date | None
    openings: list[PlannedOpening]


class Run(Given):
    """One finished opening; ``metered_litres`` only where a meter saw it."""

    run_id: str
    zone: str
    start: datetime
    end: datetime
    seconds: float
    gross_mm: float
    litres: float
    metered_litres: float | None
    cause: str
    note: str


class Day(Given):
    """One zone's water balance of one site calendar day."""

    date: date
    zone: str
    eto_mm: float
    eto_method: str
    etc_mm: float
    rain_mm: float
    effective_rain_mm: float
    net_irrigation_mm: float
    runoff_mm: float
    drainage_mm: float
    depletion_mm: float
    taw_mm: float
    raw_mm: float
    belief_mm: float
    belief_sd_mm: float
    correction_mm: float
    reason: str


class Incident(Given):
    """One fault that was told; ``cleared_at`` is null while it lasts."""

    key: str
    kind: str
    zone: str | None
    sentence: str
    since: datetime
    cleared_at: datetime | None


def status_of(view: SiteView) -> Status:
    running = [
        OpenZone(
            zone=zone.id,
            valve=zone.valve,
            since=zone.opened_at,
            until=zone.until,
            flow_l_min=zone.flow_l_min,
            asked_by=zone.asked_by,
        )
        for zone in view.zones
        if zone.valve != "closed"
    ]
    shared = {name: getattr(view, name) for name in Status.model_fields if name != "open"}
    return Status(**shared, open=running)


def plan_of(window_date: date | None, openings: Sequence[OpeningView | RecordPlan]) -> Plan:
    return Plan(window_date=window_date, openings=[PlannedOpening.model_validate(item) for item in openings])


def incident_of(alarm: AlarmView | Alarm) -> Incident:
    """An incident of the picture, or of the records."""
    if isinstance(alarm, AlarmView):
        sentence, since, cleared_at = alarm.sentence, alarm.since, None
    else:
        sentence, since, cleared_at = alarm.detail, alarm.raised_at, alarm.cleared_at
    return Incident(
        key=alarm.key, kind=alarm.kind, zone=alarm.zone, sentence=sentence, since=since, cleared_at=cleared_at
    )
