"""What people have declared about the rules of the place: the stage in force, exemptions, and insisting on a run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime


@dataclass(frozen=True, kw_only=True)
class StageState:
    """The stage of restriction a person declared; an empty name is none. Without ``until`` it lasts until the next."""

    name: str
    who: str
    reason: str
    since: datetime
    until: datetime | None = None


@dataclass(frozen=True, kw_only=True)
class ExemptionState:
    """Leave to pass over restrictions, as a person recorded it; it ends by itself.

    ``target`` is a zone id, a supply id, a way of watering or "all". An empty ``rule`` is every restriction that
    applies and the site's watering days, but no complete stop: that one is passed over by its own name only.
    """

    target: str
    who: str
    reason: str
    since: datetime
    until: datetime
    rule: str = ""


@dataclass(frozen=True, kw_only=True)
class PlaceState:
    """What stands now. Without ``stage`` the site file says which is in force."""

    stage: StageState | None = None
    exemptions: Mapping[str, ExemptionState] = field(default_factory=dict)  # by number, as text
    recorded: int = 0  # exemptions so far


@dataclass(frozen=True, kw_only=True)
class Insisted:
    """A person had a zone watered by hand against rules of the place: which, who and why."""

    rules: tuple[str, ...]
    who: str
    reason: str


@dataclass(frozen=True, kw_only=True)
class CarriedState:
    """What one zone could not be given for want of room: brought into a night, and left over by it. [s]"""

    night: date
    brought_s: float = 0.0
    left_s: float = 0.0
    rule: str = ""  # by which it was chosen


NOTHING_DECLARED = PlaceState()
