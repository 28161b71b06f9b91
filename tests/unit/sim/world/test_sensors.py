"""Sensors within their resolution: tips are never lost, probes read volumetric water."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from dewpond.model.site import Zone
from dewpond_sim.world.sensors import FIELD_CAPACITY_M3_M3, RainGauge, probe_in, sampled

RNG = np.random.default_rng(3)
MakeZone = Callable[..., Zone]

# FAO-56 Table 19, p. 144: field capacity ranges, m3/m3.
FAO56_TABLE_19 = {
    "sand": (0.07, 0.17),
    "sandy loam": (0.18, 0.28),
    "loam": (0.20, 0.30),
    "silt loam": (0.22, 0.36),
    "silt": (0.28, 0.36),
    "silty clay": (0.30, 0.42),
    "clay": (0.32, 0.40),
}


@pytest.mark.parametrize("soil", sorted(FAO56_TABLE_19))
def test_field_capacity_is_the_middle_of_fao_56_table_19(soil: str):
    low, high = FAO56_TABLE_19[soil]
    assert FIELD_CAPACITY_M3_M3[soil] == pytest.approx((low + high) / 2)


def test_a_gauge_keeps_what_is_left_of_a_tip():
    gauge = RainGauge()
    assert gauge.tips_mm(0.3) == pytest.approx(0.2)
    assert gauge.tips_mm(0.0) == 0.0
    assert gauge.tips_mm(0.1) == pytest.approx(0.2)
    gauge = RainGauge()
    assert sum(gauge.tips_mm(0.13) for _ in range(100)) == pytest.approx(13.0, abs=0.2)


def test_a_probe_reads_field_capacity_less_what_is_missing_over_the_roots(make_zone: MakeZone):
    probe = probe_in(make_zone("lawn", 1, soil="loam", root_depth_mm=160.0), 0.0)
    assert probe.reading_m3_m3(0.0, RNG) == pytest.approx(0.25)
    assert probe.reading_m3_m3(8.0, RNG) == pytest.approx(0.20)
    assert probe.reading_m3_m3(500.0, RNG) == 0.0


def test_a_probe_has_noise_only_when_told(make_zone: MakeZone):
    probe = probe_in(make_zone("lawn", 1, soil="clay", root_depth_mm=200.0), 0.01)
    values = np.array([probe.reading_m3_m3(10.0, RNG) for _ in range(2000)])
    assert values.mean() == pytest.approx(0.31, abs=0.001)
    assert values.std() == pytest.approx(0.01, rel=0.1)


def test_a_zone_without_roots_in_its_file_still_has_a_place_for_a_probe(make_zone: MakeZone):
    probe = probe_in(make_zone("lawn", 1, soil=None, root_depth_mm=None), 0.0)
    assert probe.root_depth_mm == pytest.approx(24.0 / 150.0 * 1000.0)


def test_unmeasured_values_give_no_reading():
    times = np.array([1.0, 2.0, 3.0])
    readings = sampled("air", times, lambda at_s: float("nan") if at_s == 2.0 else at_s + 0.04, 0.1)
    assert readings.time_s.tolist() == [1.0, 3.0]
    assert readings.value.tolist() == pytest.approx([1.0, 3.0])
