"""The forecast laid over futures drawn from the record."""

from __future__ import annotations

import numpy as np
import pytest

from dewpond.science import forecast_blend as fb
from dewpond.science.weather_futures import Futures

FUTURES, DAYS = 64, 14


@pytest.fixture
def drawn():
    rng = np.random.default_rng(3)
    wet = rng.random((FUTURES, DAYS)) < 0.3
    rain_mm = wet * (1.0 + rng.gamma(0.8, 8.0, (FUTURES, DAYS)))
    return Futures(np.where(wet, 2.0, 5.0) + rng.random((FUTURES, DAYS)), rain_mm)


def outlook(rain_mm=None, probability=None, eto_mm=None, weight=1.0):
    def column(values):
        filled = np.full(DAYS, np.nan)
        filled[: len(values or ())] = values or ()
        return filled

    return fb.Outlook(
        column(rain_mm),
        column(probability),
        column(eto_mm),
        np.full(DAYS, weight),
        np.full(DAYS, weight),
        np.arange(1, DAYS + 1),
    )


def test_a_certain_dry_forecast_leaves_no_rain_on_its_days_and_touches_no_others(drawn):
    blended = fb.blend(drawn, outlook(rain_mm=[0.0, 0.0]), seed=1)
    assert not blended.rain_mm[:, :2].any()
    assert (blended.rain_mm[:, 2:] == drawn.rain_mm[:, 2:]).all()


def test_a_forecast_without_skill_changes_nothing(drawn):
    full = outlook(rain_mm=[30.0] * 9, eto_mm=[0.0] * 9, weight=0.0)
    blended = fb.blend(drawn, full, seed=1)
    assert (blended.rain_mm == drawn.rain_mm).all()
    assert (blended.eto_mm == drawn.eto_mm).all()


def test_days_without_a_word_stay_the_records(drawn):
    blended = fb.blend(drawn, outlook(rain_mm=[0.0, np.nan, 0.0]), seed=1)
    assert (blended.rain_mm[:, 1] == drawn.rain_mm[:, 1]).all()
    assert not blended.rain_mm[:, [0, 2]].any()


def test_the_same_seed_gives_the_same_futures_bit_for_bit(drawn):
    said = outlook(rain_mm=[4.0, 0.0, 12.0], eto_mm=[3.0, 5.0, 2.0], weight=0.8)
    one, two, other = (fb.blend(drawn, said, seed=seed) for seed in (5, 5, 6))
    assert (one.rain_mm == two.rain_mm).all()
    assert (one.eto_mm == two.eto_mm).all()
    assert (one.rain_mm != other.rain_mm).any()


def test_the_share_of_futures_that_follow_is_the_weight(drawn):
    said = outlook(rain_mm=[200.0], probability=[1.0], weight=0.75)
    followed = fb.blend(drawn, said, seed=2).rain_mm[:, 0] != drawn.rain_mm[:, 0]
    assert followed.sum() == 48


def test_a_future_that_has_left_the_forecast_does_not_take_it_up_again(drawn):
    weights = np.linspace(0.9, 0.1, DAYS)
    said = outlook(rain_mm=[50.0] * DAYS, probability=[1.0] * DAYS)._replace(rain_weight=weights)
    followed = fb.blend(drawn, said, seed=2).rain_mm != drawn.rain_mm
    assert (np.diff(followed.astype(int), axis=1) <= 0).all()
    assert followed[:, 0].sum() > followed[:, -1].sum() > 0


def test_a_given_probability_is_the_share_of_wet_futures(drawn):
    wet = fb.blend(drawn, outlook(rain_mm=[10.0], probability=[0.4]), seed=4).rain_mm[:, 0] >= fb.WET_MM
    assert wet.mean() == pytest.approx(0.4, abs=0.15)


def test_more_rain_forecast_is_surer_to_come():
    chances = fb.wet_probability(np.array([0.0, 1.0, 5.0, 20.0, np.nan]), np.full(5, np.nan))
    assert chances[:4] == pytest.approx([0.0, 0.65, 1.0 - 0.35 * np.exp(-0.8), 1.0 - 0.35 * np.exp(-3.8)])
    assert np.isnan(chances[4])


def test_amounts_scatter_around_the_forecast_without_bias():
    many = Futures(np.zeros((20000, DAYS)), np.zeros((20000, DAYS)))
    rain_mm = fb.blend(many, outlook(rain_mm=[10.0], probability=[1.0]), seed=4).rain_mm[:, 0]
    assert rain_mm.mean() == pytest.approx(10.0, rel=0.03)
    assert np.log(rain_mm).std() == pytest.approx(fb.AMOUNT_SD[0], rel=0.05)


def test_eto_follows_the_forecast_with_an_error_that_grows_with_lead():
    many = Futures(np.full((4000, DAYS), 9.0), np.zeros((4000, DAYS)))
    eto_mm = fb.blend(many, outlook(eto_mm=[5.0] * 9), seed=4).eto_mm
    assert eto_mm[:, :9].mean(axis=0) == pytest.approx(np.full(9, 5.0), abs=0.06)
    assert eto_mm[:, :9].std(axis=0) == pytest.approx(fb.ETO_SD_MM[:9], rel=0.06)
    assert (eto_mm[:, 9:] == 9.0).all()
    assert np.corrcoef(eto_mm[:, 0], eto_mm[:, 1])[0, 1] == pytest.approx(fb.ETO_KEPT, abs=0.05)


def test_a_day_forecast_dry_has_the_eto_of_dry_days_where_none_is_forecast(drawn):
    blended = fb.blend(drawn, outlook(rain_mm=[0.0]), seed=1)
    assert blended.eto_mm[:, 0].min() >= 5.0  # the drawn dry days' ETo; wet ones have 2 to 3 mm


def test_chances_of_amounts_fall_with_the_amount_and_vanish_for_a_dry_forecast():
    chance = fb.exceedance(8.0, np.nan, 1, np.array([1.0, 5.0, 15.0]))
    assert (np.diff(chance) < 0).all()
    assert fb.exceedance(0.0, np.nan, 1, np.array([1.0, 5.0])) == pytest.approx([0.0, 0.0])


def test_weights_and_errors_are_in_order_of_lead():
    assert (np.diff(fb.RAIN_WEIGHT) < 0).all()
    assert (np.diff(fb.ETO_WEIGHT) <= 0).all()
    assert (np.diff(fb.ETO_SD_MM) >= 0).all()
