"""The filter against hand-worked numbers and against what it must never do."""

from __future__ import annotations

import numpy as np
import pytest

from dewpond.science.estimation import (
    DEPLETION,
    DRIFT,
    LEAST_DEPLETION_SD_MM,
    OFFSET,
    USE,
    begin,
    correct,
    expect,
    predict,
    reset_use,
)

DRY = np.array([np.nan])  # no water came


def one(depletion=10.0, sd=2.0, use_sd=0.0, offset_sd=0.0):
    return begin(np.array([depletion]), sd, use_sd, offset_sd)


def test_two_equal_words_meet_in_the_middle():
    """Worked by hand: variances 4 and 4, gain 1/2; the variance halves (scalar Kalman update)."""
    seen = correct(one(), np.array([14.0]), np.array([2.0]), [True], np.array([30.0]), 0.4)
    assert seen.estimate.mean[0, DEPLETION] == pytest.approx(12.0)
    assert seen.estimate.cov[0, DEPLETION, DEPLETION] == pytest.approx(2.0)
    assert seen.surprise_mm[0] == pytest.approx(4.0)


def test_a_surprise_is_shared_by_depletion_and_offset_in_the_ratio_of_their_doubts():
    """Worked by hand: variances 4 (depletion), 12 (offset), 4 (probe); surprise 10 gives 2 and 6."""
    seen = correct(one(offset_sd=12.0**0.5), np.array([20.0]), np.array([2.0]), [True], np.array([50.0]), 0.4)
    assert seen.estimate.mean[0, DEPLETION] == pytest.approx(12.0)
    assert seen.estimate.mean[0, OFFSET] == pytest.approx(6.0)


def test_days_of_use_teach_the_use_factor():
    """A zone that uses a quarter more than the tables say, seen exactly every evening, is found out."""
    estimate, true_mm, rain_mm = one(0.0, 0.5, 0.2), 0.0, 0.0
    for _ in range(40):
        true_mm = true_mm + 5.0 - rain_mm
        etc_mm = 4.0 * np.exp(estimate.mean[:, USE])
        ahead_mm = estimate.mean[:, DEPLETION] + etc_mm - rain_mm
        estimate = predict(estimate, ahead_mm, etc_mm, DRY, np.array([0.3]), 0.004, 0.0)
        estimate = correct(
            estimate, np.array([true_mm]), np.array([1.0]), [True], np.array([500.0]), np.log(1.5)
        ).estimate
    assert np.exp(estimate.mean[0, USE]) == pytest.approx(1.25, abs=0.03)


def test_what_is_learned_stays_within_its_bounds():
    estimate = one(10.0, 2.0, 0.5)
    for _ in range(30):
        estimate = predict(estimate, estimate.mean[:, DEPLETION] + 4.0, np.array([4.0]), DRY, np.array([0.3]), 0.0, 0)
        estimate = correct(estimate, np.array([200.0]), np.array([1.0]), [True], np.array([40.0]), np.log(1.5)).estimate
    assert estimate.mean[0, DEPLETION] <= 40.0
    assert abs(estimate.mean[0, USE]) <= np.log(1.5) + 1e-12


def test_drainage_wipes_out_what_was_not_known_of_the_depletion():
    spilled_mm = np.array([60.0])
    estimate = predict(
        one(10.0, 6.0, 0.2, 3.0), np.array([0.0]), np.array([3.0]), spilled_mm, np.array([1.0]), 0.0, 0.0
    )
    assert estimate.cov[0, DEPLETION, DEPLETION] == pytest.approx(LEAST_DEPLETION_SD_MM**2)
    assert estimate.cov[0, DEPLETION, [USE, OFFSET]] == pytest.approx(0.0, abs=1e-9)
    assert estimate.cov[0, OFFSET, OFFSET] == pytest.approx(9.0)


def test_a_zone_just_filled_may_still_lack_water_and_keeps_half_of_what_it_shares():
    """Half a normal distribution: variance s^2 (1/2 - 1/(2 pi)), covariances halved (Stein's lemma)."""
    start = one(10.0, 6.0)
    start.cov[0, DEPLETION, OFFSET] = start.cov[0, OFFSET, DEPLETION] = 4.0
    start.cov[0, OFFSET, OFFSET] = 9.0
    estimate = predict(start, np.array([0.0]), np.array([0.0]), np.array([0.0]), np.array([0.0]), 0.0, 0.0)
    half = 36.0 * (0.5 - 0.5 / np.pi) + 0.5 * LEAST_DEPLETION_SD_MM**2
    assert estimate.mean[0, DEPLETION] == 0.0
    assert estimate.cov[0, DEPLETION, DEPLETION] == pytest.approx(half)
    assert estimate.cov[0, DEPLETION, OFFSET] == pytest.approx(2.0)


def test_drainage_that_may_not_have_happened_agrees_with_chance():
    """Depletions drawn, cut at field capacity and measured again."""
    drawn = np.random.default_rng(2).normal(-2.0, 5.0, 400_000)
    estimate = predict(one(8.0, 5.0), np.array([0.0]), np.array([0.0]), np.array([2.0]), np.array([0.0]), 0.0, 0.0)
    least = LEAST_DEPLETION_SD_MM**2 * np.mean(drawn < 0.0)
    assert estimate.cov[0, DEPLETION, DEPLETION] == pytest.approx(np.maximum(drawn, 0.0).var() + least, rel=0.01)


def test_a_dry_day_cuts_nothing():
    estimate = predict(one(0.0, 6.0), np.array([3.0]), np.array([0.0]), DRY, np.array([0.0]), 0.0, 0.0)
    assert estimate.cov[0, DEPLETION, DEPLETION] == pytest.approx(36.0)


def test_a_probe_that_drifts_between_soakings_teaches_its_drift_and_not_more_use():
    """Every tenth day a soaking; the reading moves 0.2 mm a day, the plants use what the tables say."""
    estimate = begin(np.array([0.0]), 1.0, 0.18, 3.0, 0.1)
    for day in range(120):
        soaked = day % 10 == 0
        true_mm = 0.0 if soaked else 4.0 * (day % 10)
        ahead_mm = np.array([0.0]) if soaked else estimate.mean[:, DEPLETION] + 4.0 * np.exp(estimate.mean[:, USE])
        spilled_mm = np.array([60.0]) if soaked else DRY
        estimate = predict(estimate, ahead_mm, np.array([4.0]), spilled_mm, np.array([0.3]), 0.004, 0.05, 0.1, 0.97)
        seen_mm = np.array([true_mm + 0.2 * day])
        estimate = correct(estimate, seen_mm, np.array([1.5]), [True], np.array([80.0]), np.log(1.5)).estimate
    assert estimate.mean[0, DRIFT] > 0.1
    assert estimate.mean[0, OFFSET] == pytest.approx(0.2 * 119, abs=2.0)
    assert abs(estimate.mean[0, USE]) < 0.03


def test_a_zone_without_a_reading_is_left_alone_whatever_stands_there():
    both = begin(np.array([10.0, 10.0]), 2.0, 0.1, 3.0)
    after = correct(
        both, np.array([25.0, 25.0]), np.array([2.0, 2.0]), [True, False], np.array([40.0] * 2), 0.4
    ).estimate
    assert after.mean[0, DEPLETION] != 10.0
    assert after.mean[1].tolist() == both.mean[1].tolist() and np.array_equal(after.cov[1], both.cov[1])


def test_covariances_stay_symmetric_and_positive():
    rng = np.random.default_rng(1)
    estimate = begin(rng.uniform(0, 20, 5), 3.0, 0.2, 5.0)
    for _ in range(300):
        ahead = np.clip(estimate.mean[:, DEPLETION] + rng.normal(0, 3, 5), 0, 30)
        estimate = predict(
            estimate,
            ahead,
            rng.uniform(0, 6, 5),
            np.where(rng.random(5) < 0.3, rng.uniform(0, 9, 5), np.nan),
            rng.uniform(0.1, 2, 5),
            0.004,
            0.05,
            0.1,
            0.97,
        )
        used = rng.random(5) < 0.8
        estimate = correct(estimate, rng.uniform(-5, 40, 5), rng.uniform(1, 3, 5), used, np.full(5, 40.0), 0.4).estimate
        assert np.allclose(estimate.cov, estimate.cov.transpose(0, 2, 1))
        assert np.linalg.eigvalsh(estimate.cov).min() > -1e-9


def test_what_is_expected_of_a_probe_holds_its_offset():
    estimate = begin(np.array([10.0]), 2.0, 0.0, 3.0)
    estimate.mean[0, OFFSET] = 4.0
    expected_mm, sd_mm = expect(estimate, np.array([6.0]))
    assert expected_mm[0] == 14.0 and sd_mm[0] == pytest.approx(7.0)


def test_a_reset_takes_other_words_on_depletion_and_use_and_keeps_the_offset():
    estimate = begin(np.array([10.0, 5.0]), 2.0, 0.1, 3.0)
    estimate.mean[:, USE], estimate.mean[:, OFFSET] = 0.2, 4.0
    after = reset_use(estimate, [0], 7.0, 0.1, 0.18, 2.5)
    assert after.mean.tolist() == [[7.0, 0.1, 4.0, 0.0], [5.0, 0.2, 4.0, 0.0]]
    assert after.cov[0, DEPLETION, DEPLETION] == pytest.approx(6.25)


def test_a_zone_that_was_full_lacks_in_the_evening_what_was_used_since():
    """Worked by hand: surely full at the time of its rain, 3 mm used after it, known to 1 mm."""
    estimate = predict(
        one(10.0, 2.0), np.array([0.0]), np.array([6.0]), np.array([60.0]), np.array([0.0]), 0.0, 0.0,
        watched=np.array([True]), since_mm=np.array([3.0]), since_sd_mm=np.array([1.0]),
    )  # fmt: skip
    assert estimate.mean[0, DEPLETION] == pytest.approx(3.0)
    assert estimate.cov[0, DEPLETION, DEPLETION] == pytest.approx(LEAST_DEPLETION_SD_MM**2 + 1.0)


def test_where_nobody_watches_the_hour_of_rain_moves_no_depletion():
    estimate = predict(
        one(10.0, 2.0), np.array([0.0]), np.array([6.0]), np.array([60.0]), np.array([0.0]), 0.0, 0.0,
        since_mm=np.array([3.0]), since_sd_mm=np.array([1.0]),
    )  # fmt: skip
    assert estimate.mean[0, DEPLETION] == 0.0
