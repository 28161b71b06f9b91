"""What an operator may ask for, checked the same way on the socket and over the web.

Only form is checked here: whether a zone exists and may be watered is the brain's to say.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from datetime import datetime
from typing import Any, ClassVar

# No opening by hand is longer than the longest ceiling of any method of watering (drip and bubbler; common practice,
# no source). The brain applies each zone's own, which is lower for spray and rotor.
LONGEST_WATERING_S = 12 * 3600.0
LONGEST_TEXT = 200
DEEPEST_MM = 200.0  # no root zone of a landscape takes more at once; the brain applies each zone's own
HOLD_KINDS = ("treatment", "mowing", "event", "repair", "other")  # what a person may hold for
RAIN_KIND = "rain"  # held by itself after a heavy rain; may be released like the others
GUIDED_TESTS = ("leak", "weeping", "drainage", "pump")  # tests that a person is led through
HIGHEST_PERCENT = 200.0  # of a program's minutes


class RequestRefused(ValueError):
    """Raised when a request is not understood: what is wrong with it, and what is expected."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterRequest:
    """Open a zone by hand for so many seconds. [s]"""

    action: ClassVar[str] = "water"
    zone: str
    seconds: float
    against_rule: bool = False  # the rule of the place that forbids it is known, and the person insists
    by: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StopRequest:
    """Close one zone, or everything."""

    action: ClassVar[str] = "stop"
    zone: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldRequest:
    """Water nothing by plan until an instant (aware), on one zone or the whole site."""

    action: ClassVar[str] = "hold"
    until: datetime
    zone: str | None = None
    reason: str = ""
    kind: str = "other"


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterInRequest:
    """Give a zone one watering of this net depth in the next allowed night, at the latest by an instant (aware)."""

    action: ClassVar[str] = "water-in"
    zone: str
    depth_mm: float
    until: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReleaseRequest:
    """End a hold: of one zone, of one kind, or all."""

    action: ClassVar[str] = "release"
    zone: str | None = None
    kind: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClearRequest:
    """An alarm is dealt with; ``reason`` is its key."""

    action: ClassVar[str] = "clear"
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AsUsualRequest:
    """Take a zone's flow of today as its usual one."""

    action: ClassVar[str] = "as-usual"
    zone: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ForgetRequest:
    """Give up what probes and meter have taught of a zone."""

    action: ClassVar[str] = "forget"
    zone: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PercentRequest:
    """Run a program at this share of its minutes from the next planning on; None goes back to the site file. [%]"""

    action: ClassVar[str] = "percent"
    program: str
    percent: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ExemptRequest:
    """Record leave to pass over restrictions until an instant (aware).

    ``target`` is a zone id, a supply id, "overhead", "drip" or "all". ``rule`` is the name of the one restriction
    meant; without it all are, and the site's watering days, but no complete stop.
    """

    action: ClassVar[str] = "exempt"
    target: str
    until: datetime
    by: str
    reason: str
    rule: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class EndExemptionRequest:
    """End an exemption, by its number, before its time."""

    action: ClassVar[str] = "end-exemption"
    number: str
    by: str
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StageRequest:
    """Declare the stage of restriction in force, "" for none; with an end, what the site file says follows then."""

    action: ClassVar[str] = "stage"
    stage: str
    by: str
    reason: str
    until: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockRequest:
    """A person has looked at the wall clock and finds it right."""

    action: ClassVar[str] = "clock"
    by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AttendRequest:
    """Keep the master valve of a supply (``target``) open for a few minutes for somebody who works there, or go on."""

    action: ClassVar[str] = "attend"
    target: str
    by: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class EndAttendedRequest:
    """End the attended test of a supply (``target``)."""

    action: ClassVar[str] = "end-attended"
    target: str
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class GuideRequest:
    """Be led through a test (``kind``) of a supply (``target``), or go on with it; ``answer`` is what a person sees.

    ``zone`` where the test is of one, ``seconds`` for how long a step is measured instead of the usual time. [s]
    """

    action: ClassVar[str] = "guide"
    target: str
    kind: str
    by: str
    reason: str = ""
    zone: str | None = None
    seconds: float | None = None
    answer: str = ""
    against_rule: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class EndGuidedRequest:
    """End the guided test of a supply (``target``); what it has found so far is told and recorded."""

    action: ClassVar[str] = "end-guided"
    target: str
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CommissionRequest:
    """Begin to commission a zone: nothing runs there by schedule until it is signed off."""

    action: ClassVar[str] = "commission"
    zone: str
    by: str
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SignOffRequest:
    """Sign a zone's commissioning off; ``reason`` names the record that it rests on."""

    action: ClassVar[str] = "sign-off"
    zone: str
    by: str
    reason: str


Request = (
    WaterRequest
    | StopRequest
    | HoldRequest
    | ReleaseRequest
    | ClearRequest
    | AsUsualRequest
    | ForgetRequest
    | PercentRequest
    | WaterInRequest
    | ExemptRequest
    | EndExemptionRequest
    | StageRequest
    | ClockRequest
    | AttendRequest
    | EndAttendedRequest
    | GuideRequest
    | EndGuidedRequest
    | CommissionRequest
    | SignOffRequest
)
REQUESTS: Mapping[str, type[Request]] = {
    kind.action: kind
    for kind in (
        WaterRequest,
        StopRequest,
        HoldRequest,
        ReleaseRequest,
        ClearRequest,
        AsUsualRequest,
        ForgetRequest,
        PercentRequest,
        WaterInRequest,
        ExemptRequest,
        EndExemptionRequest,
        StageRequest,
        ClockRequest,
        AttendRequest,
        EndAttendedRequest,
        GuideRequest,
        EndGuidedRequest,
        CommissionRequest,
        SignOffRequest,
    )
}
NEEDED: Mapping[str, frozenset[str]] = {
    "water": frozenset({"zone", "seconds"}),
    "hold": frozenset({"until"}),
    "water-in": frozenset({"zone", "depth_mm"}),
    "clear": frozenset({"reason"}),
    "as-usual": frozenset({"zone"}),
    "forget": frozenset({"zone"}),
    "percent": frozenset({"program"}),
    "exempt": frozenset({"target", "until", "by", "reason"}),
    "end-exemption": frozenset({"number", "by"}),
    "stage": frozenset({"stage", "by", "reason"}),
    "clock": frozenset({"by"}),
    "attend": frozenset({"target", "by", "reason"}),
    "end-attended": frozenset({"target"}),
    "guide": frozenset({"target", "kind", "by"}),
    "end-guided": frozenset({"target"}),
    "commission": frozenset({"zone", "by"}),
    "sign-off": frozenset({"zone", "by", "reason"}),
}


def parse(op: str, plain: Mapping[str, Any]) -> Request:
    """The request that ``plain`` (decoded JSON) stands for. Raises RequestRefused, naming the field and the remedy."""
    kind = REQUESTS.get(op)
    if kind is None:
        raise RequestRefused(f"operation {op!r} is not known; it is one of {', '.join(REQUESTS)}")
    known = {field.name for field in fields(kind)}
    unknown = sorted(str(name) for name in plain.keys() - known)
    if unknown:
        raise RequestRefused(f"{op}: {', '.join(unknown)} is not known; the fields are {', '.join(sorted(known))}")
    given = {name: _CHECKS[name](op, value) for name, value in plain.items() if value is not None}
    missing = NEEDED.get(op, frozenset()) - given.keys()
    if missing:
        raise RequestRefused(f"{op}: {' and '.join(sorted(missing))} is missing")
    for name in sorted({"by", "reason"} & NEEDED.get(op, frozenset())):
        _name(name)(op, given[name])
    return kind(**given)


def _text(name: str) -> Callable[[str, Any], str]:
    def check(op: str, value: Any) -> str:
        if not isinstance(value, str) or len(value) > LONGEST_TEXT or not value.isprintable():
            raise RequestRefused(f"{op}: {name} is not plain text of at most {LONGEST_TEXT} characters")
        return value

    return check


def _zone(op: str, value: Any) -> str:
    if value == "":
        raise RequestRefused(f"{op}: zone is empty; give a zone's id")
    return _text("zone")(op, value)


def _seconds(op: str, value: Any) -> float:
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if not is_number or (isinstance(value, float) and math.isnan(value)):
        raise RequestRefused(f"{op}: seconds is not a number")
    if not 0 < value <= LONGEST_WATERING_S:
        raise RequestRefused(f"{op}: seconds ({str(value)[:20]}) is not above 0 and at most {LONGEST_WATERING_S:g}")
    return float(value)


def _depth_mm(op: str, value: Any) -> float:
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if not is_number or not 0 < value <= DEEPEST_MM:
        raise RequestRefused(f"{op}: depth_mm ({str(value)[:20]}) is not above 0 and at most {DEEPEST_MM:g}")
    return float(value)


def _kind(op: str, value: Any) -> str:
    kinds = {"hold": HOLD_KINDS, "guide": GUIDED_TESTS}.get(op, (*HOLD_KINDS, RAIN_KIND))
    if value not in kinds:
        raise RequestRefused(f"{op}: kind ({str(value)[:20]!r}) is not known; it is one of {', '.join(kinds)}")
    return str(value)


def _until(op: str, value: Any) -> datetime:
    try:
        until = datetime.fromisoformat(value)
    except (TypeError, ValueError):
        raise RequestRefused(f"{op}: until is not an ISO 8601 time such as 2027-06-01T06:00:00+02:00") from None
    if until.tzinfo is None:
        raise RequestRefused(f"{op}: until ({value}) has no offset; write for instance {value}+00:00")
    return until


def _percent(op: str, value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= HIGHEST_PERCENT:
        raise RequestRefused(f"{op}: percent ({str(value)[:20]}) is not a number from 0 to {HIGHEST_PERCENT:g}")
    return float(value)


def _name(name: str) -> Callable[[str, Any], str]:
    """Text that may not be empty: what a record would be worth nothing without."""
    read = _text(name)

    def check(op: str, value: Any) -> str:
        if not read(op, value).strip():
            raise RequestRefused(f"{op}: {name} is empty; it is recorded, so say it")
        return str(value).strip()

    return check


def _flag(op: str, value: Any) -> bool:
    if not isinstance(value, bool):
        raise RequestRefused(f"{op}: against_rule is not true or false")
    return value


def _answer(op: str, value: Any) -> str:
    if value not in ("", "yes", "no"):
        raise RequestRefused(f"{op}: answer ({str(value)[:20]!r}) is not yes or no")
    return str(value)


_CHECKS: Mapping[str, Callable[[str, Any], Any]] = {
    "zone": _zone,
    "seconds": _seconds,
    "until": _until,
    "reason": _text("reason"),
    "kind": _kind,
    "depth_mm": _depth_mm,
    "program": _text("program"),
    "percent": _percent,
    "by": _text("by"),
    "against_rule": _flag,
    "target": _name("target"),
    "rule": _text("rule"),
    "number": _name("number"),
    "stage": _text("stage"),
    "answer": _answer,
}
