"""Water need by figures: the six zones of the published controller test over recorded seasons, rule by rule.

python benchmarks/water_need.py SEASON_FOLDER... [--site SITE_FILE] [--rules lookahead,refill,calendar] [--zones]
    [--forecast none|season|synthetic]

Each year's growing season is replayed (April to October, October to April in the south) by every rule and set beside
the least water that perfect foresight would have taken. The calendar is what a careful person sets: each zone three
times a week, minutes for the mean water use of the season's own month of highest demand, brought down by month.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, time
from pathlib import Path

import numpy as np
from perfect_foresight import least_net_irrigation_mm

from dewpond.adapters.weather.season import Season
from dewpond.adapters.weather.season_files import read_season
from dewpond.model.site import DayRule, Program, Site
from dewpond.settings.site_file import require_site
from dewpond_sim.replay.run import FORECASTS, reference_et, replay
from dewpond_sim.scoring import Score, scores, series

SITE = Path(__file__).parents[1] / "tests" / "data" / "sites" / "controller-test.toml"
RULES = ("lookahead", "refill", "calendar")


@dataclass(frozen=True)
class Result:
    """One season under one rule: marks by zone, and the bound of each."""

    season: str
    first: date
    rule: str
    zones: dict[str, Score]
    bound_mm: dict[str, float]

    @property
    def of_bound(self) -> float:
        return sum(zone.net_mm for zone in self.zones.values()) / sum(self.bound_mm.values())


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
        longitude_deg=station.longitude_deg,
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
    for rule in rules:
        asked = with_calendar(here, season, first, last) if rule == "calendar" else here
        done = replay(asked, season, first=first, last=last, rule=rule, forecast=forecast)
        for zone in here.zones if not bound_mm else ():
            days = series(zone, done.records.days)
            bound_mm[zone.id] = least_net_irrigation_mm(days.etc_mm, days.rain_mm, zone.raw_mm)
        yield Result(season.station.name.split(",")[0], first, rule, scores(here, done.records), bound_mm)


def show(result: Result) -> str:
    """One line of the table: the worst zone where a mark is a limit, else the mean."""
    marks = list(result.zones.values())
    excess = [mark.excess for mark in marks if not np.isnan(mark.excess)]
    waterings = sum(mark.waterings for mark in marks)
    depth = sum(m.mean_depth_of_raw * m.waterings for m in marks if m.waterings) / max(1, waterings)
    return (
        f"{result.season[:24]:24} {result.first:%Y} {result.rule:9} {sum(m.net_mm for m in marks):7.0f} "
        f"{result.of_bound:8.3f} {min(m.adequacy for m in marks):9.1%} {max(excess, default=0.0):7.2%} "
        f"{float(np.mean(excess)) if excess else 0.0:7.2%} {max(m.stress_days for m in marks):7d} "
        f"{max(m.runoff_share for m in marks):7.2%} {waterings:9d} {depth:6.2f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("seasons", nargs="+", type=Path)
    parser.add_argument("--site", type=Path, default=SITE)
    parser.add_argument("--rules", default=",".join(RULES))
    parser.add_argument("--zones", action="store_true", help="One more line for each zone.")
    parser.add_argument("--forecast", default="none", choices=FORECASTS)
    asked = parser.parse_args()
    site, rules = require_site(asked.site), asked.rules.split(",")
    print(
        f"{'season':24} year {'rule':9} {'net mm':>7} {'of bound':>8} {'adequacy':>9} {'excess':>7} {'mean':>7} "
        f"{'stressd':>7} {'runoff':>7} {'waterings':>9} {'depth':>6}"
    )
    shares: dict[str, list[float]] = {rule: [] for rule in rules}
    for folder in asked.seasons:
        season = read_season(folder)
        for first, last in growing_seasons(season):
            for result in judge(site, season, first, last, rules, asked.forecast):
                shares[result.rule].append(result.of_bound)
                print(show(result), flush=True)
                for name, mark in result.zones.items() if asked.zones else ():
                    ratio = mark.net_mm / max(result.bound_mm[name], 0.1)
                    print(
                        f"    {name:28} {mark.net_mm:6.0f} mm {ratio:6.3f} of bound, adequacy {mark.adequacy:.1%}, "
                        f"excess {mark.excess:.2%}, {mark.stress_days} stress days, depth {mark.mean_depth_of_raw:.2f}"
                    )
    for rule, of_bound in shares.items():
        print(f"{rule}: mean of {len(of_bound)} seasons {np.mean(of_bound):.3f} of the bound")


if __name__ == "__main__":
    main()
