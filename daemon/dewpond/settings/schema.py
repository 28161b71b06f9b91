"""The tables of a site file, key by key. An unknown key is a typo, not a comment.

One table is checked at a time; what several tables must agree on is checked in ``agreement``.
"""

from __future__ import annotations

from typing import Annotated, Any, ClassVar

from pydantic import BaseModel, ConfigDict, Field, PlainValidator, field_validator

from dewpond.settings import fields as f
from dewpond.settings.addresses import parse_board, parse_broker
from dewpond.settings.plugins import BUILT_IN_RULES
from dewpond.settings.quantities import shown

ZONE_ID = r"[a-z0-9][a-z0-9_-]*"
SENSOR_ID = r"[a-z0-9][a-z0-9_.-]*"
RESERVED_IDS = ("overhead", "drip", "all")
RULE_NAMES = BUILT_IN_RULES  # every other name is a plug-in's
EIGHTY_PERCENT = "80 percent"
INFILTRATION = "infiltration"

# Keys that stand for work not done yet: refused plainly, so that nobody relies on them.
NOT_YET = {
    "pump_output": "a pump has a table of its own, [supply.pump] with output and more",
    "pump_start_delay": "a pump starts once its zones are open, and needs no delay",
}


class Table(BaseModel):
    """Base of all tables. ``STAND_INS`` replace refused values of needed keys while the rest is compared."""

    STAND_INS: ClassVar[dict[str, Any]] = {}
    model_config = ConfigDict(frozen=True, extra="forbid")


def _id(pattern: str, allowed: str) -> PlainValidator:
    def read(value: Any) -> str:
        if isinstance(value, str) and f.matches(pattern, value) and len(value) <= 64 and value not in RESERVED_IDS:
            return value
        limit = f"an id has at most 64 {allowed}, and is none of {', '.join(RESERVED_IDS)}"
        raise f.refusal(f"{shown(value)} cannot be an id", limit, f.suggested_id(value))

    return PlainValidator(read)


Id = Annotated[str, _id(ZONE_ID, "lower-case letters, digits, hyphens and underscores")]
SensorId = Annotated[str, _id(SENSOR_ID, "lower-case letters, digits, hyphens, underscores and points")]


class SiteTable(Table):
    """``[site]``: where the ground is and how its people count."""

    name: f.Text
    latitude: f.Latitude
    longitude: f.Longitude
    elevation: f.Elevation | None = None
    timezone: f.TimeZone
    units: f.Units = "metric"
    slug: Id | None = None
    climate: f.Climate | None = None
    prove_zones: f.Flag = False


class RainHoldTable(Table):
    """``rain_hold``: a day with this much rain holds the schedule for some days."""

    after: f.RainDepth
    days: Annotated[int, Field(strict=True, ge=1, le=14)]


class WateringTable(Table):
    """``[watering]``: when water may run unless a restriction is stricter."""

    window: f.ClockHours | None = None
    days: f.Days | None = None
    max_open: f.Whole = 1
    rain_hold: RainHoldTable | None = None
    wind_limit: f.WindLimit | None = None
    freeze_limit: f.FreezeLimit | None = None
    rain_method: Annotated[str, f.one_of(EIGHTY_PERCENT, INFILTRATION)] = EIGHTY_PERCENT
    minimum_run: f.MinimumRun | None = None
    closed_dates: f.ClosedDates = ()
    stages: tuple[f.Text, ...] = ()
    stage: f.Text | None = None


class RestrictionTable(Table):
    """``[[restriction]]``: a watering rule of the place."""

    STAND_INS: ClassVar[dict[str, Any]] = {"applies_to": "all"}
    applies_to: f.Words
    days: f.Days | None = None
    hours: f.ClockHours | None = None
    from_: Annotated[f.DateOrDay | None, Field(alias="from")] = None
    until: f.DateOrDay | None = None
    name: f.Text | None = None
    method: f.RestrictedMethods | None = None
    stage: f.Words | None = None
    stop: f.Flag = False


class EventTable(Table):
    """``[[event]]``: people on the ground, where nothing runs by schedule meanwhile."""

    STAND_INS: ClassVar[dict[str, Any]] = {"name": "refused"}
    name: f.Text
    applies_to: f.Words = frozenset({"all"})
    date: f.DateOrDay | None = None
    from_: Annotated[f.DateOrDay | None, Field(alias="from")] = None
    until: f.DateOrDay | None = None
    days: f.Days | None = None
    hours: f.ClockHours | None = None


class WatchTable(Table):
    """``watch``: how the pipe watch may act on a zone, or on every zone of a supply."""

    stop_above: f.OverUsual | None = None
    on_suspicion: f.OnSuspicion | None = None
    grace: f.Grace | None = None


class SupplyWatchTable(WatchTable):
    """``watch`` of a supply."""

    idle_limit: f.IdleVolume | None = None


class PumpTable(Table):
    """``[supply.pump]``: the pump of a supply, as its maker and its well allow."""

    output: f.Output
    least_flow: f.Capacity | None = None
    greatest_flow: f.Capacity | None = None
    starts_an_hour: f.PumpStarts | None = None
    rest: f.PumpRest = 0.0
    litres_a_day: f.PumpVolume | None = None
    low_water: f.Text | None = None
    stops_before: f.PumpStop = 5.0


class SupplyTable(Table):
    """``[[supply]]``: where water comes from and how much of it at once."""

    STAND_INS: ClassVar[dict[str, Any]] = {"id": "refused"}
    id: Id
    source: f.Source = "potable"
    capacity: f.Capacity | None = None
    static_pressure: f.Pressure | None = None
    meter: f.Text | None = None
    pressure: f.Text | None = None
    master: f.Output | None = None
    master_valve: f.ValveKind | None = None
    master_close_output: f.Output | None = None
    shared_with_house: f.Flag = False
    rain_switch: f.Text | None = None
    meter_pulse: f.Pulse | None = None
    meter_least_flow: f.MeterFlow | None = None
    meter_greatest_flow: f.MeterFlow | None = None
    meter_interval: f.MeterTime | None = None
    master_lead: f.MasterTime | None = None
    master_lag: f.MasterTime | None = None
    pipe_diameter: f.PipeDiameter | None = None
    velocity_limit: f.PipeVelocity | None = None
    pump: PumpTable | None = None
    pipe_length: f.PipeLength | None = None
    backflow: f.Backflow | None = None
    watch: SupplyWatchTable | None = None


class RelaysTable(BaseModel):
    """``[relays]``: the hardware. Every other key is the driver's own and goes to it as written."""

    model_config = ConfigDict(frozen=True, extra="allow")
    driver: f.Text
    outputs: f.Whole
    valves: f.BoardValves = "normally closed"
    valve_pulse: f.PulseTime | None = None
    stored_energy: f.Flag = False


class HeadsTable(Table):
    """One group of like heads of a zone; ``flow`` is that of one head."""

    kind: f.Kind
    count: f.Whole
    flow: f.Flow | None = None
    radius: f.Radius | None = None
    arc: f.Arc | None = None
    rated_pressure: f.Pressure | None = None
    wetted: f.Area | None = None
    spacing: f.Radius | None = None
    regulated: f.Flag = False
    check_valve: f.Flag = False


class DeepWateringTable(Table):
    """``deep_watering``: a depth and an interval of the zone's own."""

    depth: f.Storage
    every: f.Interval


class ExemptionTable(Table):
    """``exemption``: leave to water new plants outside what a restriction allows, as it was given."""

    reason: f.Text
    until: f.CalendarDate


class EstablishmentTable(Table):
    """``[zone.establishment]``: new plants, and the time until they have rooted."""

    kind: f.NewPlants
    from_: Annotated[f.CalendarDate, Field(alias="from")]
    until: f.CalendarDate
    root_depth_start: f.StartDepth | None = None
    starts_per_day: Annotated[int | None, Field(strict=True, ge=2, le=5)] = None
    exemption: ExemptionTable | None = None
    litres: f.Volume | None = None
    trees: f.Whole | None = None
    every: f.Interval | None = None


class DormantTable(Table):
    """``dormant``: the part of every year a zone is left dry, both ends included, but for water that saves crowns."""

    from_: Annotated[f.MonthDay, Field(alias="from")]
    until: f.MonthDay
    depth: f.Storage | None = None
    every: f.Interval | None = None


class CoolingTable(Table):
    """``cooling``: short runs in the heat of the day."""

    above: f.HeatLimit
    minutes: f.CoolingMinutes
    most: Annotated[int, Field(strict=True, ge=1, le=4)] = 1
    hours: f.ClockHours


class ZoneTable(Table):
    """``[[zone]]``: one valve and the ground it waters."""

    STAND_INS: ClassVar[dict[str, Any]] = {"id": "refused", "output": 1, "area": "1 m2"}
    id: Id
    name: f.Text | None = None
    supply: f.Text | None = None
    output: f.Output
    area: f.Area
    plants: f.Text | None = None
    plant_factor: f.PlantFactor | None = None
    crop_coefficient: f.TwelveCoefficients | None = None
    exposure: f.Exposure = 1.0
    soil: f.Text | None = None
    available_water: f.AvailableWater | None = None
    root_depth: f.RootDepth | None = None
    allowed_depletion: f.Depletion | None = None
    root_zone_storage: f.Storage | None = None
    slope: f.Slope | None = None
    intake_rate: f.Intake | None = None
    surface_storage: f.Surface | None = None
    heads: tuple[HeadsTable, ...] = ()
    application_rate: f.Rate | None = None
    efficiency: f.Efficiency | None = None
    distribution_uniformity: f.Uniformity | None = None
    method: f.Method | None = None
    rule: f.Text | None = None
    day_cap: f.Cap | None = None
    week_cap: f.Cap | None = None
    dormant: DormantTable | None = None
    species: f.Species | None = None
    density: f.Density | None = None
    microclimate: f.Microclimate | None = None
    wetted_share: f.WettedShare | None = None
    canopy_area: f.Area | None = None
    deep_watering: DeepWateringTable | None = None
    establishment: EstablishmentTable | None = None
    cooling: CoolingTable | None = None
    bare_soil: f.BareSoil | None = None
    valve: f.ValveKind | None = None
    close_output: f.Output | None = None
    minimum_run: f.MinimumRun | None = None
    lateral_diameter: f.PipeDiameter | None = None
    lateral_length: f.PipeLength | None = None
    rise: f.Rise | None = None
    watch: WatchTable | None = None


class ProgramTable(Table):
    """``[[program]]``: fixed start times for zones under the calendar rule."""

    STAND_INS: ClassVar[dict[str, Any]] = {"name": "refused", "zones": {}, "starts": []}
    name: f.Text
    zones: dict[str, f.Minutes]
    starts: tuple[f.ClockTime, ...]
    days: f.Days | None = None
    percent: f.PercentOrEt = 100.0
    set_for: f.DailyEto | None = None
    set_for_month: f.Month | None = None


class SensorTable(Table):
    """``[[sensor]]``: one value of one message. The decoder reads and checks all keys but the first four."""

    STAND_INS: ClassVar[dict[str, Any]] = {"id": "refused", "kind": "other", "topic": "refused"}
    id: SensorId
    kind: f.SensorKind
    topic: f.Text
    zone: f.Text | None = None
    decode: Any = None
    pointer: Any = None
    unit_in: Any = None
    unit_pointer: Any = None
    time: Any = None
    scale: Any = None
    offset: Any = None
    struct: Any = None
    byte: Any = None
    name: Any = None
    column: Any = None
    field: Any = None
    sentinels: Any = None
    range: Any = None
    missing: Any = None
    truth: Any = None
    decimal: Any = None
    rollover: Any = None
    max_step: Any = None
    max_age_s: Any = None
    availability: Any = None
    accumulation: Any = None


class FeedTable(Table):
    """``[[feed]]``: local weather. Which of the keys a kind knows is in ``FEED_KEYS``."""

    kind: f.FeedKind
    url: f.Text | None = None
    contact: f.Text | None = None
    path: f.Text | None = None
    station: f.Text | None = None
    poll: f.PollTime | None = None
    wind_height: f.WindHeight | None = None
    upload: f.Text | None = None
    station_id: f.Text | None = None

    @field_validator("upload")
    @classmethod
    def _is_an_address(cls, value: str | None) -> str | None:
        try:
            address = None if value is None else parse_board(value)
        except ValueError:
            address = None
        if value is not None and address is None:
            limit = "uploads are heard on HOST:PORT of this machine"
            raise f.refusal(f"{shown(value)} is no address to listen on", limit, 'write for instance "0.0.0.0:8089"')
        return value


FEED_KEYS = {
    "open-meteo": {"url", "contact", "poll"},
    "met-norway": {"url", "contact", "poll"},
    "csv": {"path", "station", "poll", "wind_height"},
    "station": {"wind_height", "upload", "station_id"},
}


class ServiceTable(Table):
    """``[service]``: what the environment may also say, and then wins."""

    broker: str | None = None
    board: str | None = None
    database: f.Text | None = None
    contact: f.Text | None = None
    commands: f.Flag = False

    @field_validator("broker", "board")
    @classmethod
    def _is_an_address(cls, value: str | None, info: Any) -> str | None:
        parse = parse_broker if info.field_name == "broker" else parse_board
        try:
            if value is not None:
                parse(value)
        except ValueError as error:
            raise f.refusal(str(error)) from None
        return value
