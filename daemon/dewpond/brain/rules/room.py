"""Where a night is too short for all depths, what can wait is cut before anybody goes without.

A deep watering of slow heads may fill a whole night. Each zone keeps what it cannot do without until its next chance;
the rest of every zone is cut alike. While the day's rain is not known, the rest is also cut where it would have zones
begin before midnight, as long as they can do without. What still does not fit is left to the packing of the night.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

from dewpond.brain.ground import Ground
from dewpond.brain.rules.question import Depth
from dewpond.brain.state import Opening
from dewpond.model.copying import replace
from dewpond.model.site import Zone

USABLE_SHARE = 0.85  # of the allowed hours: soaking rests, capacity and packing leave gaps
CROWDED_SHARE = 0.5  # of the usable time; from there on a long opening may find no gap between others
WORTH_SAYING_MM = 0.05


def fit(
    ground: Ground,
    depths: Mapping[str, Depth],
    night: date,
    now_s: float,
    known_s: float,
    taken: Sequence[Opening],
) -> dict[str, Depth]:
    """The depths that the rest of a night has time for.

    ``known_s`` is when the day's weather will be known; ``taken`` are openings that are not decided again.
    """
    fitted = dict(depths)
    for supply, limits in ground.limits.items():
        busy = {item.zone for item in taken}
        zones = [
            zone
            for zone in ground.site.zones
            if zone.supply == supply
            and zone.rule != "calendar"
            and zone.id not in busy
            and depths[zone.id].net_mm > 0.0
        ]
        if not zones:
            continue
        taken_s = sum(item.seconds for item in taken if item.supply == supply)
        rooms_s = [
            _room_s(ground, zones, night, from_s) * limits.max_open * USABLE_SHARE - taken_s
            for from_s in (now_s, max(now_s, known_s))
        ]
        fitted.update(_cut(zones, depths, *rooms_s))
    return fitted


def _room_s(ground: Ground, zones: Sequence[Zone], night: date, from_s: float) -> float:
    nights = {ground.rules.allowed(zone, night) for zone in zones}
    return max(sum([max(0.0, end_s - max(start_s, from_s)) for start_s, end_s in spans]) for spans in nights)


def _cut(zones: Sequence[Zone], depths: Mapping[str, Depth], room_s: float, late_room_s: float) -> dict[str, Depth]:
    least_s = sum(_seconds(zone, min(depths[zone.id].least_mm, depths[zone.id].net_mm)) for zone in zones)
    wanted_s = sum(_seconds(zone, depths[zone.id].net_mm) for zone in zones)
    usable_s = late_room_s if least_s <= late_room_s else room_s
    if wanted_s <= usable_s * CROWDED_SHARE:
        return {}
    share = 1.0 if wanted_s <= usable_s else max(0.0, usable_s - least_s) / max(wanted_s - least_s, 1.0)
    return {zone.id: replace(_shortened(depths[zone.id], min(share, 1.0)), in_pieces=True) for zone in zones}


def _shortened(depth: Depth, share: float) -> Depth:
    """What it cannot do without, and this share of the rest."""
    least_mm = min(depth.least_mm, depth.net_mm)
    net_mm = least_mm + share * (depth.net_mm - least_mm)
    if depth.net_mm - net_mm < WORTH_SAYING_MM:
        return depth
    note = f"The night is too short for all at once: {depth.net_mm - net_mm:.1f} mm are carried to the next night."
    return replace(depth, net_mm=net_mm, note=f"{depth.note} {note}".strip(), carried_mm=depth.net_mm - net_mm)


def _seconds(zone: Zone, net_mm: float) -> float:
    return net_mm / zone.efficiency / zone.application_rate_mm_h * 3600.0
