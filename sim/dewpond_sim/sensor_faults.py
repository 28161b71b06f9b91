"""Sensors that lie: what a faulty sensor reports in place of what it should."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from dewpond_sim.world.sensors import Readings

DAY_S = 86_400.0
DRY_AIR_M3_M3, DRYING_DAYS = 0.03, 6.0  # a probe that lost its soil falls to air-dry within days


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorFault:
    """A fault of one sensor from ``since_s`` (seconds since 1970) on.

    ``kind`` is ``stuck`` (at its last value), ``drifts`` (by ``value`` a day), ``silent``, ``rail`` (reads ``value``),
    ``dry gap`` (lost contact with the soil), ``says`` (whatever happens, reads ``value``), ``none fell`` (a gauge that
    never tips), ``always wet`` (a gauge that counts ``value`` mm a day).
    """

    sensor: str
    kind: str
    since_s: float
    value: float = 0.0


KINDS = ("stuck", "drifts", "silent", "rail", "dry gap", "says", "none fell", "always wet")


class FaultySensors:
    """Passes readings through, changed as their sensors' faults want."""

    def __init__(self, faults: Sequence[SensorFault]) -> None:
        unknown = sorted({fault.kind for fault in faults} - set(KINDS))
        if unknown:
            raise ValueError(f"sensor fault {', '.join(unknown)}: not known here; one of {', '.join(KINDS)}")
        self._faults = {fault.sensor: fault for fault in faults}
        self._last: dict[str, float] = {}

    def heard(self, reading: Readings) -> Readings:
        """The same block as its sensor reports it; an empty one from a silent sensor."""
        fault = self._faults.get(reading.sensor)
        if fault is None or not len(reading.time_s):
            return reading
        late = reading.time_s >= fault.since_s
        if not late.all():
            self._last[reading.sensor] = float(reading.value[~late][-1])
        if not late.any():
            return reading
        if fault.kind == "silent":
            kept = ~late
            window_s = None if reading.window_s is None else reading.window_s[kept]
            return Readings(reading.sensor, reading.time_s[kept], reading.value[kept], window_s)
        return replace(reading, value=np.where(late, self._wrong(fault, reading), reading.value))

    def _wrong(self, fault: SensorFault, reading: Readings) -> np.ndarray:
        age_days = (reading.time_s - fault.since_s) / DAY_S
        match fault.kind:
            case "stuck":
                return np.full(len(reading.value), self._last.setdefault(fault.sensor, float(reading.value[0])))
            case "drifts":
                return np.asarray(reading.value + fault.value * age_days)
            case "dry gap":
                share = np.clip(age_days / DRYING_DAYS, 0.0, 1.0)
                return np.asarray(reading.value * (1.0 - share) + DRY_AIR_M3_M3 * share)
            case "none fell":
                return np.zeros(len(reading.value))
            case "always wet":
                span_s = np.full(len(reading.value), 3600.0) if reading.window_s is None else reading.window_s
                return np.asarray(fault.value * span_s / DAY_S)
            case _:
                return np.full(len(reading.value), fault.value)
