"""Fresh meter logs of invented sites with one fault each, for the pipe watch to be tried on: seeded, any size.

A log is made twice from the same seed, with and without its fault; the truth comes from the difference of the two.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from dewpond.model.site import Supply, Zone
from dewpond_sim import flow_faults, flow_sites
from dewpond_sim.flow_faults import Fault
from dewpond_sim.flow_sites import DAY_S, WAVE_S, Draw, FloatArray, Place, Run
from dewpond_sim.world.pipes import MeterParameters, RowTimes, SupplyPipes

HEARTBEAT_S = 300.0
AFTER_CLOSE_S = 60.0
SENSOR_SD_KPA = 2.0
# A closing diaphragm valve lets through less and less: share of the full opening in each quarter of the time it takes.
CLOSING = (0.9, 0.65, 0.35, 0.1)
Row = tuple[float, float, float | None, int]
JUMP_S = (1800.0, 7200.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """What happens at a place besides its fault: watering, others' draws, use by hand, a leap of the clock."""

    days: int
    runs: tuple[Run, ...]
    draws: tuple[Draw, ...] = ()
    hand: tuple[Draw, ...] = ()
    jump: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Dense:
    """Readings on the whole grid of rows, commands given, the true steady flow and what the meter makes of it."""

    time_s: FloatArray
    litres: FloatArray
    pressure_kpa: FloatArray
    mask: NDArray[np.int64]
    true_l_min: FloatArray
    counted_l_min: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowLog:
    """One log: its place, what happened, the rows that were sent, and the readings of it and of its sound twin.

    ``rows`` are (seconds, pulses, kPa or None, mask of zones from 1) in the log's own clock; all else is in true time.
    """

    seed: int
    place: Place
    scenario: Scenario
    fault: Fault | None
    rows: tuple[Row, ...]
    sent: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    dense: Dense | None = None
    twin: Dense | None = None

    def clock_s(self, true_s: float) -> float:
        """A moment by the log's own clock."""
        jump = self.scenario.jump
        return true_s if jump is None or true_s < jump[0] else true_s + jump[1]


def make_log(seed: int, kind: str | None, *, pressure: bool = True, shared: bool = False, days: int = 12) -> FlowLog:
    """A fresh log; the same seed, kind and choices give the same log. ``days`` is for logs without a fault."""
    rng = np.random.default_rng(seed)
    place = flow_sites.make_place(rng, pressure=pressure, shared=shared)
    runs = flow_sites.schedule(place, np.random.default_rng([seed, 0]), max(days, 60))
    fault = None if kind is None else flow_faults.make_fault(rng, place, runs, kind)
    scenario = _scenario(place, rng, seed, runs, fault, days)
    twin = _play(place, scenario, None, seed)
    dense = twin if fault is None else _play(place, scenario, fault, seed)
    sent, rows = _sent(place, dense, scenario)
    return FlowLog(seed=seed, place=place, scenario=scenario, fault=fault, rows=rows, sent=sent, dense=dense, twin=twin)


def _scenario(
    place: Place, rng: np.random.Generator, seed: int, runs: tuple[Run, ...], fault: Fault | None, days: int
) -> Scenario:
    days = days if fault is None else flow_faults.days_of(fault, runs)
    apart = (math.inf, -math.inf) if fault is None else (fault.on_s - 3600.0, fault.on_s + 2.0 * DAY_S)
    first_s = min((run[0] for run in runs if run[1] > apart[0]), default=math.inf)
    hand = flow_sites.hand_uses(place, rng, days, (min(apart[0], first_s), apart[1]))
    jump = None
    if float(rng.random()) < 0.1:
        latest_s = days * DAY_S if fault is None else fault.on_s - 3600.0
        leap_s = float(np.round(rng.choice([-1.0, 1.0]) * rng.uniform(*JUMP_S), -1))
        jump = (float(np.round(rng.uniform(3.0 * DAY_S, latest_s), -1)), leap_s)
    within = tuple(run for run in runs if run[1] < days * DAY_S - 120.0)
    draws = flow_sites.draws(place, np.random.default_rng([seed, 1]), days)
    return Scenario(days=days, runs=within, draws=draws, hand=hand, jump=jump)


def _zones(place: Place) -> list[Zone]:
    """Zones of the model with only the numbers that pipes need."""
    return [
        Zone(
            id=str(number + 1),
            name=str(number + 1),
            supply="main",
            output=number + 1,
            area_m2=100.0,
            overhead=not constant,
            method="drip" if constant else "spray",
            crop_coefficient=(1.0,) * 12,
            exposure=1.0,
            taw_mm=20.0,
            raw_mm=10.0,
            raw_is_given=False,
            allowed_depletion=0.5,
            application_rate_mm_h=10.0,
            efficiency=0.8,
            intake_mm_h=10.0,
            surface_storage_mm=5.0,
            flow_l_min=float(flow),
        )
        for number, (flow, constant) in enumerate(zip(place.flows_l_min, place.constant, strict=True))
    ]


def _pipes(place: Place, rng: np.random.Generator) -> SupplyPipes:
    supply = Supply(
        id="main", source="potable", capacity_l_min=place.capacity_l_min, static_pressure_kpa=place.static_kpa
    )
    meter = MeterParameters(pulse_l=place.pulse_l, start_l_min=place.start_l_min, pressure_noise_kpa=SENSOR_SD_KPA)
    rows = RowTimes(open_s=place.row_s, idle_s=place.row_s, after_close_s=AFTER_CLOSE_S)
    return SupplyPipes(supply, _zones(place), start_s=0.0, meter=meter, rows=rows, rng=rng)


def _play(place: Place, scenario: Scenario, fault: Fault | None, seed: int) -> Dense:
    """The whole log on the dense grid: between two moments nothing changes."""
    wave, noise, refill = (np.random.default_rng([seed, stream]) for stream in (2, 3, 4))
    static_kpa = flow_sites.static_kpa(place, wave, scenario.days)
    refills_l = place.refill_l * refill.lognormal(0.0, 0.25, (len(scenario.runs) + 1, place.zones))
    pipes = _pipes(place, noise)
    sound = (pipes.conductance.copy(), pipes.constant_l_min.copy(), pipes.meter)
    stuck_s = _stuck_s(place, scenario, fault)
    blocks, flows, counted = [], [], []
    for at_s, next_s, wide, draw_l_min, begun in _intervals(place, scenario, fault, stuck_s):
        pipes.static_kpa = float(static_kpa[int(at_s // WAVE_S)])
        pipes.leak_conductance = draw_l_min / math.sqrt(place.static_kpa)
        pipes.conductance, pipes.constant_l_min, pipes.meter = sound[0].copy(), sound[1].copy(), sound[2]
        zones = _opened(pipes, place, fault, at_s, wide, stuck_s)
        pipes.changed()
        pipes.drained_l = refills_l[begun]
        pipes.switch(at_s, zones)
        block, flow_l_min = pipes.advance(at_s, next_s)[0], pipes.flows(zones).total_l_min
        factor = pipes.meter.factor if flow_l_min >= pipes.meter.start_l_min else 0.0
        blocks.append(block)
        flows.append(np.full(len(block.time_s), flow_l_min))
        counted.append(np.full(len(block.time_s), flow_l_min * factor))
    time_s = np.concatenate([block.time_s for block in blocks])
    return Dense(
        time_s=time_s,
        litres=np.concatenate([block.litres for block in blocks]),
        pressure_kpa=np.concatenate([block.pressure_kpa for block in blocks]),
        mask=_masks(scenario.runs, time_s),
        true_l_min=np.concatenate(flows),
        counted_l_min=np.concatenate(counted),
    )


def _opened(
    pipes: SupplyPipes, place: Place, fault: Fault | None, at_s: float, wide: dict[int, float], stuck_s: float
) -> tuple[int, ...]:
    """Put what is open, and the fault, into the pipes; the zones through which water flows."""
    if fault is not None and flow_faults.acts(fault, at_s):
        wide = flow_faults.opened(fault, wide, at_s >= stuck_s)
        flow_faults.broken(pipes, place, fault, at_s, wide)
    for zone, share in wide.items():
        pipes.conductance[zone] *= share
        pipes.constant_l_min[zone] *= share
    return tuple(sorted(wide))


def _stuck_s(place: Place, scenario: Scenario, fault: Fault | None) -> float:
    """The moment from which a valve that sticks open is open for good: once it is open anyway."""
    if fault is None or fault.kind != "stuck_open":
        return math.inf
    opens_s = place.open_s[fault.zone]
    later = (max(run[0] + opens_s, fault.on_s) for run in scenario.runs if run[2] == fault.zone and run[1] > fault.on_s)
    return float(min(later))


Interval = tuple[float, float, dict[int, float], float, int]


def _intervals(place: Place, scenario: Scenario, fault: Fault | None, stuck_s: float) -> Iterator[Interval]:
    """(from, to, how far each valve is open, others' draws in L/min, number of runs begun) of spans of no change."""
    changes: dict[float, list[tuple[str, int, float]]] = {}

    def at(time_s: float, what: str, zone: int, size: float) -> None:
        changes.setdefault(time_s, []).append((what, zone, size))

    for step in range(int(scenario.days * DAY_S / WAVE_S) + 1):
        changes[step * WAVE_S] = []
    for from_s, to_s, zone in scenario.runs:
        at(from_s + place.open_s[zone], "open", zone, 1.0)
        for quarter, share in enumerate(CLOSING):
            at(to_s + place.close_s[zone] * quarter / len(CLOSING), "open", zone, share)
        at(to_s + place.close_s[zone], "open", zone, 0.0)
    for from_s, to_s, size in (*scenario.draws, *scenario.hand):
        at(from_s, "draw", 0, size)
        at(to_s, "draw", 0, -size)
    for moment_s in () if fault is None else (fault.on_s, fault.off_s, stuck_s):
        changes.setdefault(moment_s, [])
    wide: dict[int, float] = {}
    draw_l_min, begun = 0.0, 0
    moments = sorted(moment_s for moment_s in changes if moment_s <= scenario.days * DAY_S)
    for at_s, next_s in itertools.pairwise(moments):
        for what, zone, size in changes[at_s]:
            if what == "draw":
                draw_l_min = max(draw_l_min + size, 0.0)
                continue
            begun += size == 1.0
            wide = {**wide, zone: size} if size else {key: share for key, share in wide.items() if key != zone}
        yield at_s, next_s, dict(wide), draw_l_min if draw_l_min > 1e-9 else 0.0, begun


def _masks(runs: tuple[Run, ...], time_s: FloatArray) -> NDArray[np.int64]:
    mask = np.zeros(len(time_s), dtype=np.int64)
    for from_s, to_s, zone in runs:
        first, end = np.searchsorted(time_s, (from_s, to_s))
        mask[first:end] |= 1 << zone
    return mask


def _sent(place: Place, dense: Dense, scenario: Scenario) -> tuple[NDArray[np.int64], tuple[Row, ...]]:
    """The rows that are sent: while a zone is commanded open and a minute after, with every pulse, else a heartbeat."""
    jump_s, leap_s = scenario.jump or (math.inf, 0.0)
    columns = (dense.time_s.tolist(), dense.litres.tolist(), dense.pressure_kpa.tolist(), dense.mask.tolist())
    places, rows = [], []
    open_s = sent_s = -math.inf
    for number, (at_s, litres, kpa, mask) in enumerate(zip(*columns, strict=True)):
        open_s = at_s if mask else open_s
        if mask or litres > 0.0 or at_s - open_s <= AFTER_CLOSE_S or at_s - sent_s >= HEARTBEAT_S:
            clock_s = at_s if at_s < jump_s else at_s + leap_s
            rows.append((clock_s, float(round(litres / place.pulse_l)), round(kpa) if place.pressure else None, mask))
            places.append(number)
            sent_s = at_s
    return np.array(places, dtype=np.int64), tuple(rows)
