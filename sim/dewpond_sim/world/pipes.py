"""The true pipes of one supply: flow and pressure behind the meter while valves are open, and the meter's own rows.

A plain head or nozzle passes q = c sqrt(p), a compensating drip line a constant flow; the source's pressure falls
with the square of the flow. With p at the point of connection this has a closed form, so any interval is one call.
The square law, the five-fold flow of a filling lateral and the example figures they are tested on follow EPANET 2.2
runs of a garden and a campus (US EPA, public domain).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dewpond.model.site import Supply, Zone

FloatArray = NDArray[np.float64]

DEFAULT_STATIC_KPA = 350.0  # a usual service pressure where the site file states none; common practice, no source
# Share of static pressure lost at full capacity; the garden of the EPANET runs lost 9 % at about three quarters of it.
DROP_AT_CAPACITY = 0.15
FILLING_FACTOR = 5.0  # a filling lateral passes 4.2 (garden) to 6.5 (campus) times its heads' c in the EPANET runs
_TINY_PULSES = 1e-6  # a count this near to the next pulse has reached it: rounding of floats, not water


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterParameters:
    """How the meter and the pressure sensor see the pipe.

    ``pulse_l`` litres a pulse; flows below ``start_l_min`` do not turn the meter; ``factor`` is counted over true;
    noise is normal.
    """

    pulse_l: float = 1.0
    start_l_min: float = 0.0
    factor: float = 1.0
    pressure_noise_kpa: float = 0.0
    pressure_step_kpa: float = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class RowTimes:
    """When rows are sent: on a grid of ``open_s`` while a valve is open and ``after_close_s`` longer, else of
    ``idle_s``.
    """

    open_s: float = 10.0
    idle_s: float = 300.0
    after_close_s: float = 60.0


@dataclass(frozen=True, slots=True)
class MeterRows:
    """Rows in (t0, t1]: each at the end of the ``window_s`` it covers, in seconds since 1970-01-01 UTC."""

    time_s: FloatArray
    litres: FloatArray
    window_s: FloatArray
    pressure_kpa: FloatArray


@dataclass(frozen=True, slots=True)
class Flows:
    """A steady state: L/min through each zone, through the meter, and pressure at the point of connection."""

    zone_l_min: FloatArray
    total_l_min: float
    pressure_kpa: float


class SupplyPipes:
    """One supply with its zones, in the order given. Advance it through intervals of constant valve states.

    The arrays ``conductance`` (plain heads, L/min per sqrt(kPa)), ``constant_l_min`` (compensating drip),
    ``drained_l`` (what a lateral loses after each run) and the scalars ``static_kpa`` and ``leak_conductance`` (an
    opening on the main) may be changed at any time to make something break; call ``changed`` afterwards.
    """

    def __init__(
        self,
        supply: Supply,
        zones: Sequence[Zone],
        *,
        start_s: float,
        meter: MeterParameters,
        rows: RowTimes,
        rng: np.random.Generator,
        drained_l: float = 0.0,
    ) -> None:
        flow = np.array([zone.flow_l_min for zone in zones], dtype=np.float64)
        compensating = np.array([zone.method == "drip" for zone in zones], dtype=bool)
        self.static_kpa = supply.static_pressure_kpa or DEFAULT_STATIC_KPA
        capacity_l_min = supply.capacity_l_min or 1.3 * float(flow.max(initial=1.0))
        self.loss_kpa = DROP_AT_CAPACITY * self.static_kpa / capacity_l_min**2
        alone_kpa = np.maximum(self.static_kpa - self.loss_kpa * flow**2, 0.05 * self.static_kpa)
        self.conductance = np.where(compensating, 0.0, flow / np.sqrt(alone_kpa))
        self.constant_l_min = np.where(compensating, flow, 0.0)
        self.leak_conductance = 0.0
        self.drained_l = np.full(len(zones), drained_l)
        self.meter = meter
        self.rows = rows
        self._filling_conductance = FILLING_FACTOR * flow / np.sqrt(alone_kpa)
        self._fill_left_l = self.drained_l.copy()
        self._open: tuple[int, ...] = ()
        self._known: dict[tuple[tuple[int, ...], tuple[int, ...]], Flows] = {}
        self._rng = rng
        self._counted_l = 0.0
        self._pulses = 0.0
        self._row_s = start_s
        self._fine_until_s = -math.inf

    def changed(self) -> None:
        """Forget the steady states worked out so far, because a parameter was changed."""
        self._known.clear()

    def flows(self, open_zones: tuple[int, ...], filling: tuple[int, ...] = ()) -> Flows:
        """The steady state with these zones open, of which some are still filling their drained laterals."""
        key = (open_zones, filling)
        known = self._known.get(key)
        if known is None:
            known = self._known[key] = self._solve(open_zones, filling)
        return known

    def switch(self, at_s: float, open_zones: tuple[int, ...]) -> None:
        """These zones are open from ``at_s`` on. Zones count from 0, in the order given, ascending."""
        for zone in self._open:
            if zone not in open_zones:
                self._fill_left_l[zone] = self.drained_l[zone]
        if self._open and open_zones != self._open:
            self._fine_until_s = at_s + self.rows.after_close_s
        self._open = open_zones

    def next_row_s(self, at_s: float) -> float:
        """The first row time after ``at_s``, if no valve moves."""
        fine_s = (math.floor(at_s / self.rows.open_s) + 1.0) * self.rows.open_s
        if self._open or fine_s <= self._fine_until_s:
            return fine_s
        return (math.floor(at_s / self.rows.idle_s) + 1.0) * self.rows.idle_s

    def advance(self, t0_s: float, t1_s: float) -> tuple[MeterRows, FloatArray]:
        """Rows in (t0, t1] and the litres each zone's heads put on the ground meanwhile."""
        if not any(self._fill_left_l[zone] > 0.0 for zone in self._open):
            state = self.flows(self._open)
            span_s = max(t1_s - t0_s, 0.0)
            return self._steady_rows(t0_s, span_s, state), state.zone_l_min * (span_s / 60.0)
        ends_s, states, delivered_l = self._segments(t0_s, t1_s)
        return self._filling_rows(t0_s, ends_s, states), delivered_l

    def _segments(self, t0_s: float, t1_s: float) -> tuple[list[float], list[Flows], FloatArray]:
        """Steady states one after the other, as filling laterals end one by one: their ends, and litres by zone."""
        delivered_l = np.zeros(len(self.conductance))
        ends_s: list[float] = []
        states: list[Flows] = []
        at_s = t0_s
        while at_s < t1_s:
            filling = tuple(zone for zone in self._open if self._fill_left_l[zone] > 0.0)
            state = self.flows(self._open, filling)
            end_s = min([t1_s, *(at_s + self._fill_time_s(zone, state) for zone in filling)])
            passed_l = state.zone_l_min * ((end_s - at_s) / 60.0)
            for zone in filling:
                left_l = self._fill_left_l[zone] - passed_l[zone]
                self._fill_left_l[zone] = left_l if left_l > 1e-9 else 0.0
                passed_l[zone] = 0.0
            delivered_l += passed_l
            ends_s.append(end_s)
            states.append(state)
            at_s = end_s
        return ends_s, states, delivered_l

    def _fill_time_s(self, zone: int, state: Flows) -> float:
        flow_l_min = float(state.zone_l_min[zone])
        return max(self._fill_left_l[zone] / flow_l_min * 60.0, 1e-6) if flow_l_min > 0.0 else math.inf

    def _solve(self, open_zones: tuple[int, ...], filling: tuple[int, ...]) -> Flows:
        """q = C s + Q and s^2 = p0 - k q^2 with s = sqrt(p): a quadratic in s."""
        conductance = np.zeros(len(self.conductance))
        constant_l_min = np.zeros(len(self.conductance))
        for zone in open_zones:
            fills = zone in filling
            conductance[zone] = self._filling_conductance[zone] if fills else self.conductance[zone]
            constant_l_min[zone] = 0.0 if fills else self.constant_l_min[zone]
        total_c = float(conductance.sum()) + self.leak_conductance
        total_q = float(constant_l_min.sum())
        spare_kpa = self.static_kpa - self.loss_kpa * total_q**2
        if spare_kpa <= 0.0:  # the source cannot even feed the compensating drip: it gives what it can at no pressure
            share = math.sqrt(max(self.static_kpa, 0.0) / self.loss_kpa) / total_q if total_q else 0.0
            return Flows(constant_l_min * share, total_q * share, 0.0)
        a, half_b = 1.0 + self.loss_kpa * total_c**2, self.loss_kpa * total_c * total_q
        root = (math.sqrt(half_b**2 + a * spare_kpa) - half_b) / a
        return Flows(conductance * root + constant_l_min, total_c * root + total_q, root**2)

    def _steady_rows(self, t0_s: float, span_s: float, state: Flows) -> MeterRows:
        times_s = self._row_times(t0_s, t0_s + span_s)
        rate_l_s = self._counted_l_s(state)
        counted_l = self._counted_l + (times_s - t0_s) * rate_l_s
        self._counted_l += span_s * rate_l_s
        return self._count(times_s, counted_l, np.full(len(times_s), state.pressure_kpa))

    def _filling_rows(self, t0_s: float, ends_s: list[float], states: list[Flows]) -> MeterRows:
        times_s = self._row_times(t0_s, ends_s[-1])
        knots_s = np.array([t0_s, *ends_s])
        passed_l = np.diff(knots_s) * [self._counted_l_s(state) for state in states]
        knots_l = self._counted_l + np.concatenate(([0.0], np.cumsum(passed_l)))
        counted_l = np.interp(times_s, knots_s, knots_l)
        segment = np.minimum(np.searchsorted(knots_s[1:], times_s), len(states) - 1)
        pressure_kpa = np.array([state.pressure_kpa for state in states])[segment]
        self._counted_l = float(knots_l[-1])
        return self._count(times_s, counted_l, pressure_kpa)

    def _counted_l_s(self, state: Flows) -> float:
        turns = state.total_l_min >= self.meter.start_l_min
        return state.total_l_min * self.meter.factor / 60.0 if turns else 0.0

    def _count(self, times_s: FloatArray, counted_l: FloatArray, pressure_kpa: FloatArray) -> MeterRows:
        if not len(times_s):
            return MeterRows(times_s, times_s, times_s, times_s)
        meter = self.meter
        pulses = np.floor(counted_l / meter.pulse_l + _TINY_PULSES)
        litres = _steps(pulses, self._pulses) * meter.pulse_l
        window_s = _steps(times_s, self._row_s)
        self._pulses, self._row_s = float(pulses[-1]), float(times_s[-1])
        if meter.pressure_noise_kpa:
            pressure_kpa = pressure_kpa + self._rng.normal(0.0, meter.pressure_noise_kpa, len(times_s))
        pressure_kpa = np.rint(np.maximum(pressure_kpa, 0.0) / meter.pressure_step_kpa) * meter.pressure_step_kpa
        return MeterRows(times_s, litres, window_s, pressure_kpa)

    def _row_times(self, t0_s: float, t1_s: float) -> FloatArray:
        if self._open:
            return grid_times(t0_s, t1_s, self.rows.open_s)
        turn_s = min(max(self._fine_until_s, t0_s), t1_s)
        if turn_s <= t0_s:
            return grid_times(t0_s, t1_s, self.rows.idle_s)
        return np.concatenate((grid_times(t0_s, turn_s, self.rows.open_s), grid_times(turn_s, t1_s, self.rows.idle_s)))


def grid_times(t0_s: float, t1_s: float, step_s: float) -> FloatArray:
    """Multiples of ``step_s`` in (t0, t1]."""
    return np.arange(math.floor(t0_s / step_s) + 1, math.floor(t1_s / step_s) + 1, dtype=np.float64) * step_s


def _steps(values: FloatArray, before: float) -> FloatArray:
    """Each value less the one before it."""
    steps = values.copy()
    steps[1:] -= values[:-1]
    steps[0] -= before
    return steps
