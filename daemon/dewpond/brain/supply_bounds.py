"""How much a supply gives at once: the least of its capacity, its pump's greatest flow, and what its main carries."""

from __future__ import annotations

from dewpond.model.site import Supply
from dewpond.science.hydraulics import largest_flow_l_min


def flow_bound_l_min(supply: Supply) -> float | None:
    """The most that zones may take together; None where nothing is stated. A zone alone may always run. [L/min]"""
    bounds = [supply.capacity_l_min]
    if supply.pump is not None:
        bounds.append(supply.pump.greatest_flow_l_min)
    if supply.pipe_diameter_mm is not None:
        bounds.append(float(largest_flow_l_min(supply.pipe_diameter_mm, supply.velocity_limit_m_s)))
    return min((bound for bound in bounds if bound is not None), default=None)


def least_flow_l_min(supply: Supply) -> float:
    """The least that zones must take together, for the sake of the pump. [L/min]"""
    return 0.0 if supply.pump is None else supply.pump.least_flow_l_min
