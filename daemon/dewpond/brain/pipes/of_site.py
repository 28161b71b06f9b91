"""What a site's file says of its meters, as settings of the watch."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from dewpond.brain.pipes.settings import USUAL_LIMITS, MeterSettings, WatchSettings, ZoneLimits
from dewpond.model.site import PipeLimits, Sensor, Site, Supply, Zone

# Where the file says nothing. A counter's scale is what one count stands for; a meter of rates is finer.
USUAL_PULSE_L = 1.0
RATE_PULSE_L = 0.01
Q3_L_MIN = 41.7  # permanent flow of a 2.5 m3/h meter, the usual size of a house connection (from memory)
RANGE = 100.0  # Q3/Q1 of the usual R100 meter (from memory of ISO 4064-1)


def watch_settings(site: Site) -> dict[str, WatchSettings]:
    """Settings by supply id, of every supply that has a meter."""
    sensors = {sensor.id: sensor for sensor in site.sensors}
    found: dict[str, WatchSettings] = {}
    for supply in site.supplies:
        sensor = sensors.get(supply.meter or "")
        if sensor is not None:
            largest = max((zone.flow_l_min for zone in site.zones if zone.supply == supply.id), default=0.0)
            found[supply.id] = WatchSettings(
                meter=_meter(supply, sensor, largest),
                limits={zone.id: _limits(supply, zone) for zone in site.zones if zone.supply == supply.id},
                idle_l=supply.watch.idle_l,
            )
    return found


def _limits(supply: Supply, zone: Zone) -> ZoneLimits:
    """A zone's limits: its own word, else its supply's, else the usual one."""

    def said(read: Callable[[PipeLimits], float | None], usual: float) -> float:
        for value in (read(zone.watch), read(supply.watch)):
            if value is not None:
                return value
        return usual

    return ZoneLimits(
        break_factor=1.0 + said(lambda limits: limits.stop_above, USUAL_LIMITS.break_factor - 1.0),
        suspicion_stops=bool(said(lambda limits: limits.suspicion_stops, USUAL_LIMITS.suspicion_stops)),
        grace_s=said(lambda limits: limits.grace_s, USUAL_LIMITS.grace_s),
    )


def _meter(supply: Supply, sensor: Sensor, largest_l_min: float) -> MeterSettings:
    q3_l_min = supply.meter_greatest_flow_l_min or max(Q3_L_MIN, largest_l_min)
    return MeterSettings(
        pulse_l=supply.meter_pulse_l or _pulse_l(sensor.mapping),
        q1_l_min=supply.meter_least_flow_l_min or q3_l_min / RANGE,
        q3_l_min=q3_l_min,
        shared=supply.shared_with_house,
        row_s=supply.meter_row_s,
    )


def _pulse_l(mapping: Mapping[str, object]) -> float:
    if mapping.get("accumulation") not in ("cumulative", "increment"):
        return RATE_PULSE_L
    scale = mapping.get("scale")
    litres = mapping.get("unit_in", "L") == "L"
    return float(scale) if litres and isinstance(scale, int | float) and scale > 0 else USUAL_PULSE_L
