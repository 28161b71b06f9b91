"""What the brain remembers between steps. Plain data: it goes into snapshots and comes back equal."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime

import numpy as np
from numpy.typing import NDArray

from dewpond.brain.attended_state import AttendedState
from dewpond.brain.belief.state import BeliefState
from dewpond.brain.guided_state import GuidedState
from dewpond.brain.hint_state import HintState
from dewpond.brain.pipes.state import WatchState
from dewpond.brain.place_state import CarriedState, Insisted, PlaceState
from dewpond.brain.proving_state import ProvingState
from dewpond.brain.pump_state import PumpState
from dewpond.brain.rules.forecasts import Source
from dewpond.brain.rules.plugged_state import Word
from dewpond.model.events import KeeperLock
from dewpond.model.reasons import ZoneReason
from dewpond.model.states import Ending, ValveState


@dataclass(frozen=True, slots=True, kw_only=True)
class EtoFact:
    """Reference ET of one day, as told or as assumed."""

    eto_mm: float
    method: str
    sd_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Booking:
    """Water one opening brought to one zone on one calendar date, at the share of the day's ET already past."""

    zone: int
    date: date
    et_share: float
    net_mm: float
    runoff_mm: float
    why: str = ""
    metered_share: float | None = None  # of what the site file says, by a meter that saw this zone alone


@dataclass(frozen=True, kw_only=True)
class SoilState:
    """The ledger of every zone: closed up to the evening before ``day``, open from there on.

    ``depletion_mm`` is missing from field capacity at the end of the day before ``day``. ``surface_mm`` is the water
    standing on the ground at ``surface_at_s`` (seconds since 1970). Weather maps hold open days and a short past.
    The ``record_`` arrays are what was measured here, day by day (numbers since 1970-01-01), for the weather to expect;
    ``rain_days`` counts the days whose rain was measured. ``stress_memory`` is each zone's days of stress, each
    fading with time; zones that had none are not in it.
    """

    zone_ids: tuple[str, ...]
    day: date | None
    ended: date | None
    depletion_mm: NDArray[np.float64]
    surface_mm: NDArray[np.float64]
    surface_at_s: NDArray[np.float64]
    bookings: tuple[Booking, ...] = ()
    eto: Mapping[date, EtoFact] = field(default_factory=dict)
    rain: Mapping[date, float] = field(default_factory=dict)
    rain_missing: frozenset[date] = frozenset()
    recent_eto_mm: tuple[float, ...] = ()
    record_day: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    record_eto_mm: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    record_rain_mm: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    rain_days: int = 0
    stress_memory: Mapping[str, float] = field(default_factory=dict)
    layer_mm: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))  # evaporating layer of bare soil
    rain_hours: Mapping[date, tuple[float, ...]] = field(default_factory=dict)  # by local hour, where known


@dataclass(frozen=True, kw_only=True)
class Opening:
    """One opening of one valve, from plan to closing.

    ``start_s`` is wall time in seconds since 1970; ``latest_end_s`` the end of the allowed interval it stands in.
    ``opened_elapsed_s`` counts the duration, never the wall clock.
    """

    run_id: str
    zone: str
    supply: str
    output: int
    source: str
    window_date: date
    start_no: int
    start_s: float
    seconds: float
    latest_end_s: float
    flow_l_min: float
    gross_mm: float
    state: ValveState = ValveState.WAITING
    by_hand: bool = False
    resumed: bool = False
    opened_at: datetime | None = None
    opened_elapsed_s: float = 0.0
    asked_elapsed_s: float = 0.0
    not_before_elapsed_s: float = 0.0
    close_cause: str = ""
    ending: Ending = Ending.BROKEN_OFF  # what kind of end ``close_cause`` is
    metered_l: float = 0.0
    unfed: bool = False  # the meter proved that no water passed
    cause: str = ""
    extra: bool = False  # besides the night's plan, such as a cooling run: no planning moves or counts it
    insisted: Insisted | None = None  # by hand, against rules of the place

    @property
    def key(self) -> tuple[str, str, date, int]:
        """The key of its plan row: no local night holds a second opening of this key."""
        return self.zone, self.source, self.window_date, self.start_no


@dataclass(frozen=True, kw_only=True)
class MasterState:
    """A supply's master valve while zones of that supply run."""

    run_id: str
    output: int
    until_elapsed_s: float
    opened_elapsed_s: float = float("-inf")
    hold_until_s: float = float("inf")  # elapsed time at which it closes, once no zone of its supply is open


@dataclass(frozen=True, slots=True)
class SensorState:
    """The last word of one sensor."""

    at_s: float
    value: float
    rejected: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class NightState:
    """The night being planned or watered: its window in wall seconds since 1970."""

    window_date: date
    opens_s: float
    closes_s: float
    stopped_zones: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldState:
    """A person's hold on what the schedule would do, on the whole site or on one zone."""

    until: datetime
    who: str
    reason: str
    kind: str = "other"


@dataclass(frozen=True, slots=True, kw_only=True)
class CooledState:
    """A zone's cooling runs of one local date: how many were begun, and when the last. [s since 1970]"""

    day: date
    runs: int
    last_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PercentState:
    """A person's percent of a program's minutes, in place of the site file's."""

    percent: float
    who: str
    since: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterInState:
    """One watering that a person asked for: what is left of it, net, and the time it is wanted by."""

    net_mm: float
    who: str
    by: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmState:
    """One open incident."""

    key: str
    since: datetime
    kind: str
    zone: str | None
    sentence: str


@dataclass(frozen=True, kw_only=True)
class PipeMemory:
    """The watch over one supply's pipes; ``lost`` counts how often in a row the supply had no pressure.

    ``idle_l`` are the litres of an idle flow that has been told, as far as every valve was shut; ``dead`` counts by
    zone how often in a row it was opened and passed no water.
    """

    watch: WatchState
    last_row_s: float = 0.0
    lost: int = 0
    idle_l: float = 0.0
    dead: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class PipeBlock:
    """Nothing opens here by schedule, for a fault of the pipes; without ``until`` a person or evidence ends it."""

    alarm: str
    why: str
    until: datetime | None = None
    behind_master: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnedBack:
    """How often the wall clock was set back while nights up to ``until`` had been named by it."""

    times: int = 0
    until: date | None = None


@dataclass(frozen=True, kw_only=True)
class State:
    """Everything the brain knows.

    ``openings`` are tonight's that are still to come or running, in order of start; ``finished`` those that are over.
    """

    soil: SoilState
    openings: tuple[Opening, ...] = ()
    orphans: tuple[Opening, ...] = ()  # of zones that the site file has given up, until they are on record
    finished: tuple[Opening, ...] = ()
    masters: Mapping[str, MasterState] = field(default_factory=dict)
    night: NightState | None = None
    holds: Mapping[str, HoldState] = field(default_factory=dict)  # by zone ("": whole site) and "/" kind
    reasons: Mapping[str, ZoneReason] = field(default_factory=dict)
    day_reasons: Mapping[date, tuple[str, ...]] = field(default_factory=dict)
    sensors: Mapping[str, SensorState] = field(default_factory=dict)
    supply_flow_l_min: Mapping[str, float] = field(default_factory=dict)
    alarms: Mapping[str, AlarmState] = field(default_factory=dict)
    keeper_session: str = ""
    keeper_ready: bool = False
    broker_connected: bool | None = None
    hand_runs: int = 0
    starts_s: tuple[float, ...] = ()  # of the daemon in the last minutes, by the elapsed clock
    calm_from_s: float = float("-inf")  # elapsed time before which nothing opens by schedule, after many starts
    last_runs: Mapping[str, tuple[float, float]] = field(default_factory=dict)  # zone -> (end_s, gross_mm)
    flow_told_s: Mapping[str, float] = field(default_factory=dict)
    site_digest: str = ""
    belief: BeliefState | None = None
    pipes: Mapping[str, PipeMemory] = field(default_factory=dict)  # by supply id
    blocked: Mapping[str, PipeBlock] = field(default_factory=dict)  # by zone id, or "supply/" and a supply's id
    clock_set_s: float = float("-inf")  # elapsed time at which the wall clock was last set
    turned_back: TurnedBack = field(default_factory=TurnedBack)  # dates that come again, whose runs have names
    forecasts: Mapping[str, Source] = field(default_factory=dict)  # by source, the last of each
    rule_words: Mapping[str, Word] = field(default_factory=dict)  # by rule plug-in, the last question to each
    percents: Mapping[str, PercentState] = field(default_factory=dict)  # by program, where a person changed it
    water_ins: Mapping[str, WaterInState] = field(default_factory=dict)  # by zone id
    wet_since_s: Mapping[str, float] = field(default_factory=dict)  # by rain switch, while it is wet
    cooled: Mapping[str, CooledState] = field(default_factory=dict)  # by zone id, of the last date with runs
    ran: Mapping[str, tuple[tuple[float, float], ...]] = field(default_factory=dict)  # zone -> (start_s, seconds)
    locks: tuple[KeeperLock, ...] = ()  # as the keeper last told, the oldest first
    stops_known: tuple[str, ...] = ()  # people's stops at the keeper that were taken up, by id
    place: PlaceState = field(default_factory=PlaceState)  # stage and exemptions that people have declared
    carried: Mapping[str, CarriedState] = field(default_factory=dict)  # by zone id, where a night was too small
    pumps: Mapping[str, PumpState] = field(default_factory=dict)  # by supply id
    attended: AttendedState = field(default_factory=AttendedState)  # mains that people keep open beside them
    guided: GuidedState = field(default_factory=GuidedState)  # tests that people are led through
    hints: HintState = field(default_factory=HintState)  # of lost water where there is no meter
    proving: ProvingState = field(default_factory=ProvingState)  # zones that are commissioned, and those signed off

    def hold_on(self, zone: str) -> HoldState | None:
        """The hold that lasts longest of those on this zone and on the whole site, or None."""
        return max(self.holds_on(zone), key=lambda hold: hold.until, default=None) if self.holds else None

    def holds_on(self, zone: str) -> list[HoldState]:
        """All holds on this zone and on the whole site."""
        return [hold for key, hold in self.holds.items() if key.partition("/")[0] in ("", zone)]

    def block_on(self, zone: str, supply: str) -> PipeBlock | None:
        """The fault of the pipes that keeps this zone shut by schedule, or None."""
        return self.blocked.get(zone) or self.blocked.get(f"supply/{supply}")
