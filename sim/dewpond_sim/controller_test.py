"""The published controller test over recorded seasons: its site at each station, its rules, and the least water.

Each year's growing season is replayed (April to October, October to April in the south) and set beside the water that
perfect foresight would have taken. The calendar is what a careful person sets: each zone three times a week, minutes
for the season's own mean water use.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, time

import numpy as np

from dewpond.adapters.weather.season import Season
from dewpond.model.hours import DayRule
from dewpond.model.site import Program, Site
from dewpond_sim.perfect_foresight import at_the_brim_mm, least_net_irrigation_mm
from dewpond_sim.replay.run import reference_et, replay
from dewpond_sim.scoring import Score, scores, series


@dataclass(frozen=True)
class Result:
    """One season under one rule: marks by zone, the bound of each, and what each would have taken at the brim."""

    season: str
    first: date
    rule: str
    zones: dict[str, Score]
    bound_mm: dict[str, float]
    brim_mm: dict[str, float]

    @property
    def of_bound(self) -> float:
        """Net irrigation over the least there could have been."""
        return sum(zone.net_mm for zone in self.zones.values()) / sum(self.bound_mm.values())

    @property
    def brim_of_bound(self) -> float:
        """The same for sips at the brim, which know each coming day's water use."""
        return sum(self.brim_mm.values()) / sum(self.bound_mm.values())


def at_station(site: Site, season: Season) -> Site:
    """The site where the season was measured; south of the equator its months are half a year later."""
    station = season.station
    shift = 6 if station.latitude_deg < 0.0 else 0
    zones = tuple(
        replace(zone, crop_coefficient=(*zone.crop_coefficient[shift:], *zone.crop_coefficient[:shift]))
        for zone in site.zones
    )
    return replace(
        site,
        latitude_deg=station.latitude_deg,
        longitude_deg=site.longitude_deg if station.longitude_deg is None else station.longitude_deg,
        elevation_m=station.elevation_m,
        timezone=station.tz,
        zones=zones,
    )


def growing_seasons(season: Season) -> Iterator[tuple[date, date]]:
    """April to October of each year the season holds; October to April in the south."""
    known_first, known_last = season.days[0].date, season.days[-1].date
    for year in range(known_first.year, known_last.year + 1):
        first, last = date(year, 4, 1), date(year, 10, 31)
        if season.station.latitude_deg < 0.0:
            first, last = date(year, 10, 1), date(year + 1, 4, 30)
        if known_first <= first and last <= known_last:
            yield first, last


def with_calendar(site: Site, season: Season, first: date, last: date) -> Site:
    """Three nights a week; minutes by the season's own mean water use, as somebody with a climate table would set."""
    values = [v.eto_mm for v in reference_et(season) if v.eto_mm is not None and first <= v.date <= last]
    eto_mm = float(np.mean(values))
    months = range(first.month, first.month + 7)
    minutes = {}
    for zone in site.zones:
        coefficient = float(np.mean([zone.crop_coefficient[(month - 1) % 12] for month in months])) * zone.exposure
        net_mm = eto_mm * coefficient * 7.0 / 3.0
        minutes[zone.id] = round(net_mm / zone.efficiency / zone.application_rate_mm_h * 60.0)
    days = DayRule(kind="weekdays", weekdays=frozenset({0, 2, 4}))
    program = Program(name="Three nights", zone_minutes=minutes, starts=(time(21, 30),), days=days)
    return replace(site, programs=(program,))


def judge(
    site: Site, season: Season, first: date, last: date, rules: Sequence[str], forecast: str = "none"
) -> Iterator[Result]:
    """One growing season under each rule."""
    here = at_station(site, season)
    bound_mm: dict[str, float] = {}
    brim_mm: dict[str, float] = {}
    for rule in rules:
        asked = with_calendar(here, season, first, last) if rule == "calendar" else here
        done = replay(asked, season, first=first, last=last, rule=rule, forecast=forecast)
        for zone in here.zones if not bound_mm else ():
            days = series(zone, done.records.days)
            bound_mm[zone.id] = least_net_irrigation_mm(days.etc_mm, days.rain_mm, zone.raw_mm)
            brim_mm[zone.id] = at_the_brim_mm(days.etc_mm, days.rain_mm, zone.raw_mm)
        yield Result(season.station.name.split(",")[0], first, rule, scores(here, done.records), bound_mm, brim_mm)
