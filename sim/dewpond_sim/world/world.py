"""One simulated site: valves in, water, soil and weather in between, readings out. Pure: no clock, no I/O, one seed.

It starts from the site file's numbers; ``Truth`` says where the real ground differs from them.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from dewpond.model.site import Sensor, Site, Supply
from dewpond_sim.world.pipes import MeterParameters, MeterRows, RowTimes, SupplyPipes, grid_times
from dewpond_sim.world.sensors import RainGauge, Readings, SoilProbe, probe_in, sampled, station_element
from dewpond_sim.world.sky import Sky
from dewpond_sim.world.soil import SoilColumns, SoilParameters, parameters_of

FloatArray = NDArray[np.float64]

COUNTERS = ("cumulative", "increment")
USUAL_PULSE_L = 1.0
RATE_METER_L = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """How the real site differs from its file. The default is a site exactly as written, with exact sensors.

    ``rate_factor`` by zone id multiplies the true application and flow, ``use_factor`` the water its plants use;
    ``capacity_shift_m3_m3`` is what its soil holds at field capacity beyond the textbook, as a probe there sees it.
    ``depletion_share`` (of RAW) is where the
    soil starts, ``drained_l`` is what a lateral loses after each run, ``pulse_l`` overrides a meter's pulse by sensor
    id.
    """

    rate_factor: Mapping[str, float] = field(default_factory=dict)
    use_factor: Mapping[str, float] = field(default_factory=dict)
    capacity_shift_m3_m3: Mapping[str, float] = field(default_factory=dict)
    depletion_share: float = 0.0
    drained_l: float = 0.0
    start_flow_l_min: float = 0.0
    pressure_noise_kpa: float = 0.0
    probe_noise_m3_m3: float = 0.0
    pulse_l: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """When sensors report: meter rows, and the grid of probes and weather station. [s]"""

    rows: RowTimes = field(default_factory=RowTimes)
    sample_s: float = 900.0


class World:
    """The site from ``start_s`` (seconds since 1970-01-01 UTC) on. ``advance`` moves it, ``switch`` moves a relay.

    ``soil`` and ``pipes`` (by supply id) are open to whoever makes something break.
    """

    def __init__(
        self, site: Site, sky: Sky, *, start_s: float, seed: int, truth: Truth | None = None, pace: Pace | None = None
    ) -> None:
        truth, pace = truth or Truth(), pace or Pace()
        self.site, self.sky, self.at_s = site, sky, start_s
        self.truth = truth
        self._pace = pace
        self._relays: set[int] = set()
        self._sensors = {sensor.id: sensor for sensor in site.sensors}
        self._zone_numbers = {zone.id: number for number, zone in enumerate(site.zones)}
        self.soil = SoilColumns(_true_soil(site, truth), truth.depletion_share * _column(site, "raw_mm"))
        self.litres = np.zeros(len(site.zones))
        self.shut_in_s: dict[str, float] = {}  # by supply: how long its pump ran against shut valves
        self.pipes = {supply.id: self._pipes_of(supply, seed) for supply in site.supplies}
        self._members = {
            supply.id: np.array([n for n, zone in enumerate(site.zones) if zone.supply == supply.id], dtype=np.intp)
            for supply in site.supplies
        }
        self._outputs = {
            supply.id: [zone.output for zone in site.zones if zone.supply == supply.id] for supply in site.supplies
        }
        self._mm_per_litre = self._depths_per_litre()
        self._gauges = {sensor.id: RainGauge() for sensor in site.sensors if sensor.kind == "rain"}
        open_air = {sensor.id: station_element(sensor.kind, sky) for sensor in site.sensors if sensor.zone is None}
        self._station = {sensor: element for sensor, element in open_air.items() if element is not None}
        self._probes = {
            sensor.id: (self._zone_numbers[sensor.zone], self._probe(sensor.zone), _rng(seed, sensor.id))
            for sensor in site.sensors
            if sensor.kind == "soil_moisture" and sensor.zone is not None
        }

    def switch(self, output: int, on: bool) -> None:
        """A relay moves at the present instant."""
        (self._relays.add if on else self._relays.discard)(output)
        for supply in self.site.supplies:
            self.pipes[supply.id].switch(self.at_s, self._open_on(supply))

    def open_zones(self) -> tuple[str, ...]:
        """Zones that get water now, by id."""
        return tuple(
            self.site.zones[self._members[supply.id][local]].id
            for supply in self.site.supplies
            for local in self._open_on(supply)
        )

    def next_report_s(self) -> float:
        """The next instant at which some sensor reports, if no relay moves."""
        rows = [pipes.next_row_s(self.at_s) for pipes in self.pipes.values()]
        samples_s = (np.floor(self.at_s / self._pace.sample_s) + 1.0) * self._pace.sample_s
        return float(min([samples_s, *rows]))

    def advance(self, to_s: float) -> tuple[Readings, ...]:
        """Move on to ``to_s`` with the relays as they are; what the sensors reported in (now, to], sensor by sensor."""
        if to_s <= self.at_s:
            return ()
        self._note_shut_in(to_s - self.at_s)
        rows = {}
        delivered_l = np.zeros(len(self.litres))
        for supply_id, pipes in self.pipes.items():
            rows[supply_id], delivered_l[self._members[supply_id]] = pipes.advance(self.at_s, to_s)
        self.litres += delivered_l
        sampled_readings = self._advance_ground(to_s, delivered_l * self._mm_per_litre if delivered_l.any() else None)
        return (*self._meter_readings(rows), *sampled_readings)

    def _advance_ground(self, to_s: float, applied_mm: FloatArray | None) -> list[Readings]:
        """Soil and sky to the end of the interval, by way of every sample time where a probe is read."""
        times_s = grid_times(self.at_s, to_s, self._pace.sample_s)
        stops_s = [*times_s.tolist(), to_s] if self._probes else [to_s]
        seen_mm = self._grow(stops_s, applied_mm)
        if not len(times_s):
            return []
        probes = []
        for sensor, (zone, probe, rng) in self._probes.items():
            values = [probe.reading_m3_m3(float(zones_mm[zone]), rng) for zones_mm in seen_mm[: len(times_s)]]
            probes.append(Readings(sensor, times_s, np.array(values)))
        return [*self._station_readings(times_s), *probes, *self._gauge_readings(times_s)]

    def _grow(self, stops_s: Sequence[float], applied_mm: FloatArray | None) -> list[FloatArray]:
        """Soil and sky by way of some instants to the last of them; each zone's depletion at every one. [mm]"""
        seen_mm: list[FloatArray] = []
        whole_s = stops_s[-1] - self.at_s
        while self.at_s < stops_s[-1]:
            change_s = self.sky.next_change_s(self.at_s)
            here_s = [at_s for at_s in stops_s[len(seen_mm) :] if at_s <= change_s]
            ends_s = here_s if here_s and here_s[-1] == min(change_s, stops_s[-1]) else [*here_s, change_s]
            seen_mm += self._steady(ends_s, applied_mm, whole_s)[: len(here_s)]
        return seen_mm

    def _steady(self, ends_s: Sequence[float], applied_mm: FloatArray | None, whole_s: float) -> Sequence[FloatArray]:
        """By way of some instants to the last of them, while the sky does not change; each zone's depletion there."""
        month, last_s = self.sky.month(self.at_s), ends_s[-1]
        if applied_mm is None and not self.soil.wet and not self.sky.rain_mm(self.at_s, last_s):
            drying_mm = self.soil.dry(month, [self.sky.eto_mm(self.at_s, end_s) for end_s in ends_s])
            self.at_s = last_s
            return list(drying_mm)
        return [self._wetter(end_s, month, applied_mm, whole_s) for end_s in ends_s]

    def _wetter(self, end_s: float, month: int, applied_mm: FloatArray | None, whole_s: float) -> FloatArray:
        """To an instant, with rain, irrigation or water that stands on the ground; each zone's depletion there."""
        span_s = end_s - self.at_s
        rain_mm, eto_mm = self.sky.rain_mm(self.at_s, end_s), self.sky.eto_mm(self.at_s, end_s)
        part_mm = None if applied_mm is None else applied_mm * (span_s / whole_s)
        self.soil.advance(span_s / 3600.0, month, eto_mm, rain_mm, part_mm)
        self.at_s = end_s
        return self.soil.zone_depletion_mm

    def _meter_readings(self, rows: Mapping[str, MeterRows]) -> list[Readings]:
        readings = []
        for supply in self.site.supplies:
            row = rows[supply.id]
            if not len(row.time_s):
                continue
            if supply.meter is not None:
                readings.append(_meter_reading(self._sensors[supply.meter], row))
            if supply.pressure is not None:
                readings.append(Readings(supply.pressure, row.time_s, row.pressure_kpa))
        return readings

    def _station_readings(self, times_s: FloatArray) -> list[Readings]:
        readings = [sampled(sensor, times_s, *element) for sensor, element in self._station.items()]
        return [reading for reading in readings if len(reading.time_s)]

    def _gauge_readings(self, times_s: FloatArray) -> list[Readings]:
        """Tips since the sample before; a gauge is silent on a day whose rain nobody measured."""
        if not self._gauges:
            return []
        sample_s = self._pace.sample_s
        fallen_mm = [self.sky.rain_mm(at_s - sample_s, at_s) for at_s in times_s.tolist()]
        tips = {sensor: [g.tips_mm(mm) for mm in fallen_mm] for sensor, g in self._gauges.items()}
        known = [n for n, at_s in enumerate(times_s.tolist()) if self.sky.rain_is_known(at_s - 1.0)]
        if not known:
            return []
        windows_s = np.full(len(known), sample_s)
        return [Readings(sensor, times_s[known], np.array(mm)[known], windows_s) for sensor, mm in tips.items()]

    def _open_on(self, supply: Supply) -> tuple[int, ...]:
        """Zones of this supply, counted within it, whose own relay and whose master and pump are on."""
        if supply.pump is not None and supply.pump.output not in self._relays:
            return ()
        return self._ways_out(supply)

    def _ways_out(self, supply: Supply) -> tuple[int, ...]:
        """Zones of this supply, counted within it, through which water would flow if there were pressure."""
        if supply.master_output is not None and supply.master_output not in self._relays:
            return ()
        return tuple([local for local, output in enumerate(self._outputs[supply.id]) if output in self._relays])

    def _note_shut_in(self, span_s: float) -> None:
        """Count how long a pump has run against shut valves."""
        for supply in self.site.supplies:
            if supply.pump is not None and supply.pump.output in self._relays and not self._ways_out(supply):
                self.shut_in_s[supply.id] = self.shut_in_s.get(supply.id, 0.0) + span_s

    def _pipes_of(self, supply: Supply, seed: int) -> SupplyPipes:
        zones = [zone for zone in self.site.zones if zone.supply == supply.id]
        meter = MeterParameters(
            pulse_l=self._pulse_l(supply.meter),
            start_l_min=self.truth.start_flow_l_min,
            pressure_noise_kpa=self.truth.pressure_noise_kpa,
        )
        pipes = SupplyPipes(
            supply,
            zones,
            start_s=self.at_s,
            meter=meter,
            rows=self._pace.rows,
            rng=_rng(seed, supply.id),
            drained_l=self.truth.drained_l,
        )
        factors = np.array([self.truth.rate_factor.get(zone.id, 1.0) for zone in zones])
        pipes.conductance *= factors
        pipes.constant_l_min *= factors
        return pipes

    def _pulse_l(self, meter: str | None) -> float:
        """Litres a pulse: as told, else the scale of a counter in litres, else 1 L; a meter of rates is finer."""
        if meter is None:
            return USUAL_PULSE_L
        mapping = self._sensors[meter].mapping
        if meter in self.truth.pulse_l:
            return self.truth.pulse_l[meter]
        if mapping.get("accumulation") not in COUNTERS:
            return RATE_METER_L
        return float(mapping.get("scale") or USUAL_PULSE_L) if mapping.get("unit_in", "L") == "L" else USUAL_PULSE_L

    def _depths_per_litre(self) -> FloatArray:
        """Depth on each zone for a litre of its flow, by the file's rate; with overspray it is less than 1/area."""
        rate_mm_h, flow_l_min = _column(self.site, "application_rate_mm_h"), _column(self.site, "flow_l_min")
        return rate_mm_h / (flow_l_min * 60.0)

    def _probe(self, zone_id: str) -> SoilProbe:
        probe = probe_in(self.site.zones[self._zone_numbers[zone_id]], self.truth.probe_noise_m3_m3)
        shift = self.truth.capacity_shift_m3_m3.get(zone_id, 0.0)
        return replace(probe, field_capacity_m3_m3=probe.field_capacity_m3_m3 + shift)


def _meter_reading(sensor: Sensor, rows: MeterRows) -> Readings:
    """Increments in litres from a counter, else the mean flow of each row in L/min."""
    if sensor.mapping.get("accumulation") in COUNTERS:
        return Readings(sensor.id, rows.time_s, rows.litres, rows.window_s)
    return Readings(sensor.id, rows.time_s, rows.litres / rows.window_s * 60.0, rows.window_s)


def _true_soil(site: Site, truth: Truth) -> SoilParameters:
    written = parameters_of(site.zones)
    use = np.array([truth.use_factor.get(zone.id, 1.0) for zone in site.zones])
    return replace(written, coefficient=written.coefficient * use)


def drawn_truth(site: Site, seed: int, spread: float = 0.3, probe_noise_m3_m3: float = 0.01) -> Truth:
    """A site whose plants, soils and heads differ from the file by up to ``spread``, even draws of this seed alone.

    Field capacity differs by up to ``spread`` of a loam's.
    """
    rng = np.random.default_rng(seed)
    ids = [zone.id for zone in site.zones]

    def factors() -> dict[str, float]:
        return dict(zip(ids, rng.uniform(1.0 - spread, 1.0 + spread, len(ids)).tolist(), strict=True))

    shift = {zone: 0.25 * (factor - 1.0) for zone, factor in factors().items()}
    return Truth(
        rate_factor=factors(),
        use_factor=factors(),
        capacity_shift_m3_m3=shift,
        probe_noise_m3_m3=probe_noise_m3_m3,
    )


def _column(site: Site, name: str) -> FloatArray:
    return np.array([getattr(zone, name) for zone in site.zones], dtype=np.float64)


def _rng(seed: int, name: str) -> np.random.Generator:
    """One stream of noise a sensor, the same whatever other sensors the site has."""
    return np.random.default_rng([seed, zlib.crc32(name.encode())])
