"""What the brain remembers of guided tests: which step a person is at, what was counted, what was seen by eye."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

# Steps, by what the valves do: all shut; the master alone open; the same, with one zone shut by hand as well; a zone
# run; the minutes after it; a look by a person before anything runs.
SHUT, OPEN, ISOLATE, RUN, AFTER, LOOK = "shut", "open", "isolate", "run", "after", "look"
UNDER_WATER = frozenset({OPEN, ISOLATE, AFTER})  # steps with the main under water and every zone shut
LEASED = UNDER_WATER | {SHUT}  # steps during which no zone of the supply opens


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step, of one zone where it is a zone's."""

    name: str
    zone: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Count:
    """Litres of the meter's reports from ``from_s`` on [s since 1970], and the seconds that those reports cover."""

    from_s: float
    litres: float = 0.0
    seconds: float = 0.0
    kpa_first: float | None = None
    kpa_last: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What a step came to. ``litres`` is None without a meter, ``saw`` a person's "yes", "no" or "" for no answer.

    ``seconds`` are those the count covers, or that a person looked; ``after_s`` the time since the zone had closed.
    """

    step: Step
    seconds: float
    litres: float | None = None
    saw: str = ""
    kpa_drop: float | None = None
    note: str = ""
    after_s: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Guided:
    """One supply's test: its steps and the place among them.

    ``count`` is None while something is to be done first, or where there is no meter. ``wants_s`` is how long a step
    is measured. Elapsed times: ``said_s`` when its person last said something, ``limit_s`` when a step without a main
    under water is given up, ``since_s`` when the step began to count, ``heard_s`` of the meter's last report.
    ``run_id`` is the zone's opening; ``thin`` counts towards a pump that gets too little.
    """

    kind: str
    who: str
    reason: str
    began_at: datetime
    began_s: float
    steps: tuple[Step, ...]
    wants_s: float
    said_s: float
    place: int = 0
    count: Count | None = None
    found: tuple[Found, ...] = ()
    since_s: float = float("inf")
    limit_s: float = float("inf")
    run_id: str = ""
    saw: str = ""
    thin: Count | None = None
    heard_s: float = float("-inf")
    note: str = ""

    @property
    def step(self) -> Step:
        """The step it is at."""
        return self.steps[self.place]


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """How the last test of a supply came out."""

    kind: str
    at: datetime
    text: str
    confidence: str


@dataclass(frozen=True, kw_only=True)
class GuidedState:
    """Tests that go on, and the last result of each supply; both by supply id."""

    tests: Mapping[str, Guided] = field(default_factory=dict)
    results: Mapping[str, Result] = field(default_factory=dict)
