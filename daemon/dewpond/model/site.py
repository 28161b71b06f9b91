"""What stands in the ground and what is allowed: the validated, frozen description of one site.

Built by ``dewpond.settings`` from a site file; nothing else makes these. Quantities carry their unit in the name.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, time
from enum import StrEnum
from typing import Any

from dewpond.model.hours import DayRule, Hours, Restriction, SiteEvent, Watering


class HeadKind(StrEnum):
    """Kinds of heads and emitters, in the trade's own words."""

    SPRAY = "spray"
    ROTOR = "rotor"
    ROTARY_NOZZLE = "rotary nozzle"
    IMPACT = "impact"
    BUBBLER = "bubbler"
    POINT_EMITTER = "point emitter"
    DRIP_LINE = "drip line"
    MICRO_SPRAY = "micro-spray"


OVERHEAD_KINDS = frozenset(
    {HeadKind.SPRAY, HeadKind.ROTOR, HeadKind.ROTARY_NOZZLE, HeadKind.IMPACT, HeadKind.MICRO_SPRAY}
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pump:
    """A supply's pump as its maker and its well allow; None where nothing is stated.

    The pump runs only while water can flow: it starts once its zones are open, and stops ``stops_before_s`` before the
    last of them is told to close.
    """

    output: int
    least_flow_l_min: float = 0.0
    greatest_flow_l_min: float | None = None
    starts_an_hour: int | None = None
    rest_s: float = 0.0
    daily_l: float | None = None
    low_water: str | None = None  # sensor id, true while the water is low
    stops_before_s: float = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PipeLimits:
    """How the pipe watch may act, where the site file says so; None takes the supply's word, and then the usual one.

    ``stop_above`` is the share over its usual flow at which a zone is stopped as broken, ``suspicion_stops`` whether a
    mere suspicion of too much water stops and blocks it, ``grace_s`` how long after opening nothing is called too much.
    ``idle_l``, of a supply only, is how much may flow with every valve shut before all is closed. [L]
    """

    stop_above: float | None = None
    suspicion_stops: bool | None = None
    grace_s: float | None = None
    idle_l: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Supply:
    """Where water comes from, and how much of it at once."""

    id: str
    source: str
    capacity_l_min: float | None
    static_pressure_kpa: float | None = None
    meter: str | None = None
    pressure: str | None = None
    master_output: int | None = None
    master_close_output: int | None = None  # gives the closing pulse of a latching master valve
    shared_with_house: bool = False
    rain_switch: str | None = None  # sensor id, wet while true
    rain_switch_in_common: bool = False  # wired in the common of the valves, so nothing can be read
    meter_pulse_l: float | None = None  # None: the scale of the meter's counter
    meter_least_flow_l_min: float | None = None  # Q1, below which the meter promises nothing
    meter_greatest_flow_l_min: float | None = None  # Q3, its permanent flow
    meter_row_s: float = 10.0  # how often it reports while water flows
    master_lead_s: float = 2.0  # how long the master valve is open before the first zone
    master_lag_s: float = 5.0  # and after the last
    pipe_diameter_mm: float | None = None  # inside, of the main
    velocity_limit_m_s: float = 1.524  # 5 ft/s
    pump: Pump | None = None
    pipe_length_m: float | None = None  # of the main, to its farthest valve
    backflow: str | None = None  # kind of backflow preventer, "none" where there is none; None: not told
    watch: PipeLimits = field(default_factory=PipeLimits)


@dataclass(frozen=True, slots=True, kw_only=True)
class Heads:
    """A group of like heads or emitters in one zone; flow is that of one head."""

    kind: HeadKind
    count: int
    flow_l_min: float | None = None
    radius_m: float | None = None
    arc_deg: float | None = None
    rated_pressure_kpa: float | None = None
    wetted_m2: float | None = None  # ground that one emitter wets
    spacing_m: float | None = None  # between neighbours
    regulated: bool = False  # each holds its own rated pressure
    check_valve: bool = False  # each holds the water in its line


@dataclass(frozen=True, slots=True, kw_only=True)
class Dormancy:
    """The part of the year a zone rests, as (month, day), both ends included; it may pass the turn of the year.

    A net depth of ``depth_mm`` every so many days keeps the crowns alive; 0 is none.
    """

    first: tuple[int, int]
    last: tuple[int, int]
    depth_mm: float = 0.0
    every_days: float = 0.0

    def includes(self, day: date) -> bool:
        """Whether a calendar date lies in it."""
        at = (day.month, day.day)
        if self.first <= self.last:
            return self.first <= at <= self.last
        return at >= self.first or at <= self.last


@dataclass(frozen=True, slots=True, kw_only=True)
class Cooling:
    """Short runs in the heat of the day, at most ``most`` of them within local hours that do not cross midnight."""

    above_c: float
    seconds: float
    most: int
    hours: Hours


@dataclass(frozen=True, slots=True, kw_only=True)
class DeepWatering:
    """A depth and an interval of a zone's own, for deep and slow watering of trees; net, over the zone's area."""

    depth_mm: float
    every_days: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Exemption:
    """Leave that a person was given to water new plants where a restriction would not allow it, both as recorded."""

    reason: str
    until: date


@dataclass(frozen=True, slots=True, kw_only=True)
class Establishment:
    """The time in which new plants root, from and until local dates, both included.

    ``start_share`` is the share of the final root depth on the first day. Water for new trees is counted in litres:
    ``litres`` for each of ``trees`` every so many days; 0 for every other kind.
    """

    kind: str  # "seed", "overseeding", "plugs", "sod" or "root ball"
    first: date
    last: date
    start_share: float
    starts_per_day: int = 3
    exemption: Exemption | None = None
    litres: float = 0.0
    trees: int = 0
    every_days: float = 1.0

    def share_of_depth(self, day: date) -> float:
        """Share of the final root depth that roots have reached on a date: linear from the first day to the last."""
        if not self.first <= day <= self.last:
            return 1.0
        grown = (day - self.first).days / max(1, (self.last - self.first).days)
        return self.start_share + (1.0 - self.start_share) * grown


@dataclass(frozen=True, slots=True, kw_only=True)
class Zone:
    """One valve and the ground it waters, with every number the balance needs already resolved.

    ``raw_mm`` is the readily available water at the tabulated depletion share; where ``raw_is_given`` the site file
    stated it (or the storage it came from) and it is never adjusted by the day's ETc. ``raw_mm = allowed_depletion *
    taw_mm`` always. ``crop_coefficient`` holds twelve values, January first; a plant factor is twelve equal ones.
    ``notes`` says where each number that was not written in the site file came from.
    """

    id: str
    name: str
    supply: str
    output: int
    area_m2: float
    overhead: bool
    method: str  # head kind that rules caps: "spray", "rotor", "drip" or "bubbler"
    crop_coefficient: tuple[float, ...]
    exposure: float
    taw_mm: float
    raw_mm: float
    raw_is_given: bool
    allowed_depletion: float
    application_rate_mm_h: float
    efficiency: float
    intake_mm_h: float
    surface_storage_mm: float
    flow_l_min: float
    rule: str = "refill"  # "refill", "calendar", or the name of a rule plug-in
    plants: str | None = None
    soil: str | None = None
    root_depth_mm: float | None = None
    available_water_mm_m: float | None = None
    slope_pct: float = 0.0
    heads: tuple[Heads, ...] = ()
    notes: Mapping[str, str] = field(default_factory=dict)
    day_cap_s: float | None = None  # None: from the zone's own refill time
    week_cap_s: float | None = None
    dormant: Dormancy | None = None
    wetted_share: float = 1.0  # of the area; storage, intake and rain count only there and are scaled by it already
    canopy_share: float = 1.0  # canopy over area; the crop coefficients are scaled by it already
    deep_watering: DeepWatering | None = None
    establishment: Establishment | None = None
    cooling: Cooling | None = None
    bare_soil: float | None = None  # share of exposed soil; the crop coefficient then is the basal one (Kcb)
    rew_mm: float = 9.0  # readily and total evaporable water of the top soil, a loam's, FAO-56 Table 19
    tew_mm: float = 19.0
    interception_mm: float = 1.0  # what leaves hold of one rain
    curve_number: float = 74.0  # of runoff by the day, where rain is split
    close_output: int | None = None  # gives the closing pulse of a latching valve; None shuts without current
    minimum_run_s: float = 0.0  # a night's watering below it waits for the next night
    lateral_diameter_mm: float | None = None  # inside, of the pipe from valve to heads
    lateral_length_m: float | None = None
    rise_m: float | None = None  # its highest head above where the supply's pressure was read
    watch: PipeLimits = field(default_factory=PipeLimits)


@dataclass(frozen=True, slots=True, kw_only=True)
class Program:
    """A fixed set of start times for zones under the ``calendar`` rule; minutes before ``percent`` is applied.

    Where ``percent_from_et`` the percent follows the weather: recent ETc against that of ``set_for_eto_mm_d`` of
    reference ET, or of the usual weather of ``set_for_month`` (1 is January), for which the minutes were set.
    """

    name: str
    zone_minutes: Mapping[str, float]
    starts: tuple[time, ...]
    days: DayRule
    percent: float = 100.0
    percent_from_et: bool = False
    set_for_eto_mm_d: float | None = None
    set_for_month: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    """One mapping from messages to readings; ``mapping`` keeps the decoding keys as written (already validated)."""

    id: str
    kind: str  # rain soil_moisture flow pressure temperature humidity wind solar switch other
    topic: str
    zone: str | None = None
    mapping: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Feed:
    """A weather feed; ``options`` are the keys of its own kind."""

    kind: str
    options: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Relays:
    """The relay hardware: driver name, number of outputs (counted from 1), and the driver's own keys."""

    driver: str
    outputs: int
    options: Mapping[str, Any] = field(default_factory=dict)
    valves: str = "normally closed"  # or "latching", "two-wire": what hangs on them where nothing else is said
    stored_energy: bool = False  # an actuator closes latching valves by itself when power fails


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """Everything a site file says. ``path`` and ``digest`` identify the file it came from."""

    name: str
    slug: str  # the name as it stands in MQTT topics and file names
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    timezone: str
    units: str  # "metric" or "us"
    watering: Watering
    restrictions: tuple[Restriction, ...]
    supplies: tuple[Supply, ...]
    relays: Relays
    zones: tuple[Zone, ...]
    programs: tuple[Program, ...]
    sensors: tuple[Sensor, ...]
    feeds: tuple[Feed, ...]
    path: str = ""
    digest: str = ""
    events: tuple[SiteEvent, ...] = ()
    prove_zones: bool = False  # a zone that nobody has signed off never runs by schedule

    def supply(self, supply_id: str) -> Supply:
        """The supply with this id. Raises KeyError for an unknown one."""
        for supply in self.supplies:
            if supply.id == supply_id:
                return supply
        raise KeyError(supply_id)
