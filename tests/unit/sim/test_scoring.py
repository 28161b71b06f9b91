"""The marks of a replay: the published moisture balance worked by hand, waterings counted by night, the least water.

Source of the balance: test protocol for climatologically based controllers, 8th draft, 2008 (from memory).
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from sites import zone

from dewpond.model.commands import RecordRun
from dewpond_sim.perfect_foresight import at_the_brim_mm, least_net_irrigation_mm
from dewpond_sim.scoring import Series, protocol_balance, score, waterings

EVENING = datetime(2026, 6, 1, 21, tzinfo=UTC)


def season(etc_mm, rain_mm=None, net_mm=None, **changes) -> Series:
    days = len(etc_mm)
    values = {
        "dates": tuple(date(2026, 6, 1) + timedelta(days=n) for n in range(days)),
        "etc_mm": np.array(etc_mm, float),
        "rain_mm": np.array(rain_mm or [0.0] * days, float),
        "net_mm": np.array(net_mm or [0.0] * days, float),
        "runoff_mm": np.zeros(days),
        "depletion_mm": np.zeros(days),
        "raw_mm": np.full(days, 20.0),
    }
    return Series(**{**values, **changes})


def run(hours: float, seconds: int = 600, zone_id: str = "lawn") -> RecordRun:
    start = EVENING + timedelta(hours=hours)
    return RecordRun(
        run_id=f"{zone_id}-{hours}",
        zone=zone_id,
        start=start,
        end=start + timedelta(seconds=seconds),
        seconds=float(seconds),
        gross_mm=1.0,
        litres=10.0,
        cause="lookahead",
    )


@pytest.mark.parametrize(
    ("etc_mm", "rain_mm", "net_mm", "deficit_mm", "surplus_mm"),
    [
        ([5, 5, 5], [0, 0, 0], [0, 0, 0], 0.0, 0.0),  # 20 -> 15 -> 10 -> 5
        ([9, 9, 9], [0, 0, 0], [0, 0, 0], 7.0, 0.0),  # 20 -> 11 -> 2 -> 7 below empty
        ([9, 9, 9], [0, 0, 0], [0, 0, 12], 0.0, 0.0),  # 2 + 12 - 9 = 5
        ([5, 5], [0, 0], [8, 0], 0.0, 3.0),  # 20 + 8 - 5 is 3 too full
        ([5, 5, 25], [10, 0, 0], [0, 0, 0], 10.0, 0.0),  # 15 + 5 of 8 mm, the rest runs off: 20 -> 15 -> 10 short
        ([9, 9, 9], [0, 5, 0], [0, 0, 0], 3.0, 0.0),  # 80 % of 5 mm: 2 + 4 - 9
        ([25, 5], [0, 0], [0, 0], 10.0, 0.0),  # 5 short, held at empty, 5 short again
        ([25], [10], [0], 0.0, 0.0),  # the rain of a day counts before its balance is read
    ],
)
def test_the_balance_by_hand(etc_mm, rain_mm, net_mm, deficit_mm, surplus_mm):
    found = protocol_balance(season(etc_mm, rain_mm, net_mm), 20.0)
    assert found == pytest.approx((deficit_mm, surplus_mm))


def test_adequacy_is_the_share_of_the_need_without_deficit():
    assert score(season([9, 9, 9]), 20.0, 0).adequacy == pytest.approx(20.0 / 27.0)


def test_excess_is_what_ran_off_or_found_no_room():
    """8 mm with 3 mm of room short, and 1 mm that ran off: 4 of 8 mm."""
    found = score(season([5, 5], net_mm=[8, 0], runoff_mm=np.array([1.0, 0.0])), 20.0, 1)
    assert found.excess == pytest.approx(4.0 / 8.0)
    assert found.runoff_share == pytest.approx(1.0 / 9.0)


def test_a_season_without_water_has_no_excess_and_no_depth():
    found = score(season([2, 2]), 20.0, 0)
    assert np.isnan(found.excess) and np.isnan(found.mean_depth_of_raw)
    assert found.adequacy == 1.0 and found.net_mm == 0.0 and found.runoff_share == 0.0


def test_a_stress_day_ends_beyond_raw_not_at_it():
    assert score(season([1] * 4, depletion_mm=np.array([19.9, 20.0, 20.01, 25.0])), 20.0, 0).stress_days == 2


def test_depth_is_the_mean_of_a_watering_as_share_of_storage():
    assert score(season([9, 9, 9], net_mm=[0, 8, 12]), 20.0, 2).mean_depth_of_raw == pytest.approx(0.5)


def test_openings_of_one_night_are_one_watering():
    lawn = zone("lawn")
    night = [run(0.0), run(0.6), run(8.0)]
    assert waterings(lawn, night) == 1
    assert waterings(lawn, [*night, run(24.0), run(24.5), run(24.2, zone_id="bed")]) == 2
    assert waterings(lawn, []) == 0


@pytest.mark.parametrize(
    ("etc_mm", "rain_mm", "least_mm"),
    [
        ([5, 5, 5], [0, 0, 0], 0.0),  # the store carries it
        ([9, 9, 9], [0, 0, 0], 7.0),
        ([9, 9, 9], [0, 5, 0], 3.0),
        ([9, 9, 9], [50, 0, 0], 0.0),  # 40 mm count at most; the store takes 9, and 18 are used
        ([30, 5], [0, 20], 10.0),  # 10 before the rain, then 16 mm refill
        ([15, 15, 10], [0, 0, 60], 10.0),  # rain after the fact does not help the second day
    ],
)
def test_the_least_water_by_hand(etc_mm, rain_mm, least_mm):
    assert least_net_irrigation_mm(np.array(etc_mm, float), np.array(rain_mm, float), 20.0) == pytest.approx(least_mm)


def test_no_replay_can_take_less_than_the_least():
    """A full refill whenever a day would pass storage, in random weather."""
    rng = np.random.default_rng(3)
    etc_mm, rain_mm = rng.uniform(2, 7, 60), np.where(rng.random(60) < 0.25, rng.gamma(0.7, 9.0, 60), 0.0)
    depletion_mm, given_mm = 0.0, 0.0
    for etc, rain in zip(etc_mm, rain_mm, strict=True):
        if depletion_mm + etc > 20.0:
            given_mm, depletion_mm = given_mm + depletion_mm, 0.0
        depletion_mm = max(0.0, depletion_mm + etc - 0.8 * rain)
    assert least_net_irrigation_mm(etc_mm, rain_mm, 20.0) <= given_mm


def test_sips_at_the_brim_keep_depletion_within_the_storage_and_room_for_all_rain_they_can() -> None:
    etc_mm, rain_mm = np.full(6, 4.0), np.array([0.0, 0.0, 0.0, 20.0, 0.0, 0.0])
    # Depletion 4, 8, then 10 after a sip of 2, 10 after one of 4 before the rain of 16 that counts: 0, then 4 and 8.
    assert at_the_brim_mm(etc_mm, rain_mm, 10.0) == pytest.approx(2.0 + 4.0)
    assert least_net_irrigation_mm(etc_mm, rain_mm, 10.0) == pytest.approx(2.0), "it knows that rain ends that day"


def test_no_watering_without_foresight_of_rain_beats_the_bound() -> None:
    rng = np.random.default_rng(7)
    for _ in range(20):
        etc_mm, rain_mm = rng.uniform(1.0, 6.0, 60), rng.gamma(0.4, 12.0, 60) * (rng.random(60) < 0.3)
        assert at_the_brim_mm(etc_mm, rain_mm, 15.0) >= least_net_irrigation_mm(etc_mm, rain_mm, 15.0) - 1e-6
