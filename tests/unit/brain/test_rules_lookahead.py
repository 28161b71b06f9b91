"""Look-ahead: deep and seldom when it stays dry, room for rain when it does not, and it says what it weighed."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from one_night import question, some_nights

from dewpond.brain.rules import refill
from dewpond.brain.rules.lookahead import GOOD_RAIN_MM, decide
from dewpond.science.weather_futures import Futures

ALL = np.array([0])


def alone(*given, **changes):
    return decide(question(*given, **changes), ALL)[0]


def test_it_waits_as_long_as_refill_does():
    for missing_mm in (3.0, 14.9, 15.0, 15.1, 19.0):
        asked = question(missing_mm)
        assert (decide(asked, ALL)[0].net_mm > 0.0) == (refill.decide(asked, ALL)[0].net_mm > 0.0)


def test_certain_dry_weather_is_watered_deep():
    """All depths take the same water in the end, and deep ones open seldom: every second night or less often."""
    depths = []
    left_mm = 16.0
    for _ in range(28):
        depth = alone(left_mm, days=14)
        depths.append(depth.net_mm)
        assert depth.weighed is None or depth.weighed.saved_mm == pytest.approx(0.0, abs=0.1)
        left_mm += 5.0 - depth.net_mm
        assert left_mm <= 20.0
    assert np.mean([mm for mm in depths if mm > 0.0]) >= 0.45 * 20.0


def test_certain_rain_soon_leaves_room_for_it():
    """16 mm missing; 5 mm are used today, 5 tomorrow before 20 mm fall: 16 - d + 10 - 20 >= 0 holds for up to 6 mm.

    It takes some 1.1 mm to carry it over today; more only where the rain would not be lost.
    """
    depth = alone(16.0, rain_mm=(0.0, 20.0, 0.0))
    assert 1.0 <= depth.net_mm <= 6.0
    assert depth.weighed is not None
    assert depth.weighed.rain_chance == 1.0
    assert depth.weighed.saved_mm == pytest.approx(10.0, abs=0.2)  # a full 16 mm would lose 10 of the 20 mm


def test_rain_that_is_enough_in_time_keeps_it_shut():
    """17 + 5 mm would pass RAW but for 3 mm of rain on the same day."""
    assert alone(17.0, rain_mm=(3.0, 0.0)).net_mm == 0.0
    assert alone(17.0).net_mm > 0.0


def test_never_less_than_what_carries_it_to_the_next_chance():
    """Three days to go take 15 mm and leave room for 5 mm of depletion: 14 - 5 + 0.1, whatever rain is to come."""
    depth = alone(14.0, chance=some_nights(6, 1, 0, 3), rain_mm=(0.0, 0.0, 0.0, 30.0))
    assert depth.net_mm == pytest.approx(9.1)
    assert depth.least_mm == pytest.approx(9.1)


def test_it_gives_no_more_where_rain_is_likelier():
    etc_mm = np.full((14, 1, 32), 4.0)
    depths = []
    for wet in (0, 4, 12, 28):
        rain_mm = np.zeros((14, 1, 32))
        rain_mm[1:4, :, :wet] = 12.0
        asked = replace(question(18.0, etc_mm=etc_mm, days=14, futures=32), rain_mm=rain_mm)
        depths.append(decide(asked, ALL)[0].net_mm)
    assert all(later <= sooner for sooner, later in pairwise(depths))
    assert depths[-1] < depths[0]


def test_its_words_count_the_futures_with_a_good_rain():
    rain_mm = np.zeros((4, 8))
    rain_mm[0, 2] = GOOD_RAIN_MM
    rain_mm[1, 7] = 50.0  # too late to be told
    asked = question(16.0, etc_mm=5.0, days=8, futures=4)
    weighed = decide(replace(asked, futures=Futures(asked.futures.eto_mm, rain_mm)), ALL)[0].weighed
    assert weighed is not None and (weighed.rain_chance, weighed.futures, weighed.full_mm) == (0.25, 4, 16.0)


def test_zones_are_decided_alone_as_among_others():
    rng = np.random.default_rng(2)
    missing_mm = rng.uniform(0.0, 20.0, 12)
    etc_mm = rng.uniform(2.0, 7.0, (14, 1, 16))
    together = decide(question(missing_mm, etc_mm=etc_mm, days=14, futures=16), np.arange(12))
    for zone, missing in enumerate(missing_mm):
        assert decide(question(missing, etc_mm=etc_mm, days=14, futures=16), ALL)[0] == together[zone]
