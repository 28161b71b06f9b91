"""Recorded seasons with a forecast: a usual one saves water, a lying one does no harm, none is known too early."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from dewpond.adapters.weather.season import station_day_bounds_utc
from dewpond.adapters.weather.season_files import read_season
from dewpond.model.commands import RaiseAlarm
from dewpond.model.events import ForecastDay, ForecastKnown
from dewpond.settings.site_file import require_site
from dewpond_sim.forecasts import AMOUNT_SD, ETO_SD_MM, FALSE_ALARM_RATE, HIT_RATE, synthetic
from dewpond_sim.replay.command import replay as replay_command
from dewpond_sim.replay.run import ReplayRefused, reference_et, replay
from dewpond_sim.scoring import scores

DATA = Path(__file__).parents[1] / "data"
SITE = DATA / "sites" / "controller-test.toml"
NEWARK = DATA / "seasons" / "newark-nj-2013"
FIRST, LAST = date(2013, 5, 1), date(2013, 8, 15)
Word = Callable[[date, int], ForecastDay]


@pytest.fixture(scope="module")
def newark():
    return read_season(NEWARK)


@pytest.fixture(scope="module")
def site(newark):
    station = newark.station
    return replace(
        require_site(SITE),
        latitude_deg=station.latitude_deg,
        longitude_deg=station.longitude_deg,
        elevation_m=station.elevation_m,
        timezone=station.tz,
    )


@pytest.fixture(scope="module")
def without(site, newark):
    return replay(site, newark, first=FIRST, last=LAST, rule="lookahead", forecast="none")


def _net_mm(done) -> float:
    return sum(zone["net_irrigation_mm"] for zone in done.summary["zones"].values())


def _stress(done) -> np.ndarray:
    return np.array([zone["stress_days"] for zone in done.summary["zones"].values()])


def _lies(season, word: Word) -> list[ForecastKnown]:
    """One issue a day at 18 h of the station's time, for the nine days after it."""
    told = []
    for day in season.days:
        at = station_day_bounds_utc(season.station.tz, day.date)[0] + timedelta(hours=18)
        words = tuple(word(day.date + timedelta(days=ahead), ahead) for ahead in range(1, 10))
        told.append(ForecastKnown(at=at, issued_at=at, source="the lying feed", days=words))
    return told


def _rain_tomorrow(day: date, ahead: int) -> ForecastDay:
    return ForecastDay(date=day, rain_mm=30.0 if ahead == 1 else 0.0)


def _never_rain(day: date, ahead: int) -> ForecastDay:
    return ForecastDay(date=day, rain_mm=0.0, rain_probability=0.0)


def _rain_and_no_sun(day: date, ahead: int) -> ForecastDay:
    return ForecastDay(date=day, rain_mm=30.0, rain_probability=1.0, eto_mm=0.0)


def test_a_usual_forecast_saves_water_and_spares_the_plants(site, newark, without):
    done = replay(site, newark, first=FIRST, last=LAST, rule="lookahead", forecast="synthetic")
    assert _net_mm(done) < 0.97 * _net_mm(without)
    assert _stress(done).max() <= 2
    assert min(score.adequacy for score in scores(site, done.records).values()) > 0.99
    assert done.summary["forecast"].startswith("synthetic forecast, seed 0")


@pytest.mark.parametrize("word", [_rain_tomorrow, _never_rain, _rain_and_no_sun])
def test_a_lying_forecast_costs_next_to_nothing_and_is_named(site, newark, without, word: Word):
    done = replay(site, newark, first=FIRST, last=LAST, rule="lookahead", forecast=_lies(newark, word))
    assert (_stress(done) - _stress(without)).max() <= 3
    assert _net_mm(done) <= 1.05 * _net_mm(without)
    told = [alarm.detail for alarm in done.store.recorded(RaiseAlarm) if "the lying feed" in alarm.detail]
    assert told
    assert "hardly believed here" in told[0]


def test_a_source_that_begins_to_lie_after_months_of_truth_does_no_harm_either(site, newark, without):
    true = [replace(issue, source="the lying feed") for issue in synthetic(newark, reference_et(newark), 0)]
    start = station_day_bounds_utc(newark.station.tz, date(2013, 6, 30))[0]
    told = [issue for issue in true if issue.at < start]
    told += [issue for issue in _lies(newark, _rain_and_no_sun) if issue.at >= start]
    done = replay(site, newark, first=FIRST, last=LAST, rule="lookahead", forecast=told)
    assert (_stress(done) - _stress(without)).max() <= 3
    assert _net_mm(done) <= 1.05 * _net_mm(without)


def test_a_forecast_file_is_known_at_its_issue_and_not_before(site, tmp_path: Path):
    folder = tmp_path / "season"
    shutil.copytree(NEWARK, folder)
    rows = [
        f"2013-06-20T12:00Z,2013-06-{day}T05:00Z,2013-06-{day + 1}T05:00Z,{mm},,2.0"
        for day, mm in ((21, 0.0), (22, 0.0), (23, 60.0), (24, 60.0))
    ]
    head = "issued_utc,valid_from_utc,valid_to_utc,rain_mm,probability,eto_mm\n"
    (folder / "forecast.csv").write_text(head + "\n".join(rows) + "\n")
    season = read_season(folder)
    span = {"first": date(2013, 6, 1), "last": date(2013, 6, 30), "rule": "lookahead"}
    with_file, none = replay(site, season, **span), replay(site, season, **span, forecast="none")
    issued = season.forecast[0].issued
    early = [[run for run in done.records.runs if run.start < issued] for done in (with_file, none)]
    assert early[0] == early[1] != []
    assert with_file.records.runs != none.records.runs
    assert with_file.summary["forecast"] == "forecast.csv, 4 rows"
    assert none.summary["forecast"] == "none"


def test_the_same_seed_gives_the_same_forecasts_and_another_seed_others(newark):
    eto = reference_et(newark)
    assert synthetic(newark, eto, 3) == synthetic(newark, eto, 3)
    assert synthetic(newark, eto, 3) != synthetic(newark, eto, 4)


def test_the_synthetic_forecast_has_the_skill_it_states():
    season = read_season(DATA / "seasons" / "seattle-wa-2012-2015")
    eto = {value.date: value.eto_mm for value in reference_et(season)}
    rain = {day.date: day.rain_mm for day in season.days}
    issues = synthetic(season, reference_et(season), 0)
    for lead in (1, 3, 7):
        pairs = [
            (day, rain[day.date], eto[day.date])
            for issue in issues
            for day in issue.days[lead - 1 : lead]
            if day.rain_mm is not None and day.eto_mm is not None
        ]
        light = [said.rain_mm >= 1.0 for said, fell, _ in pairs if 1.0 <= fell < 3.0]
        dry = [said.rain_mm >= 1.0 for said, fell, _ in pairs if fell < 1.0]
        error_mm = [said.eto_mm - true for said, _, true in pairs if true > 2.0]
        hits = [np.log(said.rain_mm / fell) for said, fell, _ in pairs if fell >= 5.0 and said.rain_mm > 1.0]
        assert np.mean(light) == pytest.approx(HIT_RATE[lead - 1], abs=0.12)
        assert np.mean(dry) == pytest.approx(FALSE_ALARM_RATE[lead - 1], abs=0.05)
        assert np.std(error_mm) == pytest.approx(ETO_SD_MM[lead - 1], rel=0.1)
        assert np.std(hits) == pytest.approx(AMOUNT_SD[lead - 1], rel=0.25)


def test_an_unknown_forecast_is_refused(site, newark):
    with pytest.raises(ReplayRefused, match="not known here; one of season, synthetic, none"):
        replay(site, newark, first=FIRST, last=FIRST, forecast="tea leaves")


def test_the_command_names_the_forecast_it_used(tmp_path: Path):
    asked = [str(NEWARK), "--site", str(SITE), "--from", "2013-06-01", "--to", "2013-06-05", "--forecast", "synthetic"]
    done = CliRunner().invoke(replay_command, [*asked, "--out", str(tmp_path)])
    assert done.exit_code == 0, done.output
    assert json.loads((tmp_path / "summary.json").read_text())["forecast"].startswith("synthetic forecast")
