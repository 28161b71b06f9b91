"""The usual pressure at the point of connection: a wave of the day without steps."""

from __future__ import annotations

import pytest

from dewpond.brain.pipes import supply
from dewpond.brain.pipes.rows import MeterRow
from dewpond.brain.pipes.state import Spread, WatchState

MEANS_KPA = (500.0, 540.0, 560.0, 540.0, 500.0, 460.0, 440.0, 460.0)
KNOWN = WatchState(
    idle_kpa=tuple(Spread(100, mean, 100.0 * 16.0) for mean in MEANS_KPA), idle_kpa_s=supply.KNOW_S, quiet_kpa=500.0
)
PART_S = supply.DAY_S / supply.PARTS


def test_in_the_middle_of_a_part_of_the_day_its_own_mean_is_usual():
    assert supply.usual_kpa(KNOWN, 1.5 * PART_S) == pytest.approx(540.0)


def test_where_two_parts_meet_a_pressure_halfway_between_them_is_usual():
    assert supply.usual_kpa(KNOWN, 1.0 * PART_S) == pytest.approx(520.0)
    assert supply.usual_kpa(KNOWN, 1.0 * PART_S - 1.0) == pytest.approx(500.0)  # never above the part's own mean


def test_the_beginning_of_a_part_is_not_low_because_its_end_is_higher():
    row = MeterRow(1.0 * PART_S, 0.0, 300.0, 512.0, ())
    assert supply.pressure_fault(KNOWN, row) is None


def test_a_pressure_below_all_that_is_usual_there_is_low_and_none_at_all_is_no_supply():
    assert supply.pressure_fault(KNOWN, MeterRow(1.5 * PART_S, 0.0, 300.0, 500.0, ())) == "low_pressure"
    assert supply.pressure_fault(KNOWN, MeterRow(1.5 * PART_S, 0.0, 300.0, 3.0, ())) == "no_supply"
