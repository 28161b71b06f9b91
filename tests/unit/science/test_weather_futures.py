"""Weather drawn from a record: the same draw again, what may be drawn, what the prior says where nothing is known."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from dewpond.science.weather_futures import (
    CARRIED,
    RECENT_DAYS,
    RUN_DAYS,
    SEASON_DAYS,
    SPELL_DAYS,
    Record,
    draw_futures,
    prior_share,
    rain_prior,
)

EMPTY = Record(np.zeros(0), np.zeros(0), np.zeros(0))


def number(day: date) -> int:
    return (day - date(1970, 1, 1)).days


TODAY = number(date(2026, 7, 1))


def draw(record=EMPTY, **changes):
    asked = {"seed": 1, "first_day": TODAY, "days": 14, "futures": 64, "latitude_deg": 40.0, "mild_eto_mm": 5.0}
    return draw_futures(record, **{**asked, **changes})


def told(days: int, last: int = TODAY - 1, eto_mm: float = 5.0) -> Record:
    """Rain is each day's age in whole mm, which tells where a drawn day comes from; the prior's is never whole."""
    day = np.arange(last - days + 1, last + 1, dtype=float)
    return Record(day, np.full(days, eto_mm), last + 1.0 - day)


def ages(futures) -> np.ndarray:
    """Ages of the drawn days, NaN where the prior was drawn; column by column."""
    return np.where((futures.rain_mm > 0.0) & (futures.rain_mm % 1.0 == 0.0), futures.rain_mm, np.nan)


def drawn_ages(record: Record, **changes) -> set[int]:
    found = ages(draw(record, **changes))
    return {int(age) for age in found[~np.isnan(found)]}


def test_the_same_seed_gives_the_same_futures_and_another_does_not():
    first, again, other = draw(told(90)), draw(told(90)), draw(told(90), seed=2)
    assert first.eto_mm.tobytes() == again.eto_mm.tobytes() and first.rain_mm.tobytes() == again.rain_mm.tobytes()
    assert (first.rain_mm != other.rain_mm).any()


@pytest.mark.parametrize("known", [0, 1, 6, 30, 400])
def test_it_has_the_asked_size_and_is_never_negative(known):
    found = draw(told(known), days=9, futures=20)
    for column in found:
        assert column.shape == (20, 9) and np.isfinite(column).all() and (column >= 0.0).all()


def test_an_empty_record_leaves_the_word_to_the_prior():
    found = draw(futures=4000)
    wet, mean_mm = rain_prior(40.0)
    assert (found.rain_mm > 0.0).mean() == pytest.approx(wet, abs=0.01)
    assert found.rain_mm[found.rain_mm > 0.0].mean() == pytest.approx(mean_mm, rel=0.03)
    assert np.median(found.eto_mm[:, 0]) == pytest.approx(5.0, rel=0.02)


def test_the_first_week_leaves_the_prior_of_eto_behind_day_by_day():
    spread = [draw(told(known), futures=2000).eto_mm[:, 0].std() for known in (0, 3, 6, 7)]
    assert spread[0] > spread[1] > spread[2] > spread[3]
    assert spread[3] < 0.01


def test_the_priors_share_of_rain_fades_with_what_is_known():
    assert [prior_share(days) for days in (0, 15, 60, 400)] == pytest.approx([1.0, 0.25, 0.04, 0.04])
    for known in (15, 60):
        assert np.isnan(ages(draw(told(known), futures=4000))).mean() == pytest.approx(prior_share(known), abs=0.01)


def test_rain_that_is_never_measured_is_not_expected():
    assert not draw(told(90), rain_counts=False).rain_mm.any()
    assert not draw(rain_counts=False).rain_mm.any()


def test_recent_days_and_the_same_season_of_earlier_years_are_drawn_alike():
    recent, season = range(1, RECENT_DAYS + 1), range(366 - SEASON_DAYS, 366 + SEASON_DAYS)
    found = drawn_ages(told(420), futures=1000)
    assert set(recent) <= found
    assert found == {*recent, *season}


def test_the_first_days_of_all_futures_cover_the_record():
    first = ages(draw(told(20)))[:, 0]
    assert set(first[~np.isnan(first)]) == set(range(1, 21))


def test_days_that_followed_each_other_stay_together():
    found = ages(draw(told(60), futures=2000))
    both = ~np.isnan(found[:, 1:]) & ~np.isnan(found[:, :-1])
    follows = (found[:, 1:] == found[:, :-1] - 1.0) | ((found[:, :-1] == 1.0) & (found[:, 1:] == 60.0))
    assert follows[both].mean() == pytest.approx(1.0 - 1.0 / RUN_DAYS, abs=0.02)


def test_once_a_dry_spell_has_lasted_the_wet_days_before_it_are_past():
    day = np.arange(TODAY - 60, TODAY, dtype=float)

    def after(dry_days: int) -> float:
        record = Record(day, np.full(60, 5.0), np.where(day < TODAY - dry_days, 10.0, 0.0))
        return float((draw(record, futures=1000).rain_mm == 10.0).mean())

    assert after(SPELL_DAYS - 2) > 0.3
    assert after(SPELL_DAYS + 2) == 0.0


def test_eto_follows_the_season_as_radiation_does():
    """At 40 N radiation is 41.9 MJ m-2 d-1 in mid June and 15.0 in mid December (FAO-56 annex 2, Table 2.6)."""
    june = Record(np.arange(20.0) + number(date(2026, 6, 5)), np.full(20, 6.0), np.zeros(20))
    december = draw(june, first_day=number(date(2026, 12, 12)), days=7, futures=300, rain_counts=False)
    assert december.eto_mm.shape == (300, 7)
    a_year_on = draw(june, first_day=number(date(2027, 6, 15)), days=7, rain_counts=False)
    assert a_year_on.eto_mm.mean() == pytest.approx(6.0, rel=0.01)


def test_south_of_the_equator_the_seasons_are_half_a_year_away():
    """October and November run up to midsummer in the south and down to midwinter in the north."""
    spring = Record(np.arange(60.0) + number(date(2025, 10, 1)), np.full(60, 5.0), np.zeros(60))
    to_summer = draw(spring, first_day=number(date(2025, 11, 30)), latitude_deg=-40.0).eto_mm.mean()
    to_winter = draw(spring, first_day=number(date(2025, 11, 30)), latitude_deg=40.0).eto_mm.mean()
    assert to_summer > 5.0 * 1.1 and to_winter < 5.0 * 0.8


def test_29_february_is_a_day_like_others():
    leap = number(date(2028, 2, 29))
    found = draw(told(500, last=leap - 1), first_day=leap, futures=2000)
    assert np.isfinite(found.eto_mm).all()
    year_ago = {int(age) for age in ages(found)[:, 0] if age > 200}
    assert year_ago == set(range(344, 388))  # within 22 days of 365.24
    after = drawn_ages(told(800, last=number(date(2029, 3, 1))), first_day=number(date(2029, 3, 2)), futures=2000)
    assert {365, 366} <= after


def test_the_first_day_follows_days_like_the_last_one_known():
    """Clear and dull days in turns: after a dull one the next is clear in the record, and so it is drawn."""
    day = np.arange(TODAY - 60, TODAY, dtype=float)
    turns = Record(day, np.where(np.arange(60) % 2 == 0, 6.0, 2.0), np.zeros(60))
    after_dull = draw(turns, rain_counts=False).eto_mm[:, 0]
    shifted = Record(day, turns.eto_mm[::-1].copy(), np.zeros(60))
    after_clear = draw(shifted, rain_counts=False).eto_mm[:, 0]
    assert (after_dull > 4.0).mean() >= 0.7 and (after_clear < 4.0).mean() >= 0.7


def test_a_last_day_that_is_long_ago_says_nothing_of_the_first_one():
    day = np.arange(TODAY - 60, TODAY, dtype=float)
    turns = Record(day, np.where(np.arange(60) % 2 == 0, 6.0, 2.0), np.zeros(60))
    late = draw(turns, first_day=TODAY + 3, rain_counts=False).eto_mm[:, 0]
    assert (late > 4.0).mean() == pytest.approx(0.5, abs=0.1)


def test_a_gap_in_the_record_does_not_pass_for_a_day_that_followed():
    day = np.r_[np.arange(TODAY - 59.0, TODAY - 30), np.arange(TODAY - 25.0, TODAY)]
    found = draw(Record(day, np.linspace(2.0, 7.0, len(day)), np.zeros(len(day))), futures=200)
    assert np.isfinite(found.eto_mm).all() and found.eto_mm.shape == (200, 14)


def test_what_the_last_day_had_beyond_its_like_is_carried_to_the_next_days_and_fades():
    """All days alike but the last, whose ETo is 2 mm more: a share of it is carried on, and less to each day after."""
    record = told(60)
    record.eto_mm[-1] += 2.0
    found = draw(record, futures=2000, rain_counts=False).eto_mm
    usual = draw(told(60), futures=2000, rain_counts=False).eto_mm
    beyond_mm = np.median(found - usual, axis=0)
    assert beyond_mm[0] == pytest.approx(CARRIED * 2.0, abs=0.1)
    assert beyond_mm[5] == pytest.approx(0.0, abs=0.05)


def test_after_a_wet_day_rain_is_likelier_where_wet_days_follow_each_other():
    day = np.arange(TODAY - 60, TODAY, dtype=float)
    spells = np.where(np.arange(60) % 10 < 4, 8.0, 0.0)  # four wet days, six dry ones
    after_dry = draw(Record(day, np.full(60, 5.0), spells)).rain_mm[:, 0]
    after_wet = draw(Record(day, np.full(60, 5.0), spells[::-1].copy())).rain_mm[:, 0]
    assert (after_wet >= 1.0).mean() > (after_dry >= 1.0).mean() + 0.1
