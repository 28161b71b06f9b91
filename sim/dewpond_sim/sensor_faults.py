"""Sensors that lie: what a faulty sensor reports in place of what it should."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from dewpond_sim.world.sensors import Readings

DAY_S = 86_400.0
DRY_AIR_M3_M3, DRYING_DAYS = 0.03, 6.0  # a probe that lost its soil falls to air-dry within days


@dataclass(frozen=True, slots=True)
class Kind:
    """One way to fail: which sensor kinds it befalls (empty for all), and what its value is; "" where it has none."""

    of: tuple[str, ...] = ()
    value: str = ""


KINDS = {
    "stuck": Kind(),
    "drifts": Kind(value="how far in a day, in the sensor's unit"),
    "silent": Kind(),
    "rail": Kind(value="what it reads"),
    "dry gap": Kind(of=("soil_moisture",)),
    "says": Kind(value="what it reads"),
    "exaggerates": Kind(of=("soil_moisture",), value="how many times the true change it shows"),
    "never tips": Kind(of=("rain",)),
    "always wet": Kind(of=("rain",), value="mm a day"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorFault:
    """A fault of one sensor from ``since_s`` up to ``until_s`` (seconds since 1970), from its first reading if -inf.

    ``kind`` is ``stuck`` (at its last value), ``drifts`` (by ``value`` a day), ``silent``, ``rail`` (reads ``value``),
    ``dry gap`` (lost contact with the soil), ``says`` (whatever happens, reads ``value``), ``exaggerates`` (shows
    ``value`` times what really changes: a liar with a plan, who makes plants out to use more, or less), ``never tips``
    (a gauge), ``always wet`` (a gauge that counts ``value`` mm a day).
    """

    sensor: str
    kind: str
    since_s: float
    value: float = 0.0
    until_s: float = math.inf


class FaultySensors:
    """Passes readings through, changed as their sensors' faults want."""

    def __init__(self, faults: Sequence[SensorFault]) -> None:
        unknown = sorted({fault.kind for fault in faults} - KINDS.keys())
        if unknown:
            raise ValueError(f"sensor fault {', '.join(unknown)}: not known here; one of {', '.join(KINDS)}")
        self._faults: dict[str, list[SensorFault]] = {}
        for fault in faults:
            self._faults.setdefault(fault.sensor, []).append(fault)
        self._last: dict[SensorFault, float] = {}
        self._begun_s: dict[SensorFault, float] = {}

    def heard(self, reading: Readings) -> Readings:
        """The same block as its sensor reports it; an empty one from a silent sensor."""
        for fault in self._faults.get(reading.sensor, ()):
            if len(reading.time_s):
                reading = self._with(fault, reading)
        return reading

    def _with(self, fault: SensorFault, reading: Readings) -> Readings:
        before, wrong = reading.time_s < fault.since_s, reading.time_s < fault.until_s
        wrong = wrong & ~before
        if before.any():
            self._last[fault] = float(reading.value[before][-1])
        if not wrong.any():
            return reading
        if fault.kind == "silent":
            window_s = None if reading.window_s is None else reading.window_s[~wrong]
            return Readings(reading.sensor, reading.time_s[~wrong], reading.value[~wrong], window_s)
        return replace(reading, value=np.where(wrong, self._wrong(fault, reading), reading.value))

    def _wrong(self, fault: SensorFault, reading: Readings) -> np.ndarray:
        begun_s = self._begun_s.setdefault(fault, max(fault.since_s, float(reading.time_s[0])))
        age_days = np.maximum(reading.time_s - begun_s, 0.0) / DAY_S
        match fault.kind:
            case "stuck":
                return np.full(len(reading.value), self._before(fault, reading))
            case "drifts":
                return np.asarray(reading.value + fault.value * age_days)
            case "dry gap":
                share = np.clip(age_days / DRYING_DAYS, 0.0, 1.0)
                return np.asarray(reading.value * (1.0 - share) + DRY_AIR_M3_M3 * share)
            case "exaggerates":
                before = self._before(fault, reading)
                return np.asarray(before + fault.value * (reading.value - before))
            case "never tips":
                return np.zeros(len(reading.value))
            case "always wet":
                span_s = np.full(len(reading.value), 3600.0) if reading.window_s is None else reading.window_s
                return np.asarray(fault.value * span_s / DAY_S)
            case _:
                return np.full(len(reading.value), fault.value)

    def _before(self, fault: SensorFault, reading: Readings) -> float:
        """What the sensor read before the fault; its first reading where it failed from the start."""
        return self._last.setdefault(fault, float(reading.value[0]))
