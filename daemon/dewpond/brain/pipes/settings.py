"""What the owner knows of a supply: its meter, its zones, and how rarely a false alarm is welcome."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from dewpond.science.change_detection import PULSES_FOR_A_VERDICT, width_for_budget

# Goal for the whole pipe watch, of which each in-run and each run-level test gets its share. [1/(zone year)]
FALSE_ALARMS_A_ZONE_YEAR = 0.001
# Openings a zone sees in a long season; two sides are tested in each. Common practice, no source.
TESTS_A_ZONE_YEAR = 400.0
# Reports missing for this many heartbeats: nothing can be said about the time between.
LOST_HEARTBEATS = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterSettings:
    """One meter. Below ``q1_l_min`` nothing is promised (ISO 4064-1); ``q3_l_min`` is its permanent flow.

    ``shared``: others draw behind it too. ``row_s``: how often it reports while a valve is open; idle it reports each
    pulse at once and otherwise every ``heartbeat_s``.
    """

    pulse_l: float
    q1_l_min: float
    q3_l_min: float
    shared: bool = False
    row_s: float = 10.0
    heartbeat_s: float = 300.0

    @property
    def lost_s(self) -> float:
        """A row that covers more than this says that the clock leapt or reports were lost. [s]"""
        return LOST_HEARTBEATS * self.heartbeat_s

    @property
    def verdict_l(self) -> float:
        """Litres too many or too few that a count can prove. [L]"""
        return PULSES_FOR_A_VERDICT * self.pulse_l


# More than this times usual is a break or a head that is gone; less may be a crack. Common practice, no source; EPANET
# runs of a garden and a campus: a head that is gone adds 57 to 113 %, a broken lateral 111 to 284 %.
BREAK_FACTOR = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneLimits:
    """How the watch may act on one zone: the usual unless the site file says otherwise."""

    break_factor: float = BREAK_FACTOR
    suspicion_stops: bool = False
    grace_s: float = 0.0


USUAL_LIMITS = ZoneLimits()


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchSettings:
    """One supply under watch: its meter, runs before a zone is known, and the false alarms allowed.

    ``limits`` by zone, where the site file says anything of them; ``idle_l`` closes everything, None never. [L]
    """

    meter: MeterSettings
    limits: Mapping[str, ZoneLimits] = field(default_factory=dict)
    idle_l: float | None = None
    runs_to_know: int = 3
    false_alarms_a_zone_year: float = FALSE_ALARMS_A_ZONE_YEAR

    def limits_of(self, zone: str | None) -> ZoneLimits:
        """The limits of a zone."""
        return self.limits.get(zone or "", USUAL_LIMITS)

    @property
    def runs_to_miss(self) -> int:
        """Runs before too little water has a meaning: others' water in the first runs makes a zone look larger."""
        return self.runs_to_know * (2 if self.meter.shared else 1)

    @property
    def width(self) -> float:
        """Standard deviations a single test allows. [-]"""
        return float(width_for_budget(TESTS_A_ZONE_YEAR, self.false_alarms_a_zone_year))
