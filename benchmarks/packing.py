"""The timetable beside a constraint solver: one night's openings on several supplies, by the same instances and bound.

python benchmarks/packing.py [SEED...]

Each zone has 1 to 6 openings of 3 to 12 minutes with 15 to 45 minutes of soaking between, takes 5 to 40 L/min, and
belongs to one supply, whose capacity fills three quarters of an eight-hour night. The bound is the longest zone, or
flow by time through the capacity. The solver's column needs the extra ``bench`` and stays empty without it.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass
from typing import Any

import numpy as np

from dewpond.adapters.system_clock import SystemClock
from dewpond.brain.timetable import LONG_SEARCH, Chain, Limits, pack_forward

NIGHT_MIN = 480
SUPPLIES = {10: 1, 100: 2, 1000: 6}
SOLVER_S = 10.0


@dataclass(frozen=True)
class Zone:
    """One zone's night, in whole minutes."""

    supply: int
    openings: int
    minutes: int
    flow_l_min: int
    rest_min: int

    @property
    def length_min(self) -> int:
        return self.openings * self.minutes + (self.openings - 1) * self.rest_min

    @property
    def litres(self) -> int:
        return self.openings * self.minutes * self.flow_l_min


def night(zones: int, seed: int) -> tuple[list[Zone], list[int]]:
    """Zones and the capacity of each supply."""
    rng = np.random.default_rng(seed)

    def draw(low: int, high: int) -> int:
        return int(rng.integers(low, high))

    drawn = []
    for _ in range(zones):
        supply, openings, minutes = draw(0, SUPPLIES[zones]), draw(1, 7), draw(3, 13)
        drawn.append(Zone(supply, openings, minutes, draw(5, 41), draw(15, 46)))
    litres = [sum(zone.litres for zone in drawn if zone.supply == supply) for supply in range(SUPPLIES[zones])]
    return drawn, [max(60, math.ceil(total / (0.75 * NIGHT_MIN))) for total in litres]


def bound_min(zones: list[Zone], capacity: list[int]) -> int:
    """No timetable can be shorter."""
    by_flow = [
        math.ceil(sum(zone.litres for zone in zones if zone.supply == supply) / limit)
        for supply, limit in enumerate(capacity)
    ]
    return max(*by_flow, *(zone.length_min for zone in zones))


def ours(zones: list[Zone], capacity: list[int], *, search: int) -> tuple[float, float]:
    """Length of the night in minutes, and the milliseconds it took to find."""
    clock = SystemClock()
    started_s = clock.now().elapsed_s
    ends_s = [0.0]
    for supply, limit in enumerate(capacity):
        chains = [
            Chain(str(n), (60.0 * z.minutes,) * z.openings, 60.0 * z.rest_min, float(z.flow_l_min), ((0.0, 1e6),))
            for n, z in enumerate(zones)
            if z.supply == supply
        ]
        ends_s += [item.end_s for item in pack_forward(chains, Limits(len(chains), float(limit)), search=search)]
    return max(ends_s) / 60.0, 1000.0 * (clock.now().elapsed_s - started_s)


def by_solver(zones: list[Zone], capacity: list[int]) -> float | None:
    """Length of the night the solver has found after 10 s with two workers; None without the solver or a solution."""
    try:
        from ortools.sat.python import cp_model  # noqa: PLC0415 - an extra
    except ImportError:
        return None
    model: Any = cp_model.CpModel()
    length = model.new_int_var(bound_min(zones, capacity), 2 * NIGHT_MIN, "length")
    spans: list[list[Any]] = [[] for _ in capacity]
    flows: list[list[int]] = [[] for _ in capacity]
    for zone in zones:
        before = None
        for _ in range(zone.openings):
            start = model.new_int_var(0, 2 * NIGHT_MIN, "")
            spans[zone.supply].append(model.new_fixed_size_interval_var(start, zone.minutes, ""))
            flows[zone.supply].append(zone.flow_l_min)
            if before is not None:
                model.add(start >= before + zone.minutes + zone.rest_min)
            before = start
        model.add(length >= before + zone.minutes)
    for supply, limit in enumerate(capacity):
        model.add_cumulative(spans[supply], flows[supply], limit)
    model.minimize(length)
    solver: Any = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds = SOLVER_S
    solver.parameters.num_workers = 2
    found = solver.solve(model) in (cp_model.OPTIMAL, cp_model.FEASIBLE)
    return float(solver.objective_value) if found else None


def main(seeds: list[int]) -> None:
    print("zones seed  one pass    ms  searched    ms  solver, 10 s   (length of the night / lower bound)")
    for zones in SUPPLIES:
        for seed in seeds:
            drawn, capacity = night(zones, seed)
            least = bound_min(drawn, capacity)
            once, once_ms = ours(drawn, capacity, search=0)
            searched, searched_ms = ours(drawn, capacity, search=LONG_SEARCH)
            solver = by_solver(drawn, capacity)
            told = "-" if solver is None else f"{solver / least:.4f}"
            ours_told = f"{once / least:8.4f} {once_ms:5.1f}  {searched / least:8.4f} {searched_ms:5.1f}"
            print(f"{zones:5d} {seed:4d}  {ours_told}  {told}")


if __name__ == "__main__":
    main([int(word) for word in sys.argv[1:]] or [1])
