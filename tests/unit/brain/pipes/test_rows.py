"""Rows of the watch from live blocks and from logs."""

from __future__ import annotations

import math

import numpy as np

from dewpond.brain.pipes import MeterRow, rows_of_block, rows_of_log


def test_a_row_of_a_block_carries_the_zones_open_at_its_end_and_the_last_pressure_within_it():
    rows = rows_of_block(
        np.array([100.0, 110.0, 120.0]),
        np.array([0.0, 3.0, 3.0]),
        np.array([10.0, 10.0, 10.0]),
        [("lawn", 104.0, 115.0), ("bank", 115.0, math.inf)],
        (np.array([95.0, 108.0]), np.array([400.0, 380.0])),
    )
    assert rows == (
        MeterRow(100.0, 0.0, 10.0, 400.0, ()),
        MeterRow(110.0, 3.0, 10.0, 380.0, ("lawn",)),
        MeterRow(120.0, 3.0, 10.0, None, ("bank",)),
    )


def test_a_log_counts_pulses_in_litres_and_reads_the_mask_from_its_lowest_bit():
    rows = rows_of_log([(10.0, 2.0, None, 0), (20.0, 3.0, 300.0, 5)], pulse_l=0.5, row_s=10.0)
    assert rows == (MeterRow(10.0, 1.0, 10.0, None, ()), MeterRow(20.0, 1.5, 10.0, 300.0, ("1", "3")))


def test_a_log_whose_clock_goes_back_gives_a_window_that_is_no_time():
    rows = rows_of_log([(500.0, 0.0, None, 0), (100.0, 0.0, None, 0)], pulse_l=1.0, row_s=10.0)
    assert rows[1].window_s == -400.0
