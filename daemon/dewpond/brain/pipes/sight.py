"""What a meter can show: the smallest leak, and how soon a change of a zone's flow is told.

Two pulses of the difference, not before the meter reports, and nothing below its least flow; the watch never claims to
be faster.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from dewpond.brain.pipes.of_site import watch_settings
from dewpond.brain.pipes.settings import MeterSettings
from dewpond.model.site import Site, Zone
from dewpond.science.change_detection import earliest_verdict_s, smallest_difference_l_min

# Of a zone's usual flow: a broken lateral at least doubles it, a crack adds about a quarter (EPANET runs of two sites).
DOUBLED, QUARTER, TENTH = 1.0, 0.25, 0.10


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneSight:
    """What the meter can show of one zone: how soon a change of its flow is told, infinite where never. [s]"""

    zone: str
    flow_l_min: float
    below_least_flow: bool
    doubled_s: float
    quarter_s: float
    tenth_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterSight:
    """What one supply's meter can show."""

    supply: str
    pulse_l: float
    least_flow_l_min: float
    greatest_flow_l_min: float
    shared: bool
    leak_in_a_minute_l_min: float
    leak_in_an_hour_l_min: float
    zones: tuple[ZoneSight, ...]


def sights(site: Site) -> list[MeterSight]:
    """What every meter of a site can show, by the same rule as the pipe watch: two pulses of the difference."""
    return [_of_meter(site, supply, settings.meter) for supply, settings in watch_settings(site).items()]


def _of_meter(site: Site, supply: str, meter: MeterSettings) -> MeterSight:
    return MeterSight(
        supply=supply,
        pulse_l=meter.pulse_l,
        least_flow_l_min=meter.q1_l_min,
        greatest_flow_l_min=meter.q3_l_min,
        shared=meter.shared,
        leak_in_a_minute_l_min=max(meter.q1_l_min, float(smallest_difference_l_min(meter.pulse_l, 60.0))),
        leak_in_an_hour_l_min=max(meter.q1_l_min, float(smallest_difference_l_min(meter.pulse_l, 3600.0))),
        zones=tuple(_of_zone(zone, meter) for zone in site.zones if zone.supply == supply),
    )


def _of_zone(zone: Zone, meter: MeterSettings) -> ZoneSight:
    below = zone.flow_l_min < meter.q1_l_min

    def told_after_s(share: float) -> float:
        if below:
            return math.inf
        return max(float(earliest_verdict_s(meter.pulse_l, share * zone.flow_l_min)), meter.row_s)

    return ZoneSight(
        zone=zone.id,
        flow_l_min=zone.flow_l_min,
        below_least_flow=below,
        doubled_s=told_after_s(DOUBLED),
        quarter_s=told_after_s(QUARTER),
        tenth_s=told_after_s(TENTH),
    )
