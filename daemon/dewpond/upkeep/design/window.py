"""Whether the hottest week's water fits into the nights that window, days and restrictions leave."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from dewpond.brain.local_time import LocalDays
from dewpond.brain.rules_of_place import PlaceRules
from dewpond.brain.supply_bounds import flow_bound_l_min
from dewpond.model.site import Site, Supply, Zone
from dewpond.science.application import run_time_for_net_s, split_run
from dewpond.upkeep.design.finding import HARM, Finding

DAYS = 7
# Reference ET of a hot day where no record is at hand [mm/d]; common practice, no source.
ASSUMED_MM_D = 8.0
ASSUMED_YEAR = 2027  # any year would do: only the weekdays differ


@dataclass(frozen=True, slots=True, kw_only=True)
class HotWeek:
    """Seven days on end and their mean reference ET, with where they are known from."""

    first: date
    eto_mm_d: float
    source: str


def hottest_week(day: NDArray[np.float64], eto_mm: NDArray[np.float64], record: str) -> HotWeek | None:
    """The mean, over the years of a record, of each year's hottest seven days; dated as the hottest of them all.

    ``day`` counts from 1970-01-01, ascending; NaN is not measured. None where no seven days on end are known.
    """
    weeks: dict[int, tuple[float, date]] = {}
    for start in range(len(day) - DAYS + 1):
        span = slice(start, start + DAYS)
        if day[start + DAYS - 1] - day[start] != DAYS - 1 or not np.isfinite(eto_mm[span]).all():
            continue
        first, mean = date(1970, 1, 1) + timedelta(days=int(day[start])), float(eto_mm[span].mean())
        if first.year not in weeks or mean > weeks[first.year][0]:
            weeks[first.year] = mean, first
    if not weeks:
        return None
    years = f"{len(weeks)} years" if len(weeks) > 1 else "one year"
    mean_mm_d = sum(mean for mean, _ in weeks.values()) / len(weeks)
    return HotWeek(first=max(weeks.values())[1], eto_mm_d=mean_mm_d, source=f"hottest week of {years} of {record}")


def assumed_week(site: Site) -> HotWeek:
    """A hot week where nothing was measured."""
    first = date(ASSUMED_YEAR, 7 if site.latitude_deg >= 0 else 1, 1)
    source = f"{ASSUMED_MM_D:g} mm a day assumed for a hot week, common practice, no source"
    return HotWeek(first=first, eto_mm_d=ASSUMED_MM_D, source=source)


@dataclass(frozen=True, slots=True)
class Need:
    """What a zone needs in the week, and what it may have: seconds of water, of time with rests, nights, seconds."""

    water_s: float
    with_rests_s: float
    nights: int
    room_s: float


def of_window(site: Site, week: HotWeek) -> list[Finding]:
    """Findings of zones and supplies whose hottest week does not fit."""
    rules = PlaceRules(site, LocalDays(site.timezone))
    needs = {zone.id: need_of(rules, zone, week) for zone in site.zones}
    found = [each for zone in site.zones for each in _zone(zone, needs[zone.id], week)]
    for supply in site.supplies:
        found += _supply(site, supply, needs, week)
    return found


def need_of(rules: PlaceRules, zone: Zone, week: HotWeek) -> Need:
    """A zone's week. Each allowed night gives an equal share, split so that nothing runs off."""
    allowed = [rules.allowed(zone, week.first + timedelta(days=n)) for n in range(DAYS)]
    lengths = [sum(end - begin for begin, end in night) for night in allowed if night]
    coefficient = zone.crop_coefficient[week.first.month - 1] * zone.exposure
    net_mm = DAYS * week.eto_mm_d * coefficient
    water_s = float(run_time_for_net_s(net_mm, zone.application_rate_mm_h, zone.efficiency))
    if not lengths:
        return Need(water_s, water_s, 0, 0.0)
    each_s = water_s / len(lengths)
    openings, _, rest_s = split_run(each_s, zone.application_rate_mm_h, zone.intake_mm_h, zone.surface_storage_mm)
    rests_s = (float(openings) - 1.0) * float(rest_s) if openings > 1 else 0.0
    return Need(water_s, water_s + len(lengths) * rests_s, len(lengths), float(sum(lengths)))


def _zone(zone: Zone, need: Need, week: HotWeek) -> list[Finding]:
    if need.with_rests_s <= need.room_s or need.water_s == 0.0:
        return []
    nights = max(need.nights, 1)
    return [
        Finding(
            code="window_zone",
            weight=HARM,
            table="zone",
            id=zone.id,
            what=(
                f"its hottest week takes {_h(need.with_rests_s)} with soaking rests; {need.nights} nights leave "
                f"{_h(need.room_s)}"
            ),
            number=need.with_rests_s / 3600.0,
            limit=need.room_s / 3600.0,
            unit="h",
            limit_said=f"{week.eto_mm_d:.1f} mm of reference ET a day",
            source=week.source,
            remedy=(
                f"allow {_h(need.with_rests_s / nights)} a night, or more nights, or take heads of a lower rate"
                if need.nights
                else "allow a night: the rules leave none"
            ),
        )
    ]


def _supply(site: Site, supply: Supply, needs: Mapping[str, Need], week: HotWeek) -> list[Finding]:
    """All zones of a supply: no plan can be shorter than max_open and the flow allow."""
    zones = [zone for zone in site.zones if zone.supply == supply.id]
    room_s = max((needs[zone.id].room_s for zone in zones), default=0.0)
    one_by_one_s = sum(needs[zone.id].water_s for zone in zones)
    by_count_s, by_flow_s = one_by_one_s / site.watering.max_open, 0.0
    bound = flow_bound_l_min(supply)
    if bound:
        by_flow_s = sum(needs[zone.id].water_s * zone.flow_l_min for zone in zones) / bound
    least_s = max(by_count_s, by_flow_s)
    if least_s <= room_s or room_s == 0.0:
        return []
    nights = max(needs[zone.id].nights for zone in zones)
    return [
        Finding(
            code="window_supply",
            weight=HARM,
            table="supply",
            id=supply.id,
            what=f"the hottest week of {len(zones)} zones takes {_h(least_s)} or more; the rules leave {_h(room_s)}",
            number=least_s / 3600.0,
            limit=room_s / 3600.0,
            unit="h",
            limit_said=f"{week.eto_mm_d:.1f} mm of reference ET a day, {site.watering.max_open} open at once",
            source=week.source,
            remedy=_way_out(site, zones, by_count_s, by_flow_s, room_s, nights),
        )
    ]


def _way_out(site: Site, zones: Sequence[Zone], by_count_s: float, by_flow_s: float, room_s: float, nights: int) -> str:
    """What would make it fit, worked out from what binds."""
    ways = [f"allow {_h(max(by_count_s, by_flow_s) / nights)} a night"]
    if by_count_s > room_s:
        wanted = int(np.ceil(by_count_s * site.watering.max_open / room_s - 1e-9))
        if wanted <= len(zones):
            ways.append(f"raise max_open to {wanted} where the flow allows it")
    if by_flow_s > room_s:
        ways.append(f"have {by_flow_s / room_s:.2g} times the flow")
    return ", or ".join(ways)


def _h(seconds: float) -> str:
    return f"{seconds / 3600.0:.1f} h"
