"""A recorded summer over new sod, trees on bubblers, a bed with bare soil and root balls, with rain that runs off.

Season: newark-nj-2013, daily and hourly; its source and licence stand in its station.json.
"""

from __future__ import annotations

from datetime import date, time, timedelta
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from dewpond.adapters.weather.season_files import read_season
from dewpond.settings.site_file import require_site
from dewpond_sim.replay.run import replay

DATA = Path(__file__).parents[1] / "data"
FIRST, LAST = date(2013, 6, 1), date(2013, 7, 31)
SOD, EXEMPT_UNTIL, ROOTED = date(2013, 6, 10), date(2013, 6, 24), date(2013, 7, 10)
PLACE = ZoneInfo("America/New_York")


@pytest.fixture(scope="module")
def corner():
    return require_site(DATA / "sites" / "new-planting.toml")


@pytest.fixture(scope="module")
def summer(corner):
    season = read_season(DATA / "seasons" / "newark-nj-2013")
    return replay(corner, season, first=FIRST, last=LAST).records


def rows_of(summer, zone):
    return [row for row in summer.days if row.zone == zone]


def by_day_starts(summer):
    return [run for run in summer.runs if run.cause.startswith("establishment")]


def nights_of(summer, zone):
    """Litres by the date on which a night's window opened."""
    found = {}
    for run in summer.runs:
        if run.zone == zone:
            night = (run.start.astimezone(PLACE) - timedelta(hours=12)).date()
            found[night] = found.get(night, 0.0) + run.litres
    return found


def test_every_ledger_closes_and_nothing_is_negative(corner, summer):
    for zone in corner.zones:
        before_mm = 0.0
        for row in rows_of(summer, zone.id):
            change_mm = row.etc_mm - row.effective_rain_mm - row.net_irrigation_mm + row.drainage_mm
            assert row.depletion_mm - before_mm == pytest.approx(change_mm, abs=1e-9)
            amounts = (row.etc_mm, row.effective_rain_mm, row.net_irrigation_mm, row.runoff_mm, row.drainage_mm)
            assert min(amounts) >= 0.0
            assert 0.0 < row.raw_mm <= row.taw_mm
            before_mm = row.depletion_mm


def test_gross_is_rate_times_time_and_litres_are_gross_times_area(corner, summer):
    zone_of = {zone.id: zone for zone in corner.zones}
    for run in summer.runs:
        zone = zone_of[run.zone]
        assert run.gross_mm == pytest.approx(zone.application_rate_mm_h * run.seconds / 3600.0)
        assert run.litres == pytest.approx(run.gross_mm * zone.area_m2)
        assert run.litres == pytest.approx(zone.flow_l_min * run.seconds / 60.0)


def test_new_sod_is_watered_by_day_only_while_the_exemption_lasts(summer):
    starts = by_day_starts(summer)
    dates = {run.start.astimezone(PLACE).date() for run in starts}
    assert dates
    assert min(dates) == SOD
    assert max(dates) <= EXEMPT_UNTIL
    for run in starts:
        assert time(9) <= run.start.astimezone(PLACE).time() <= run.end.astimezone(PLACE).time() <= time(17)
    counts = [sum(run.start.astimezone(PLACE).date() == day for run in starts) for day in sorted(dates)]
    assert (counts[0], counts[-1]) == (4, 3)  # from four on the way to one by night
    assert all(run.seconds <= 900.0 for run in starts)


def test_sod_roots_deeper_day_by_day(summer):
    taw_mm = {row.date: row.taw_mm for row in rows_of(summer, "new-lawn")}
    assert taw_mm[SOD] == pytest.approx(taw_mm[LAST] / 3.0)  # 50 of 150 mm
    assert taw_mm[date(2013, 6, 25)] == pytest.approx(taw_mm[LAST] * 2.0 / 3.0)
    assert taw_mm[ROOTED] == taw_mm[LAST]


def test_trees_are_watered_seldom_and_deep(corner, summer):
    nights = nights_of(summer, "trees")
    tree_zone = corner.zones[1]
    assert 2 <= len(nights) <= 8
    raw_mm = max(row.raw_mm for row in rows_of(summer, "trees"))
    assert max(row.depletion_mm for row in rows_of(summer, "trees")) <= raw_mm * 1.1
    assert all(litres / tree_zone.area_m2 * tree_zone.efficiency <= 60.0 * 0.3 + 0.5 for litres in nights.values())
    assert sum(row.drainage_mm for row in rows_of(summer, "trees")) == pytest.approx(0.0, abs=1.0)


def test_root_balls_get_their_litres_every_third_night(summer):
    nights = {night: litres for night, litres in nights_of(summer, "new-trees").items() if night >= date(2013, 6, 3)}
    assert list(nights.values()) == pytest.approx([120.0] * len(nights), rel=0.02)
    assert {(b - a).days for a, b in pairwise(sorted(nights))} == {3}


def test_a_wet_bed_loses_more_than_its_plants_alone(summer):
    rows = rows_of(summer, "bed")
    ratio = sum(row.etc_mm for row in rows) / sum(row.eto_mm for row in rows)
    assert 0.35 < ratio < 0.9  # Kcb is 0.3; the rest is evaporation


def test_storms_run_off_and_the_reason_says_how_much(summer):
    rained = [row for row in rows_of(summer, "bed") if row.rain_mm >= 20.0]
    assert rained
    assert all("mm ran off (by the hour)" in row.reason for row in rained)
    assert all(row.runoff_mm == 0.0 for row in rained)  # the column is irrigation's alone
