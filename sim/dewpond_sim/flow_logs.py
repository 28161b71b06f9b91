"""Fresh meter logs of invented sites with one fault each, for the pipe watch to be tried on: seeded, any size.

Every number of a site is drawn: zones, flows, meter, pressure, pulses, schedule. A log is made twice from the same
seed, with and without its fault; the truth comes from the difference of the two.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from dewpond.model.site import Supply, Zone
from dewpond_sim.world.pipes import MeterParameters, RowTimes, SupplyPipes

FloatArray = NDArray[np.float64]
DAY_S = 86_400.0
WAVE_S = 300.0  # the town's pressure changes in steps this long
HEARTBEAT_S = 300.0
AFTER_CLOSE_S = 60.0
PULSES_L = (0.1, 0.25, 1.0, 3.785, 10.0)
# A household's or a school's own draws, as shares of the meter's permanent flow, and how many a day.
DRAWS_A_DAY = 40

ACCEPTED = {
    "lateral_break": ("lateral_break", "high_flow"),
    "missing_head": ("lateral_break", "high_flow"),
    "lateral_crack": ("lateral_break", "high_flow"),
    "crack_grows": ("lateral_break", "high_flow"),
    "clogged": ("low_flow",),
    "clogs_slowly": ("low_flow",),
    "stuck_closed": ("no_flow",),
    "stuck_open": ("idle_flow", "stuck_open"),
    "weep": ("idle_flow",),
    "main_leak": ("idle_flow",),
    "main_break": ("idle_flow", "main_break"),
    "supply_low": ("low_pressure", "low_flow"),
    "supply_lost": ("no_supply", "no_flow", "low_pressure"),
    "meter_low": ("meter_fault",),
    "meter_high": ("meter_fault",),
    "meter_frozen": ("meter_fault", "no_flow"),
    "wiring_swap": ("wrong_zone", "high_flow", "low_flow"),
    "wiring_double": ("wrong_zone", "high_flow", "lateral_break"),
}
OF_A_ZONE = ("lateral_break", "missing_head", "lateral_crack", "crack_grows", "clogged", "clogs_slowly", "stuck_closed")


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """An invented site: everything about it that does not change."""

    flows_l_min: FloatArray
    constant: NDArray[np.bool_]
    static_kpa: float
    pulse_l: float
    q1_l_min: float
    q3_l_min: float
    row_s: float
    pressure: bool
    shared: bool
    days: int
    refill_l: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """What breaks: ``zone`` and ``other`` count from 0; ``size`` is a factor, or L/min at static pressure for leaks."""

    kind: str
    on_s: float
    zone: int = 0
    other: int = 0
    size: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowLog:
    """One log: its site, its rows (seconds, pulses, kPa or None, mask of zones from 1), and the truth.

    ``phys_s`` is the first row whose readings differ by two pulses or 30 kPa from those of the twin; infinite if none.
    """

    place: Place
    fault: Fault | None
    rows: tuple[tuple[float, float, float | None, int], ...]
    phys_s: float = math.inf
    runs: tuple[tuple[float, float, int], ...] = field(default=())


def make_place(rng: np.random.Generator, *, pressure: bool, shared: bool) -> Place:
    """A site of three to nine zones, of any size, with the meter somebody might have put there."""
    zones = int(rng.integers(3, 10))
    scale_l_min = float(np.exp(rng.uniform(np.log(15.0), np.log(250.0))))
    flows = scale_l_min * rng.uniform(0.4, 1.2, zones)
    fitting = [pulse for pulse in PULSES_L if 0.02 < pulse / scale_l_min < 0.12] or [PULSES_L[0]]
    q3 = 1.6 * float(flows.max())
    return Place(
        flows_l_min=flows,
        constant=rng.random(zones) < 0.25,
        static_kpa=float(rng.uniform(280.0, 700.0)),
        pulse_l=float(rng.choice(fitting)),
        q1_l_min=q3 / 160.0,
        q3_l_min=q3,
        row_s=10.0,
        pressure=pressure,
        shared=shared,
        days=11,
        refill_l=flows * rng.uniform(0.1, 0.45, zones),
    )


def make_fault(rng: np.random.Generator, place: Place, kind: str) -> Fault:
    """A fault of this kind, of any plausible size, from some moment of the eighth day on."""
    zone, other = (int(item) for item in rng.choice(len(place.flows_l_min), 2, replace=False))
    low, high = {
        "lateral_break": (2.0, 3.5),
        "missing_head": (1.5, 2.0),
        "lateral_crack": (1.15, 1.3),
        "crack_grows": (1.05, 1.1),
        "clogged": (0.6, 0.8),
        "clogs_slowly": (0.9, 0.95),
        "weep": (0.01, 0.03),
        "main_leak": (0.04, 0.2),
        "main_break": (2.0, 4.0),
        "supply_low": (0.6, 0.75),
        "meter_low": (0.5, 0.8),
        "meter_high": (1.3, 2.0),
    }.get(kind, (1.0, 1.0))
    size = float(rng.uniform(low, high))
    if kind in ("weep", "main_leak", "main_break"):
        size = max(size * float(place.flows_l_min.max()), 1.5 * place.q1_l_min)
    if kind == "wiring_swap":
        gap = np.abs(np.log(place.flows_l_min[:, None] / place.flows_l_min[None, :]))
        zone, other = (int(item) for item in np.unravel_index(int(gap.argmax()), gap.shape))
    return Fault(kind=kind, on_s=7.0 * DAY_S + float(rng.uniform(0.0, DAY_S)), zone=zone, other=other, size=size)


def make_log(seed: int, kind: str | None = None, *, pressure: bool = True, shared: bool = False) -> FlowLog:
    """A fresh log; the same seed, kind and choices give the same log."""
    rng = np.random.default_rng(seed)
    place = make_place(rng, pressure=pressure, shared=shared)
    fault = None if kind is None else make_fault(rng, place, kind)
    sound = _play(place, None, seed)
    if fault is None:
        return FlowLog(place=place, fault=None, rows=_thinned(place, sound), runs=sound.runs)
    broken = _play(place, fault, seed)
    return FlowLog(
        place=place,
        fault=fault,
        rows=_thinned(place, broken),
        phys_s=_phys_s(place, fault, sound, broken),
        runs=broken.runs,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Dense:
    """Readings on the whole grid of rows, and the commands that were given."""

    time_s: FloatArray
    litres: FloatArray
    pressure_kpa: FloatArray
    mask: NDArray[np.int64]
    runs: tuple[tuple[float, float, int], ...]


def _schedule(place: Place, rng: np.random.Generator) -> tuple[tuple[float, float, int], ...]:
    """(from, to, zone): nights of runs one after the other, some zones every second night, some twice."""
    twice = rng.random(len(place.flows_l_min)) < 0.3
    minutes = rng.uniform(5.0, 15.0, len(place.flows_l_min))
    runs: list[tuple[float, float, int]] = []
    for day in range(place.days):
        at_s = day * DAY_S + 3600.0 * 4.0 + float(rng.uniform(0.0, 900.0))
        for pass_no in range(2):
            for zone in np.flatnonzero(twice) if pass_no else range(len(place.flows_l_min)):
                end_s = at_s + minutes[zone] * 60.0 * float(rng.uniform(0.8, 1.2))
                runs.append((at_s, end_s, int(zone)))
                at_s = end_s + float(rng.choice([3.0, 12.0, 25.0]))
            at_s += 3600.0
    return tuple(runs)


def _draws(place: Place, rng: np.random.Generator) -> tuple[tuple[float, float, float], ...]:
    """(from, to, L/min) of the others behind a shared meter, mostly by day."""
    if not place.shared:
        return ()
    draws = []
    for day in range(place.days):
        for _ in range(DRAWS_A_DAY):
            at_s = day * DAY_S + 3600.0 * float(np.clip(rng.normal(14.0, 5.0), 0.0, 23.9))
            size = place.q3_l_min * float(rng.choice([0.05, 0.1, 0.2]))
            draws.append((at_s, at_s + float(rng.exponential(240.0)) + 20.0, size))
    return tuple(draws)


def _static_kpa(place: Place, rng: np.random.Generator) -> FloatArray:
    """The town's pressure, one value a step: a daily wave and slow noise."""
    steps = int(place.days * DAY_S / WAVE_S) + 1
    phase = 2.0 * math.pi * (np.arange(steps) * WAVE_S / DAY_S + rng.random())
    noise = np.zeros(steps)
    for step, value in enumerate(rng.normal(0.0, 1.0, steps - 1), start=1):
        noise[step] = 0.9 * noise[step - 1] + value * math.sqrt(1.0 - 0.81)
    wave: FloatArray = place.static_kpa * (1.0 + rng.uniform(0.01, 0.06) * np.sin(phase) + 0.012 * noise)
    return wave


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
    noise_kpa = 2.0
    supply = Supply(id="main", source="potable", capacity_l_min=place.q3_l_min, static_pressure_kpa=place.static_kpa)
    return SupplyPipes(
        supply,
        _zones(place),
        start_s=0.0,
        meter=MeterParameters(pulse_l=place.pulse_l, start_l_min=place.q1_l_min / 3.0, pressure_noise_kpa=noise_kpa),
        rows=RowTimes(open_s=place.row_s, idle_s=place.row_s, after_close_s=AFTER_CLOSE_S),
        rng=rng,
    )


def _play(place: Place, fault: Fault | None, seed: int) -> _Dense:
    """The whole log on the dense grid: between two moments nothing changes."""
    plan, wave, noise, refill = (np.random.default_rng([seed, stream]) for stream in range(4))
    runs, draws = _schedule(place, plan), _draws(place, plan)
    static_kpa = _static_kpa(place, wave)
    pipes = _pipes(place, noise)
    sound = (pipes.conductance.copy(), pipes.constant_l_min.copy())
    blocks = []
    opened: tuple[int, ...] = ()
    moments = _moments(place, runs, draws, fault)
    for at_s, next_s in itertools.pairwise(moments):
        pipes.static_kpa = float(static_kpa[int(at_s // WAVE_S)])
        draw_l_min = sum(size for from_s, to_s, size in draws if from_s <= at_s < to_s)
        pipes.leak_conductance = draw_l_min / math.sqrt(place.static_kpa)
        pipes.conductance, pipes.constant_l_min = sound[0].copy(), sound[1].copy()
        commanded = _commanded(runs, at_s)
        opened = _broken(pipes, place, fault, at_s, opened, commanded)
        pipes.changed()
        pipes.drained_l = place.refill_l * refill.lognormal(0.0, 0.25, len(place.refill_l))
        pipes.switch(at_s, opened)
        blocks.append(pipes.advance(at_s, next_s)[0])
    time_s = np.concatenate([block.time_s for block in blocks])
    litres = np.concatenate([block.litres for block in blocks])
    pressure_kpa = np.concatenate([block.pressure_kpa for block in blocks])
    return _Dense(time_s=time_s, litres=litres, pressure_kpa=pressure_kpa, mask=_masks(runs, time_s), runs=runs)


def _moments(
    place: Place,
    runs: tuple[tuple[float, float, int], ...],
    draws: tuple[tuple[float, float, float], ...],
    fault: Fault | None,
) -> list[float]:
    moments = {step * WAVE_S for step in range(int(place.days * DAY_S / WAVE_S) + 1)}
    moments.update(at_s for run in runs for at_s in run[:2])
    moments.update(at_s for draw in draws for at_s in draw[:2])
    if fault is not None:
        moments.add(fault.on_s)
    return sorted(at_s for at_s in moments if at_s <= place.days * DAY_S)


def _commanded(runs: tuple[tuple[float, float, int], ...], at_s: float) -> tuple[int, ...]:
    return tuple(sorted({zone for from_s, to_s, zone in runs if from_s <= at_s < to_s}))


def _masks(runs: tuple[tuple[float, float, int], ...], time_s: FloatArray) -> NDArray[np.int64]:
    mask = np.zeros(len(time_s), dtype=np.int64)
    for from_s, to_s, zone in runs:
        mask[(time_s >= from_s) & (time_s < to_s)] |= 1 << zone
    return mask


def _broken(
    pipes: SupplyPipes,
    place: Place,
    fault: Fault | None,
    at_s: float,
    before: tuple[int, ...],
    commanded: tuple[int, ...],
) -> tuple[int, ...]:
    """Put the fault into the pipes and say which zones are really open; ``before`` were until now."""
    pipes.meter = MeterParameters(
        pulse_l=pipes.meter.pulse_l,
        start_l_min=pipes.meter.start_l_min,
        factor=1.0,
        pressure_noise_kpa=pipes.meter.pressure_noise_kpa,
    )
    if fault is None or at_s < fault.on_s:
        return commanded
    _change_zone(pipes, fault, at_s)
    _change_supply(pipes, place, fault)
    swaps = {fault.zone: fault.other, fault.other: fault.zone}
    match fault.kind:
        case "stuck_closed":
            return tuple(zone for zone in commanded if zone != fault.zone)
        case "stuck_open":
            stuck = fault.zone in commanded or fault.zone in before
            return tuple(sorted({*commanded, fault.zone})) if stuck else commanded
        case "wiring_swap":
            return tuple(sorted(swaps.get(zone, zone) for zone in commanded))
        case "wiring_double" if fault.zone in commanded:
            return tuple(sorted({*commanded, fault.other}))
        case _:
            return commanded


def _change_zone(pipes: SupplyPipes, fault: Fault, at_s: float) -> None:
    """Faults of one zone change what its heads let through."""
    if fault.kind not in OF_A_ZONE:
        return
    days = max(0.0, (at_s - fault.on_s) / DAY_S)
    factor = fault.size**days if fault.kind in ("crack_grows", "clogs_slowly") else fault.size
    if factor > 1.0:
        flow = pipes.conductance[fault.zone] + pipes.constant_l_min[fault.zone] / math.sqrt(pipes.static_kpa)
        pipes.conductance[fault.zone] += (factor - 1.0) * flow
        return
    pipes.conductance[fault.zone] *= factor
    pipes.constant_l_min[fault.zone] *= factor


def _change_supply(pipes: SupplyPipes, place: Place, fault: Fault) -> None:
    """Faults of the main, the source and the meter."""
    match fault.kind:
        case "weep" | "main_leak" | "main_break":
            pipes.leak_conductance += fault.size / math.sqrt(place.static_kpa)
        case "supply_low":
            pipes.static_kpa *= fault.size
        case "supply_lost":
            pipes.static_kpa = 1.0
        case "meter_low" | "meter_high" | "meter_frozen":
            factor = 0.0 if fault.kind == "meter_frozen" else fault.size
            pipes.meter = MeterParameters(
                pulse_l=pipes.meter.pulse_l,
                start_l_min=pipes.meter.start_l_min,
                factor=factor,
                pressure_noise_kpa=pipes.meter.pressure_noise_kpa,
            )


def _thinned(place: Place, dense: _Dense) -> tuple[tuple[float, float, float | None, int], ...]:
    """The rows that are sent: while a zone is commanded open and a minute after, with every pulse, else a heartbeat."""
    rows = []
    open_s = sent_s = -math.inf
    for at_s, litres, kpa, mask in _zipped(dense):
        open_s = at_s if mask else open_s
        if mask or litres > 0.0 or at_s - open_s <= AFTER_CLOSE_S or at_s - sent_s >= HEARTBEAT_S:
            rows.append((at_s, round(litres / place.pulse_l), round(kpa) if place.pressure else None, mask))
            sent_s = at_s
    return tuple(rows)


def _zipped(dense: _Dense) -> Iterator[tuple[float, float, float, int]]:
    return zip(
        dense.time_s.tolist(), dense.litres.tolist(), dense.pressure_kpa.tolist(), dense.mask.tolist(), strict=True
    )


def _phys_s(place: Place, fault: Fault, sound: _Dense, broken: _Dense) -> float:
    """First row at which the fault can be seen by somebody who knows the twin."""
    after = broken.time_s >= fault.on_s
    litres = np.abs(np.cumsum(broken.litres - sound.litres)) >= 2.0 * place.pulse_l - 1e-6
    kpa = np.abs(broken.pressure_kpa - sound.pressure_kpa) >= 30.0
    seen = after & (litres | (kpa if place.pressure else np.zeros_like(litres)))
    return float(broken.time_s[int(seen.argmax())]) if seen.any() else math.inf
