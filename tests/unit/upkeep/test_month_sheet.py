"""The month sheet against published formulas and figures, then its own promises."""

from __future__ import annotations

import math
from datetime import date, timedelta

import numpy as np
import pytest
from sites import Restriction, site, zone

from dewpond.model.hours import DayRule
from dewpond.upkeep.month_sheet import MonthWeather, month_means, month_sheet, timer_setting

MM_PER_IN = 25.4


def weather(eto_mm_d=5.0, rain_mm_d=None):
    return [MonthWeather(month=n, eto_mm_d=eto_mm_d, rain_mm_d=rain_mm_d, source="test") for n in range(1, 13)]


def slow_soil(**changes):
    """A zone on soil that takes in whatever comes."""
    return zone(**{"intake_mm_h": 100.0, "surface_storage_mm": 6.0, **changes})


@pytest.mark.parametrize(("multiplier", "minutes"), [(1.0, 36.3), (1.489, 54.1)])
def test_minutes_of_a_published_audit(multiplier, minutes):
    """0.25 in at 0.4129 in/h: 36.3 min, and 54.1 min with the multiplier of its uniformity.

    Source: Grabow, sprinkler-uniformity package vignettes, 2021-2022, "Landscape sprinkler systems" (CC-02 of the
    reference file; the run times are derived there from the printed rate).
    """
    lawn = slow_soil(application_rate_mm_h=0.4129 * MM_PER_IN, efficiency=1.0 / multiplier)
    quarter_mm = 0.25 * MM_PER_IN
    setting = timer_setting(lawn, raw_mm=quarter_mm, use_mm_d=quarter_mm, month=7)
    assert setting.minutes == round(minutes)
    assert setting.interval_days == 1


def test_interval_of_published_tables():
    """Loam 1.8 in/ft, turf rooted 2 ft, 50 % allowed depletion: 1.8 in; at 0.25 in/d every 7 days.

    Source: East Multnomah Soil and Water Conservation District, irrigation scheduling, tables 1 and 2; days = AWC x
    root depth x MAD / ETc, Irrigation Association audit guidelines. The 0.25 in/d are ours.
    """
    raw_mm = 1.8 * 2.0 * 0.5 * MM_PER_IN
    setting = timer_setting(slow_soil(), raw_mm=raw_mm, use_mm_d=0.25 * MM_PER_IN, month=7)
    assert setting.interval_days == 7
    wanted_min = 7 * 0.25 * MM_PER_IN / 0.75 / 36.0 * 60.0
    assert setting.openings * setting.minutes == pytest.approx(wanted_min, abs=1.0)


def test_no_opening_is_longer_than_the_ground_takes_and_the_rest_lets_it_soak_in():
    setting = timer_setting(zone(), raw_mm=11.25, use_mm_d=5.0, month=7)
    gain_mm_min = (36.0 - 8.9) / 60.0
    assert setting.openings == 2
    assert setting.minutes * gain_mm_min <= 6.0
    assert setting.rest_min >= setting.minutes * gain_mm_min / 8.9 * 60.0


def test_depth_over_the_month_is_what_the_plants_use():
    lawn = slow_soil()
    setting = timer_setting(lawn, raw_mm=11.25, use_mm_d=4.0, month=7)
    given_mm = setting.total_min / 60.0 * lawn.application_rate_mm_h * lawn.efficiency
    assert given_mm == pytest.approx(31 * 4.0, rel=0.04)
    assert setting.total_l == pytest.approx(setting.total_min / 60.0 * 36.0 * 60.0)


def test_a_month_that_uses_nothing_needs_nothing():
    assert timer_setting(zone(), raw_mm=11.25, use_mm_d=0.0, month=1).interval_days == 0


def test_a_day_that_uses_more_than_raw_is_watered_daily_and_noted():
    (sheet,) = month_sheet(site(zone(raw_mm=2.0, taw_mm=4.0)), weather(eto_mm_d=8.0))
    assert {row.before_rain.interval_days for row in sheet.rows} == {1}
    assert any("daily watering" in note for note in sheet.notes)


def test_average_rain_makes_intervals_longer_and_unknown_rain_is_no_dry_month():
    (dry,) = month_sheet(site(), weather(rain_mm_d=None))
    (wet,) = month_sheet(site(), weather(rain_mm_d=2.5))
    assert all(row.with_rain is None for row in dry.rows)
    # 5 x 0.8 - 0.8 x 2.5 = 2 mm/d of 11.25 mm
    assert {row.with_rain.interval_days for row in wet.rows} == {5}
    assert {row.before_rain.interval_days for row in wet.rows} == {2}


def test_the_month_of_highest_use_is_flagged():
    months = [
        MonthWeather(month=n, eto_mm_d=3.0 - abs(n - 7) / 3.0, rain_mm_d=None, source="test") for n in range(1, 13)
    ]
    (sheet,) = month_sheet(site(), months)
    assert [row.month for row in sheet.rows if row.peak] == [7]


def test_watering_rules_of_the_place_are_noted():
    rule = Restriction(
        applies_to=frozenset({"overhead"}), days=DayRule(kind="even"), hours=None, from_date=None, until_date=None
    )
    (sheet,) = month_sheet(site(restrictions=(rule,)), weather())
    assert any("next allowed day" in note for note in sheet.notes)


def test_means_of_measured_months_and_an_honest_word_for_the_others():
    first = date(2026, 7, 1)
    day = np.array([(first + timedelta(days=n) - date(1970, 1, 1)).days for n in range(40)], dtype=float)
    eto_mm, rain_mm = np.full(40, 6.0), np.full(40, 1.0)
    eto_mm[0], rain_mm[:15] = math.nan, math.nan
    months = month_means(day, eto_mm, rain_mm, site(), "the test")
    july, august, january = months[6], months[7], months[0]
    assert (july.eto_mm_d, july.rain_mm_d, july.source) == (6.0, None, "mean of 30 days of the test")
    assert august.source.startswith("assumed")
    assert january.eto_mm_d < august.eto_mm_d


def test_bare_soil_and_a_wetted_share_are_part_of_the_sheet():
    """Ke to expect is min(0.5 (1.2 - 0.3), 0.4 x 1.2) = 0.45 (FAO-56 eq. 71); rain counts where there is storage."""
    bed = {"crop_coefficient": (0.3,) * 12, "intake_mm_h": 100.0}
    bare = zone("bare", output=2, bare_soil=0.4, **bed)
    dry, drip = zone("plain", **bed), zone("drip", output=3, wetted_share=0.5, **bed)
    plain, open_bed, part = month_sheet(site(dry, bare, drip), weather(5.0, 1.0))
    assert plain.rows[6].etc_mm_d == pytest.approx(5.0 * 0.3)
    assert open_bed.rows[6].etc_mm_d == pytest.approx(5.0 * (0.3 + 0.45))
    assert part.rows[6].with_rain.total_min > plain.rows[6].with_rain.total_min
