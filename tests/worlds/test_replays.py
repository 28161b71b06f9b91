"""Recorded seasons through the daemon's own brain and loop: rules kept, books closed, nothing known too early."""

from __future__ import annotations

import csv
import itertools
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from dewpond.adapters.weather.season_files import read_season
from dewpond.settings.site_file import require_site
from dewpond_sim.replay.results import write_results
from dewpond_sim.replay.run import ReplayRefused, replay

SEASONS = Path(__file__).parents[1] / "data" / "seasons"
SITE = Path(__file__).parents[2] / "deploy" / "sites" / "withy-hollow.toml"
CAMPUS = Path(__file__).parents[2] / "deploy" / "sites" / "campus.toml"


@pytest.fixture(scope="module")
def newark():
    return read_season(SEASONS / "newark-nj-2013")


@pytest.fixture(scope="module")
def summer(newark):
    return replay(require_site(SITE), newark, first=date(2013, 6, 1), last=date(2013, 8, 31))


@pytest.fixture(scope="module")
def campus(newark):
    return replay(require_site(CAMPUS), newark, first=date(2013, 6, 1), last=date(2013, 7, 15))


def test_the_ledger_of_every_zone_closes_every_day(summer):
    before = {}
    for row in summer.records.days:
        change_mm = row.etc_mm - row.effective_rain_mm - row.net_irrigation_mm + row.drainage_mm
        assert row.depletion_mm - before.get(row.zone, 0.0) == pytest.approx(change_mm, abs=1e-9)
        assert min(row.etc_mm, row.effective_rain_mm, row.net_irrigation_mm, row.runoff_mm, row.drainage_mm) >= 0.0
        assert row.effective_rain_mm <= 0.8 * row.rain_mm + 1e-9
        assert row.reason
        before[row.zone] = row.depletion_mm


def test_every_zone_has_one_row_for_every_date(summer):
    dates = {row.date for row in summer.records.days}
    assert len(dates) == 92
    assert len(summer.records.days) == 92 * 7


def test_net_water_of_the_ledger_is_that_of_the_runs(summer):
    site = require_site(SITE)
    for zone in site.zones:
        gross_mm = sum(run.gross_mm for run in summer.records.runs if run.zone == zone.id)
        rows = [row for row in summer.records.days if row.zone == zone.id]
        runoff_mm = sum(row.runoff_mm for row in rows)
        net_mm = sum(row.net_irrigation_mm for row in rows)
        assert net_mm == pytest.approx((gross_mm - runoff_mm) * zone.efficiency, abs=0.01)
        assert runoff_mm <= 0.01 * gross_mm + 1e-9


@pytest.mark.parametrize(("name", "path"), [("summer", SITE), ("campus", CAMPUS)])
def test_runs_keep_window_days_count_and_capacity(name, path, request):
    site, done = require_site(path), request.getfixturevalue(name)
    zone_of = {zone.id: zone for zone in site.zones}
    place = ZoneInfo(site.timezone)
    assert len(done.records.runs) > 50
    for run in done.records.runs:
        start, end = run.start.astimezone(place), run.end.astimezone(place)
        assert _inside(site.watering.window, start, end)
        assert start.date() == (end - timedelta(seconds=1)).date()
        assert run.seconds == (run.end - run.start).total_seconds()
        for rule in site.restrictions:
            _keeps(rule, zone_of[run.zone], start, end)
    for supply in site.supplies:
        runs = [run for run in done.records.runs if zone_of[run.zone].supply == supply.id]
        for run in runs:
            together = [other for other in runs if other.start <= run.start < other.end]
            assert len(together) <= site.watering.max_open
            if supply.capacity_l_min is not None:
                assert sum(zone_of[other.zone].flow_l_min for other in together) <= supply.capacity_l_min + 1e-6


def _inside(window, start: datetime, end: datetime) -> bool:
    opens = start.replace(hour=window.start.hour, minute=window.start.minute, second=0, microsecond=0)
    if start < opens:
        opens -= timedelta(days=1)
    closes = opens.replace(hour=window.end.hour, minute=window.end.minute)
    closes += timedelta(days=1) if closes <= opens else timedelta(0)
    return opens <= start and end <= closes


def _keeps(rule, zone, start: datetime, end: datetime) -> None:
    names = {"all", zone.id, zone.supply, "overhead" if zone.overhead else "drip"}
    if rule.stages or not (rule.applies_to & names) or not rule.dates.includes(start.date()):
        return
    if rule.days.kind == "weekdays":
        assert start.weekday() in rule.days.weekdays
    if rule.days.kind in ("odd", "even"):
        assert start.day % 2 == (1 if rule.days.kind == "odd" else 0)
    if rule.hours is not None and rule.hours.start > rule.hours.end:
        assert start.time() >= rule.hours.start or end.time() <= rule.hours.end
    elif rule.hours is not None and rule.hours.start < rule.hours.end:
        assert rule.hours.start <= start.time() <= end.time() <= rule.hours.end


def test_the_same_seed_gives_the_same_bytes(newark, tmp_path):
    site = require_site(SITE)
    for name in ("one", "two"):
        done = replay(site, newark, first=date(2013, 7, 1), last=date(2013, 7, 20), seed=5)
        write_results(tmp_path / name, done.records, {})
    for file in ("runs.csv", "days.csv"):
        assert (tmp_path / "one" / file).read_bytes() == (tmp_path / "two" / file).read_bytes()


def test_nothing_is_known_before_its_day_is_over(newark):
    """A storm and a heat wave on 10 July change no run that began before that station day's end."""
    storm = date(2013, 7, 10)
    days = tuple(replace(day, rain_mm=60.0, t_max_c=41.0) if day.date == storm else day for day in newark.days)
    site = require_site(SITE)
    dates = {"first": date(2013, 7, 1), "last": date(2013, 7, 20)}
    daily = replace(newark, hourly=None)  # hours of rain, which the belief uses, would not fit the storm
    plain = replay(site, daily, **dates).records.runs
    changed = replay(site, replace(daily, days=days), **dates).records.runs
    known = datetime(2013, 7, 11, 5, tzinfo=ZoneInfo("UTC"))  # the station keeps UTC-5 all year
    same = list(itertools.takewhile(lambda pair: pair[0] == pair[1], zip(plain, changed, strict=False)))
    assert all(run.start >= known for run in (plain[len(same)], changed[len(same)]))
    assert plain != changed


def test_a_season_without_rain_or_sun_still_replays_and_says_what_was_assumed():
    fallon = read_season(SEASONS / "fallon-nv-2015")
    done = replay(require_site(SITE), fallon, first=date(2015, 7, 1), last=date(2015, 7, 10))
    assert all(row.rain_mm == 0.0 for row in done.records.days)
    seattle = read_season(SEASONS / "seattle-wa-2012-2015")
    done = replay(require_site(SITE), seattle, first=date(2014, 7, 1), last=date(2014, 7, 10))
    complete = {row.eto_method for row in replay_methods(fallon)}
    assert complete.isdisjoint({row.eto_method for row in done.records.days})


def replay_methods(season):
    return replay(require_site(SITE), season, first=date(2015, 6, 1), last=date(2015, 6, 2)).records.days


def test_a_missing_weather_day_is_assumed_and_nothing_else_is_lost(newark):
    gap = date(2013, 7, 5)
    blank = {"t_min_c": None, "t_max_c": None, "rain_mm": None, "rh_min_pct": None, "rh_max_pct": None}
    days = tuple(replace(day, **blank) if day.date == gap else day for day in newark.days)
    done = replay(require_site(SITE), replace(newark, days=days), first=date(2013, 7, 1), last=date(2013, 7, 10))
    methods = {row.date: row.eto_method for row in done.records.days}
    assert methods[gap].startswith("assumed")
    assert not methods[gap + timedelta(days=1)].startswith("assumed")
    assert len(methods) == 10


def test_dates_outside_the_season_are_refused(newark):
    with pytest.raises(ReplayRefused, match="the season holds 2013-01-01"):
        replay(require_site(SITE), newark, first=date(2012, 1, 1), last=date(2013, 1, 5))


def test_the_files_hold_the_promised_columns_with_enough_decimals(summer, tmp_path):
    write_results(tmp_path, summer.records, summer.summary)
    with (tmp_path / "days.csv").open() as file:
        rows = list(csv.DictReader(file))
    promised = (
        "date zone eto_mm etc_mm rain_mm effective_rain_mm net_irrigation_mm runoff_mm "
        "drainage_mm depletion_mm taw_mm raw_mm reason"
    )
    assert list(rows[0])[:13] == promised.split()
    assert all(len(row["depletion_mm"].split(".")[1]) >= 3 for row in rows)
    with (tmp_path / "runs.csv").open() as file:
        runs = list(csv.DictReader(file))
    assert list(runs[0])[:7] == ["zone", "start_utc", "end_utc", "seconds", "gross_mm", "litres", "cause"]
    assert all(run["start_utc"].endswith("Z") and run["cause"] for run in runs)


def test_the_simulated_world_agrees_with_the_ledger_it_never_reads(summer):
    """With the site file's own parameters, soil that is computed independently ends within a few mm of the ledger."""
    for zone, totals in summer.summary["zones"].items():
        assert totals["world_litres"] == pytest.approx(totals["litres"], rel=0.03), zone
        assert totals["world_depletion_end_mm"] == pytest.approx(totals["depletion_end_mm"], abs=6.0), zone
