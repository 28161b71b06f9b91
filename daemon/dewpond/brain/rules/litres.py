"""Where a pump's litres a day are fewer than all depths of a night want: cut as where a night is too short.

Each zone keeps what it cannot do without until its next chance, the rest of every zone is cut alike. Where not even
that is there, zones nearest to stress are served first. The night's water counts on the date its window closes on,
where nearly all of it is placed; the sequencer keeps the limit of each date to the litre.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from dewpond.brain import pumps
from dewpond.brain.ground import Ground
from dewpond.brain.rules.question import Depth
from dewpond.brain.state import NightState, Opening, State
from dewpond.model.site import Supply, Zone

WORTH_SAYING_MM = 0.05


def fit(
    ground: Ground,
    state: State,
    depths: Mapping[str, Depth],
    dryness: Mapping[str, float],
    night: NightState,
    taken: Sequence[Opening],
) -> dict[str, Depth]:
    """The depths that pumps have litres for.

    ``dryness`` is missing water over what roots take easily, by zone; ``taken`` are openings not decided again.
    """
    fitted = dict(depths)
    for supply in ground.site.supplies:
        if supply.pump is None or supply.pump.daily_l is None:
            continue
        busy = {item.zone for item in taken}
        zones = [
            zone
            for zone in ground.site.zones
            if zone.supply == supply.id
            and zone.rule != "calendar"
            and zone.id not in busy
            and depths[zone.id].net_mm > 0.0
        ]
        left_l = _left_l(ground, state, supply, supply.pump.daily_l, night, taken)
        zones.sort(key=lambda zone: -dryness[zone.id])
        fitted |= _cut(zones, depths, left_l, f"The pump of {supply.id} gives {supply.pump.daily_l:.0f} L a day")
    return fitted


def _left_l(
    ground: Ground, state: State, supply: Supply, daily_l: float, night: NightState, taken: Sequence[Opening]
) -> float:
    day = ground.days.date_at(night.closes_s - 1.0)
    start_s, end_s = ground.days.start_s(day), ground.days.end_s(day)
    taken_l = sum(
        item.seconds * item.flow_l_min / 60.0
        for item in taken
        if item.supply == supply.id and start_s <= item.start_s < end_s
    )
    return max(0.0, daily_l - pumps.used_on_l(ground, state, supply, start_s, end_s) - taken_l)


def _cut(zones: Sequence[Zone], depths: Mapping[str, Depth], left_l: float, limit: str) -> dict[str, Depth]:
    """The depths of these zones, the driest first, within some litres."""
    least = {zone.id: min(depths[zone.id].least_mm, depths[zone.id].net_mm) for zone in zones}
    wanted_l = sum(_litres(zone, depths[zone.id].net_mm) for zone in zones)
    if wanted_l <= left_l:
        return {}
    least_l = sum(_litres(zone, least[zone.id]) for zone in zones)
    if least_l <= left_l:
        share = (left_l - least_l) / (wanted_l - least_l)
        given = {zone.id: least[zone.id] + share * (depths[zone.id].net_mm - least[zone.id]) for zone in zones}
    else:
        given = {}
        for zone in zones:
            given[zone.id] = min(least[zone.id], left_l / _litres(zone, 1.0))
            left_l -= _litres(zone, given[zone.id])
    return {zone.id: _shortened(depths[zone.id], given[zone.id], limit) for zone in zones}


def _shortened(depth: Depth, net_mm: float, limit: str) -> Depth:
    short_mm = depth.net_mm - net_mm
    if short_mm < WORTH_SAYING_MM:
        return depth
    note = f"{limit}: {short_mm:.1f} mm are carried to the next night."
    return replace(depth, net_mm=net_mm, note=f"{depth.note} {note}".strip(), carried_mm=depth.carried_mm + short_mm)


def _litres(zone: Zone, net_mm: float) -> float:
    return net_mm / zone.efficiency / zone.application_rate_mm_h * 60.0 * zone.flow_l_min
