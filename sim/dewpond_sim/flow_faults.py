"""What may break at an invented site, and how the pipes behave from then on."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from dewpond_sim.flow_sites import DAY_S, Place, Run, known_from_s
from dewpond_sim.world.pipes import SupplyPipes

ZONE_HIGH, ZONE_LOW = ("lateral_break", "high_flow"), ("low_flow",)
# Kind of fault -> kinds of alarm that are right.
ACCEPTED = {
    "lateral_break": ZONE_HIGH,
    "missing_head": ZONE_HIGH,
    "lateral_crack": ZONE_HIGH,
    "crack_grows": ZONE_HIGH,
    "clogged": ZONE_LOW,
    "clogs_slowly": ZONE_LOW,
    "stuck_closed": ("no_flow",),
    "stuck_open": ("idle_flow", "stuck_open"),
    "weep": ("idle_flow",),
    "weep_hidden": (),
    "main_leak": ("idle_flow",),
    "main_break": ("idle_flow", "main_break"),
    "main_break_in_run": ("idle_flow", "main_break", *ZONE_HIGH),
    "supply_low": ("low_pressure",),
    "supply_lost": ("no_supply", "no_flow", "low_pressure"),
    "meter_low": ("meter_fault",),
    "meter_high": ("meter_fault",),
    "meter_frozen": ("meter_fault", "no_flow"),
    "wiring_swap": ("wrong_zone", "high_flow", "low_flow"),
    "wiring_double": ("wrong_zone", "high_flow", "lateral_break"),
}
KINDS = tuple(ACCEPTED)
OF_A_ZONE = ("lateral_break", "missing_head", "lateral_crack", "crack_grows", "clogged", "clogs_slowly", "stuck_closed")
GRADUAL = {"crack_grows": "lateral_crack", "clogs_slowly": "clogged"}
# Smallest and largest factor, or share of the largest zone's flow for water lost on the main.
SIZES = {
    "lateral_break": (2.0, 3.8),
    "missing_head": (1.5, 2.1),
    "lateral_crack": (1.15, 1.3),
    "crack_grows": (1.04, 1.1),
    "clogged": (0.55, 0.82),
    "clogs_slowly": (0.9, 0.96),
    "weep": (0.01, 0.06),
    "weep_hidden": (0.1, 0.8),
    "main_leak": (0.04, 0.3),
    "main_break": (2.0, 4.0),
    "main_break_in_run": (2.0, 4.0),
    "supply_low": (0.55, 0.75),
    "meter_low": (0.5, 0.82),
    "meter_high": (1.25, 2.0),
}
# Faults of the source come and go; they count where watering meets them. [h]
LASTS_H = {"supply_low": (1.0, 9.0), "supply_lost": (0.4, 2.5)}
# Behind a meter that others share, what a zone takes is known only after twice as many runs.
RUNS_TO_KNOW = 3
FIRST_DAY = 6.0
DAYS_AFTER, GRADUAL_DAYS_AFTER, RUNS_TO_SHOW = 4, 14, 3
UNLIKE = 0.25  # two zones whose flows differ by less [of ln q] may be swapped without a trace


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """What breaks: ``zone`` and ``other`` count from 0; ``size`` is a factor, or L/min at static pressure for leaks."""

    kind: str
    on_s: float
    off_s: float = math.inf
    zone: int = 0
    other: int = 0
    size: float = 1.0


def make_fault(rng: np.random.Generator, place: Place, runs: tuple[Run, ...], kind: str) -> Fault:
    """A fault of this kind and of any plausible size, once every zone is known."""
    zone, other = (int(item) for item in rng.choice(place.zones, 2, replace=False))
    size = float(rng.uniform(*SIZES.get(kind, (1.0, 1.0))))
    if kind in ("weep", "main_leak", "main_break", "main_break_in_run"):
        size = max(size * float(place.flows_l_min.max()), 1.5 * place.q1_l_min)
    elif kind == "weep_hidden":
        size *= place.start_l_min * 0.9  # pressure swings; the meter must never start to turn
    elif kind == "wiring_swap":
        zone, other = _unlike(rng, place, zone, other)
    on_s = _begin_s(rng, place, runs, kind)
    lasts_h = LASTS_H.get(kind)
    off_s = math.inf if lasts_h is None else on_s + 3600.0 * float(rng.uniform(*lasts_h))
    return Fault(kind=kind, on_s=on_s, off_s=off_s, zone=zone, other=other, size=size)


def _unlike(rng: np.random.Generator, place: Place, zone: int, other: int) -> tuple[int, int]:
    gap = np.abs(np.log(place.flows_l_min[:, None] / place.flows_l_min[None, :]))
    pairs = np.argwhere(gap > UNLIKE)
    if not len(pairs):
        return zone, other
    first, second = pairs[int(rng.integers(len(pairs)))]
    return int(first), int(second)


def _begin_s(rng: np.random.Generator, place: Place, runs: tuple[Run, ...], kind: str) -> float:
    """Water lost on the main begins while nothing runs, a fault of the source shortly before or in a run."""
    count = RUNS_TO_KNOW * (2 if place.shared else 1)
    known_s = max(known_from_s(runs, place.zones, count), FIRST_DAY * DAY_S)
    on_s = known_s + float(rng.uniform(0.02, 1.0)) * DAY_S
    later = [run for run in runs if run[0] > on_s]
    if kind in LASTS_H:
        return later[0][0] - float(rng.uniform(-200.0, 1800.0 if kind == "supply_low" else 0.0))
    if kind == "main_break_in_run":
        run = later[int(rng.integers(min(4, len(later))))]
        return run[0] + float(rng.uniform(0.2, 0.7)) * (run[1] - run[0])
    if kind in ("weep", "weep_hidden", "main_leak", "main_break"):
        return _idle_s(on_s, runs)
    return on_s


def _idle_s(at_s: float, runs: tuple[Run, ...]) -> float:
    """This moment, or the first later one that lies five minutes clear of any run."""
    clear_s = 300.0
    for run in sorted(runs):
        if run[0] - clear_s < at_s < run[1] + clear_s:
            at_s = run[1] + clear_s
    return at_s


def days_of(fault: Fault, runs: tuple[Run, ...]) -> int:
    """Days a log needs to show what becomes of a fault: three runs of the zones concerned at least."""
    days = int(fault.on_s // DAY_S) + (GRADUAL_DAYS_AFTER if fault.kind in GRADUAL else DAYS_AFTER)
    for zone in (fault.zone, fault.other):
        ends_s = [run[1] for run in runs if run[2] == zone and run[0] > fault.on_s]
        days = max(days, int(ends_s[RUNS_TO_SHOW - 1] // DAY_S) + 1)
    return days


def acts(fault: Fault | None, at_s: float) -> bool:
    """Whether the fault exists at this moment."""
    return fault is not None and fault.on_s <= at_s < fault.off_s


def opened(fault: Fault, wide: dict[int, float], stuck: bool) -> dict[int, float]:
    """Zones that are really open, and how far: ``wide`` is what the valves would do without the fault."""
    match fault.kind:
        case "stuck_closed":
            return {zone: share for zone, share in wide.items() if zone != fault.zone}
        case "stuck_open" if stuck:
            return {**wide, fault.zone: 1.0}
        case "wiring_swap":
            swaps = {fault.zone: fault.other, fault.other: fault.zone}
            return {swaps.get(zone, zone): share for zone, share in wide.items()}
        case "wiring_double" if fault.zone in wide:
            return {**wide, fault.other: max(wide[fault.zone], wide.get(fault.other, 0.0))}
        case _:
            return wide


def broken(pipes: SupplyPipes, place: Place, fault: Fault, at_s: float, wide: dict[int, float]) -> None:
    """Put the fault into pipes, source and meter."""
    match fault.kind:
        case kind if kind in OF_A_ZONE:
            _break_zone(pipes, place, fault, at_s)
        case "weep" | "weep_hidden" if fault.zone in wide:
            return  # a valve that does not seal makes no difference while it is open
        case "weep" | "weep_hidden" | "main_leak" | "main_break" | "main_break_in_run":
            pipes.leak_conductance += fault.size / math.sqrt(place.static_kpa)
        case "supply_low":
            pipes.static_kpa *= fault.size
        case "supply_lost":
            pipes.static_kpa = 1.0
        case "meter_low" | "meter_high":
            pipes.meter = replace(pipes.meter, factor=fault.size)
        case "meter_frozen":
            pipes.meter = replace(pipes.meter, factor=0.0)
        case _:
            return


def _break_zone(pipes: SupplyPipes, place: Place, fault: Fault, at_s: float) -> None:
    """A hole is one more plain opening beside the heads; dirt takes a share of them away."""
    days = (at_s - fault.on_s) / DAY_S
    factor = fault.size**days if fault.kind in GRADUAL else fault.size
    if factor > 1.0:
        heads = pipes.conductance[fault.zone] + pipes.constant_l_min[fault.zone] / math.sqrt(place.static_kpa)
        pipes.conductance[fault.zone] += (factor - 1.0) * heads
        return
    pipes.conductance[fault.zone] *= factor
    pipes.constant_l_min[fault.zone] *= factor
