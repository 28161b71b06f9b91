"""Run lengths against published and independently computed tables; what a pulse count can and cannot show."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dewpond.science import change_detection as cd
from dewpond.science.hydraulics import discharge_coefficient, emitter_flow_l_min, orifice_flow_l_min

L_MIN_PER_GPM = 3.785411784


@pytest.mark.parametrize(
    ("allowance", "limit", "lengths"),
    # Brook & Evans, Biometrika 59, 1972 (Markov chain); half the ARL0 are the textbook two-sided 168 and 465.
    [
        (0.5, 4.0, {0.0: 335.4, 0.5: 26.7, 1.0: 8.38, 2.0: 3.34, 3.0: 2.19, 4.0: 1.71}),
        (0.5, 5.0, {0.0: 930.9, 0.5: 38.0, 1.0: 10.4, 2.0: 4.01, 3.0: 2.57, 4.0: 2.01}),
        (1.0, 5.0, {0.0: 107_234.0, 0.5: 931.0, 1.0: 38.0, 2.0: 5.75, 3.0: 3.11, 4.0: 2.23}),
    ],
)
def test_cusum_run_lengths_are_those_of_the_markov_chain(allowance, limit, lengths):
    for shift, samples in lengths.items():
        assert cd.cusum_run_length(allowance, limit, shift, states=200) == pytest.approx(samples, rel=0.004)


def test_two_sided_cusum_run_lengths_are_the_textbook_ones():
    # Montgomery, Introduction to Statistical Quality Control, ch. 9: 168 at h = 4, 465 at h = 5 (from memory).
    assert cd.cusum_run_length(0.5, 4.0, states=200) / 2.0 == pytest.approx(168.0, rel=0.005)
    assert cd.cusum_run_length(0.5, 5.0, states=200) / 2.0 == pytest.approx(465.0, rel=0.005)


def test_ewma_run_lengths_are_the_published_ones():
    # Lucas & Saccucci, Technometrics 32, 1990: schemes made for an ARL of 500 without a shift.
    assert cd.ewma_run_length(0.1, 2.814, states=200) == pytest.approx(500.0, rel=0.005)
    assert cd.ewma_run_length(0.25, 2.998, states=200) == pytest.approx(500.0, rel=0.005)
    assert cd.ewma_run_length(0.1, 2.814, 1.0, states=200) == pytest.approx(10.3, rel=0.01)
    assert cd.ewma_run_length(0.25, 2.998, 2.0, states=200) == pytest.approx(3.61, rel=0.01)


@pytest.mark.parametrize(("shift", "samples"), [(0.0, 370.4), (1.0, 43.9), (2.0, 6.30), (3.0, 2.00), (4.0, 1.19)])
def test_shewhart_run_lengths_at_three_sigma(shift, samples):
    assert cd.shewhart_run_length(3.0, shift) == pytest.approx(samples, rel=0.003)


def test_siegmund_is_within_four_per_cent_for_shifts_up_to_two_sigma():
    for limit in (4.0, 5.0):
        for shift in (0.0, 0.5, 1.0, 2.0):
            exact = cd.cusum_run_length(0.5, limit, shift, states=200)
            assert cd.siegmund_run_length(0.5, limit, shift) == pytest.approx(exact, rel=0.04)


def test_a_cusum_forgets_what_lies_within_its_allowance_and_keeps_what_does_not():
    assert cd.cusum_step(0.0, 0.4, 0.5) == 0.0
    assert cd.cusum_step(2.0, 1.5, 0.5) == 3.0
    assert np.array_equal(cd.cusum_step(np.array([0.0, 2.0]), np.array([0.4, 1.5]), 0.5), [0.0, 3.0])
    assert math.isnan(cd.cusum_step(0.0, math.nan, 0.5))


def test_an_ewma_closes_on_a_step_geometrically():
    mean = 0.0
    for _ in range(10):
        mean = cd.ewma_step(mean, 1.0, 0.1)
    assert mean == pytest.approx(1.0 - 0.9**10)
    assert cd.ewma_limit(0.1, 2.814) == pytest.approx(2.814 * math.sqrt(0.1 / 1.9))


@pytest.mark.parametrize(
    ("pulse_l", "difference_l_min", "seconds"),
    [(0.1, 0.55, 21.8), (1.0, 0.9, 133.3), (10.0, 0.9, 1333.3), (37.85, 2.0, 2271.0), (1.0, -9.0, 13.3)],
)
def test_nothing_is_claimed_before_two_pulses(pulse_l, difference_l_min, seconds):
    assert cd.earliest_verdict_s(pulse_l, difference_l_min) == pytest.approx(seconds, rel=0.01)
    assert cd.smallest_difference_l_min(pulse_l, seconds) == pytest.approx(abs(difference_l_min), rel=0.01)


def test_no_difference_is_never_told():
    assert cd.earliest_verdict_s(1.0, 0.0) == math.inf


def test_one_false_alarm_in_twenty_years_of_two_hundred_runs_takes_three_and_a_half_sigma():
    assert cd.width_for_budget(200, 0.05) == pytest.approx(3.48, abs=0.01)


@pytest.mark.parametrize(("degrees", "width"), [(4.0, 6.620), (10.0, 3.957), (30.0, 3.270)])
def test_little_knowledge_widens_a_limit_as_student_says(degrees, width):
    # Student's t at a one-sided chance of 0.00135, tables of the t distribution.
    assert cd.student_width(3.0, degrees) == pytest.approx(width, rel=0.03)


def test_a_thirty_second_of_an_inch_leaks_what_a_city_prints():
    # City of Powder Springs GA: 6,000 gal a month through 1/32 in at 60 psi; sharp orifice.
    printed_l_min = 6000.0 * L_MIN_PER_GPM / (30.4 * 1440.0)
    assert orifice_flow_l_min(60.0 * 6.894757, 25.4 / 32.0) == pytest.approx(printed_l_min, rel=0.05)
    assert discharge_coefficient(printed_l_min, 60.0 * 6.894757, 25.4 / 32.0) == pytest.approx(0.6, abs=0.03)


def test_a_nozzle_follows_the_square_root_of_pressure():
    # Extension table: 3/16 in nozzle, 5.97 gpm at 35 psi, 7.51 gpm at 55 psi.
    assert emitter_flow_l_min(5.97, 55.0, 35.0) == pytest.approx(7.51, rel=0.005)


@pytest.mark.parametrize(("gpm", "l_min"), [(0.25, 0.95), (0.5, 1.9), (0.75, 2.8), (1.5, 5.7), (2.0, 7.6)])
def test_minimum_test_flows_of_displacement_meters_can_be_seen_within_minutes(gpm, l_min):
    # Maryland COMAR 20.70.06.03 after AWWA: minimum test flows of 5/8 in to 2 in meters.
    assert gpm * L_MIN_PER_GPM == pytest.approx(l_min, rel=0.02)
    assert cd.earliest_verdict_s(1.0, l_min) <= 130.0
