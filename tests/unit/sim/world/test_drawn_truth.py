"""Ground that differs from the file by chance: within its spread, and the same for the same seed."""

from __future__ import annotations

import numpy as np
from sites import site, zone

from dewpond_sim.world.world import drawn_truth

PLACE = site(*(zone(f"zone-{number}", output=number) for number in range(1, 9)))


def test_every_factor_lies_within_the_spread_and_is_a_zones_own():
    for seed in range(20):
        truth = drawn_truth(PLACE, seed, spread=0.3)
        for factors in (truth.rate_factor, truth.use_factor):
            values = np.array(list(factors.values()))
            assert factors.keys() == {each.id for each in PLACE.zones} and len(set(values)) == len(values)
            assert values.min() >= 0.7 and values.max() <= 1.3
        assert max(abs(shift) for shift in truth.capacity_shift_m3_m3.values()) <= 0.25 * 0.3


def test_a_seed_draws_the_same_ground_and_another_seed_another():
    assert drawn_truth(PLACE, 4) == drawn_truth(PLACE, 4) != drawn_truth(PLACE, 5)


def test_without_spread_the_ground_is_as_written():
    truth = drawn_truth(PLACE, 1, spread=0.0)
    assert set(truth.rate_factor.values()) == set(truth.use_factor.values()) == {1.0}
    assert set(truth.capacity_shift_m3_m3.values()) == {0.0}


def test_the_whole_spread_is_used():
    draws = [factor for seed in range(40) for factor in drawn_truth(PLACE, seed, spread=0.2).use_factor.values()]
    assert min(draws) < 0.82 and max(draws) > 1.18 and abs(np.mean(draws) - 1.0) < 0.02
