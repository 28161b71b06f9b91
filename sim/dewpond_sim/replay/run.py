"""One replay: the daemon's brain and loop over a recorded season and a simulated site."""

from __future__ import annotations

import math
import platform
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from importlib.metadata import version
from typing import Any

import numpy as np

from dewpond.adapters.calendar import PolledCalendar, entries_for_site
from dewpond.adapters.rules.in_process import InProcessRules
from dewpond.adapters.store.memory_store import MemoryStore
from dewpond.adapters.system_clock import SystemClock
from dewpond.adapters.weather.forecast_days import season_forecasts
from dewpond.adapters.weather.reference_et import PyetReferenceEt
from dewpond.adapters.weather.season import Season, station_day_end_utc
from dewpond.brain.brain import Brain
from dewpond.brain.local_time import LocalDays
from dewpond.model.events import Event, ForecastKnown, ServiceStarted
from dewpond.model.site import Site
from dewpond.ports import DayWeather, EtoValue
from dewpond.runner.runner import Ports, Runner
from dewpond.settings import plugins
from dewpond_drivers.keeper_core import KeeperCore
from dewpond_sim import forecasts
from dewpond_sim.in_process_keeper import InProcessKeeper, pump_order
from dewpond_sim.replay.garbage import few_collections
from dewpond_sim.replay.results import ReplayRecords, records_of, sensor_doubts, zone_totals
from dewpond_sim.replay.world_ports import SeasonWeather, WorldBus, WorldRelays
from dewpond_sim.replay_clock import ReplayClock
from dewpond_sim.sensor_faults import FaultySensors, SensorFault
from dewpond_sim.world.sky import Sky
from dewpond_sim.world.soil import FloatArray
from dewpond_sim.world.world import Pace, Truth, World

USUAL_WIND_HEIGHT_M = 2.0  # FAO-56's own reference height, where the station file states none
SAMPLE_S = 3600.0  # probes and weather sensors of the simulated site report hourly in a replay
FORECASTS = SEASON, SYNTHETIC, NO_FORECAST = ("season", "synthetic", "none")
KNOWN_BEFORE = timedelta(days=2)  # forecasts issued earlier than this before the start are too old to matter
LATE_DAYS = 2  # a station day ends at most this long after the site's own date


class ReplayRefused(ValueError):
    """Raised when a season and the asked dates do not fit together."""


@dataclass(frozen=True, slots=True)
class Replayed:
    """What came of one replay."""

    records: ReplayRecords
    summary: dict[str, Any]
    store: MemoryStore
    true_depletion_mm: dict[date, FloatArray]  # of every zone at the end of each date


def replay(
    site: Site,
    season: Season,
    *,
    first: date | None = None,
    last: date | None = None,
    rule: str | None = None,
    seed: int = 0,
    forecast: str | Sequence[ForecastKnown] = SEASON,
    truth: Truth | None = None,
    sensor_faults: Sequence[SensorFault] = (),
    rain_feed: bool = True,
) -> Replayed:
    """Replay a season from 00:00 site time of ``first`` to the end of ``last``, both included.

    Every zone starts at field capacity. ``forecast`` is "season" (the season's own forecast.csv, where it has one),
    "synthetic", "none", or forecasts to be told, each at its own ``at``. Raises ReplayRefused when the dates lie
    outside the season. ``truth`` says where the simulated ground differs from the site file, ``sensor_faults`` which
    sensors lie; without ``rain_feed`` a gauge of the site is the only source of rain.
    """
    first, last = _dates(season, first, last)
    _check_rule(rule)
    site = site if rule is None else replace(site, zones=tuple(replace(zone, rule=rule) for zone in site.zones))
    eto = reference_et(season)
    _check_faults(sensor_faults, season)
    told, forecast_name = _forecasts(forecast, site, season, eto, seed)
    started_s = SystemClock().now().elapsed_s
    run = _Run(site, season, eto, first, last, seed, told, truth or Truth(), sensor_faults, rain_feed)
    with few_collections():
        run.go()
    elapsed_s = SystemClock().now().elapsed_s - started_s
    return Replayed(run.records(), {**run.summary(elapsed_s), "forecast": forecast_name}, run.store, run.truth_mm)


def _forecasts(
    asked: str | Sequence[ForecastKnown], site: Site, season: Season, eto: Sequence[EtoValue], seed: int
) -> tuple[Sequence[Event], str]:
    """What the replay is told ahead of time, and its name in the summary."""
    if not isinstance(asked, str):
        return asked, f"given, {len(asked)} issues"
    if asked not in FORECASTS:
        raise ReplayRefused(f"--forecast {asked}: not known here; one of {', '.join(FORECASTS)}")
    if asked == SYNTHETIC:
        made = forecasts.synthetic(season, eto, seed)
        return made, f"{forecasts.SOURCE}, seed {seed}, {len(made)} issues"
    if asked == SEASON and season.forecast:
        return season_forecasts(season.forecast, site.timezone), f"forecast.csv, {len(season.forecast)} rows"
    return (), "none"


def reference_et(season: Season) -> Sequence[EtoValue]:
    """Reference ET of every day of a season, in one batch."""
    station = season.station
    return PyetReferenceEt().days(
        season.days,
        latitude_deg=station.latitude_deg,
        elevation_m=station.elevation_m,
        wind_height_m=station.wind_height_m or USUAL_WIND_HEIGHT_M,
    )


def _dates(season: Season, first: date | None, last: date | None) -> tuple[date, date]:
    known_first, known_last = season.days[0].date, season.days[-1].date
    first, last = first or known_first, last or known_last
    if first > last:
        raise ReplayRefused(f"--from {first} --to {last}: the first date is after the last; exchange the two")
    if not known_first <= first <= last <= known_last:
        raise ReplayRefused(
            f"--from {first} --to {last}: the season holds {known_first} to {known_last}; ask for dates in it"
        )
    return first, last


def _check_rule(rule: str | None) -> None:
    known = plugins.rule_names()
    if rule is not None and rule not in known:
        raise ReplayRefused(f"--rule {rule}: there is no such rule here; there are {', '.join(known)}")


def _check_faults(faults: Sequence[SensorFault], season: Season) -> None:
    recorded = sorted({fault.sensor for fault in faults} & season.readings.keys())
    if recorded:
        raise ReplayRefused(
            f"faults of {', '.join(recorded)}: the season's readings.csv holds what it read, which no fault changes; "
            f"leave the fault or the readings out"
        )


def _gauge(site: Site) -> str | None:
    """The site's first rain gauge that counts what falls."""
    counting = (sensor for sensor in site.sensors if sensor.kind == "rain" and sensor.mapping.get("accumulation"))
    return next((sensor.id for sensor in counting), None)


class _Run:
    """The wiring of one replay; ports of design "one decision core, three worlds"."""

    def __init__(
        self,
        site: Site,
        season: Season,
        eto: Sequence[EtoValue],
        first: date,
        last: date,
        seed: int,
        told: Sequence[Event],
        truth: Truth,
        sensor_faults: Sequence[SensorFault],
        rain_feed: bool,
    ) -> None:
        self.site, self.first, self.last, self.seed = site, first, last, seed
        self.truth_mm: dict[date, FloatArray] = {}
        self._truth = truth
        self.season_name = season.station.name
        days = self._days = LocalDays(site.timezone)
        start = datetime.fromtimestamp(days.start_s(first), UTC)
        self._until_s = self._end(season, days) - start.timestamp()
        self._world_totals: dict[str, dict[str, float]] = {}
        self.clock = ReplayClock(start, end_s=self._until_s)
        self.store = MemoryStore()
        within = [n for n, day in enumerate(season.days) if first <= day.date <= last]
        rows = tuple(season.days[n] for n in within)
        values = tuple(eto[n] for n in within)
        told = [event for event in told if event.at >= start - KNOWN_BEFORE]
        self.world = self._world(rows, values, start.timestamp())
        self.bus = WorldBus(self.world, site, season.readings, FaultySensors(sensor_faults))
        relays = WorldRelays(self.world, site.relays.outputs)
        core = KeeperCore(relays, site.relays.outputs, verify=False, pumps=pump_order(site))
        self.brain = Brain(site)
        self.runner = Runner(
            brain=self.brain,
            state=self.brain.first_state(self.clock.now()),
            ports=Ports(
                clock=self.clock,
                valves=InProcessKeeper(core, lease_s=math.inf, renew_s=math.inf),
                bus=self.bus,
                store=self.store,
                calendar=PolledCalendar(entries_for_site(site)),
                rules=InProcessRules(),
                weather=SeasonWeather(replace(season, days=rows), values, told, _gauge(site), rain_feed),
            ),
        )

    def go(self) -> None:
        now = self.clock.now()
        self.runner.tell(
            ServiceStarted(at=now.wall, site_digest=self.site.digest, version=version("dewpond"), first=True)
        )
        start_s = now.wall.timestamp()
        for ahead in range((self.last - self.first).days + 1):
            day = self.first + timedelta(days=ahead)
            self.runner.run(self._days.end_s(day) - start_s)
            self.truth_mm[day] = self.world.soil.zone_depletion_mm.copy()
        self._world_totals = {zone.id: self._true_totals(number) for number, zone in enumerate(self.site.zones)}
        self.runner.run(self._until_s)

    def records(self) -> ReplayRecords:
        return records_of(self.store, self.site, self.first, self.last)

    def summary(self, elapsed_s: float) -> dict[str, Any]:
        """Totals by zone from the ledger; what the simulated world really did carries ``world_``."""
        records = self.records()
        zones = zone_totals(self.site, records)
        for zone, totals in self._world_totals.items():
            zones[zone].update(totals)
        return {
            "site": self.site.name,
            "season": self.season_name,
            "from": self.first.isoformat(),
            "to": self.last.isoformat(),
            "seed": self.seed,
            "versions": {"dewpond": version("dewpond"), "python": platform.python_version(), "numpy": np.__version__},
            "elapsed_s": round(elapsed_s, 4),
            "flow_readings": self.bus.flow_readings,
            "steps": self.runner.step_no,
            "alarms": len(records.alarms),
            "sensor_doubts": sensor_doubts(self.store),
            "balance_residual_mm": max((zone["balance_residual_mm"] for zone in zones.values()), default=0.0),
            "zones": zones,
            **self._pumps(),
        }

    def _pumps(self) -> dict[str, Any]:
        """How long each pump ran against shut valves, of a site that has any."""
        pumped = [supply.id for supply in self.site.supplies if supply.pump is not None]
        shut_in_s = {supply: round(self.world.shut_in_s.get(supply, 0.0), 3) for supply in pumped}
        return {"world_pump_shut_in_s": shut_in_s} if pumped else {}

    def _true_totals(self, number: int) -> dict[str, float]:
        totals = self.world.soil.totals
        names = ("et_mm", "applied_mm", "net_mm", "runoff_mm", "drainage_mm")
        found = {f"world_{name}": round(float(getattr(totals, name)[number]), 3) for name in names}
        found["world_litres"] = round(float(self.world.litres[number]), 1)
        found["world_depletion_end_mm"] = round(float(self.world.soil.zone_depletion_mm[number]), 3)
        return found

    def _world(self, rows: Sequence[DayWeather], eto: Sequence[EtoValue], start_s: float) -> World:
        known = {value.date: value.eto_mm for value in eto if value.eto_mm is not None}
        day_after = [DayWeather(date=self.last + timedelta(days=ahead)) for ahead in range(1, LATE_DAYS + 1)]
        day_before = DayWeather(date=self.first - timedelta(days=1))
        sky = Sky([day_before, *rows, *day_after], self.site.timezone, self.seed, eto_mm=known)
        pace = Pace(sample_s=SAMPLE_S)
        return World(self.site, sky, start_s=start_s, seed=self.seed, truth=self._truth, pace=pace)

    def _end(self, season: Season, days: LocalDays) -> float:
        """When the last date is over and its weather known; waterings after it are not reported."""
        known_s = station_day_end_utc(season.station, self.last).timestamp()
        return max(days.end_s(self.last), known_s) + 1.0
