"""Figures of standards, handbooks and public agencies against the watch's own limits: run lengths, leaks, meters.

"From memory" marks a figure that was not read in its source; the others were read there, or worked out by another
method, as said beside each.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from sites import site, zone

from dewpond.brain.guided import usual_step_s
from dewpond.brain.guided_verdict import smallest_l_min
from dewpond.brain.pipes import MeterSettings
from dewpond.brain.pipes.of_site import Q3_L_MIN, RANGE
from dewpond.brain.pipes.settings import BREAK_FACTOR, FALSE_ALARMS_A_ZONE_YEAR, TESTS_A_ZONE_YEAR, WatchSettings
from dewpond.brain.pipes.sight import sights
from dewpond.brain.pipes.usual import RUN_ALLOWANCE, RUN_LIMIT, Run, expected_l_min, first_run
from dewpond.model.site import Sensor, Supply
from dewpond.science import change_detection as cd
from dewpond.science.hydraulics import emitter_flow_l_min, orifice_flow_l_min

L_PER_GAL, KPA_PER_PSI = 3.785411784, 6.894757293
MINUTES_A_MONTH = 365.25 / 12.0 * 1440.0

# Brook & Evans' Markov chain (Biometrika 59, 1972) with 400 states, worked out apart from this program: allowance,
# limit, mean samples to an alarm without a shift and at shifts of 0.5, 1, 2, 3 and 4 standard deviations.
CUSUM_TABLE = [
    (0.5, 8.0, (18_962.0, 84.0, 16.4, 6.01, 3.78, 2.84)),
    (0.5, 10.0, (140_208.0, 125.0, 20.4, 7.34, 4.58, 3.39)),
    (1.0, 8.0, (4.3e7, 18_962.0, 84.0, 8.75, 4.62, 3.23)),
]
SHIFTS = (0.0, 0.5, 1.0, 2.0, 3.0, 4.0)


@pytest.mark.parametrize(("allowance", "limit", "lengths"), CUSUM_TABLE)
def test_long_run_lengths_are_those_of_the_markov_chain(allowance, limit, lengths):
    for shift, samples in zip(SHIFTS, lengths, strict=True):
        assert cd.cusum_run_length(allowance, limit, shift, states=200) == pytest.approx(samples, rel=0.02)


@pytest.mark.parametrize(("limit", "shift", "samples"), [(4.0, 1.0, 8.38), (5.0, 1.0, 10.4), (4.0, 2.0, 3.34)])
def test_the_sum_that_runs_in_the_watch_takes_as_long_as_the_table_says(limit, shift, samples):
    # Montgomery & Runger, sec. 16-10: limits of 4 or 5 and an allowance of 1/2. Drawn, so that chain and sum agree.
    values = np.random.default_rng(7).normal(shift, 1.0, (4000, 200))
    total, length = np.zeros(4000), np.zeros(4000)
    for n in range(values.shape[1]):
        total = cd.cusum_step(total, values[:, n], 0.5)
        length[(length == 0.0) & (total > limit)] = n + 1
    assert (length > 0.0).all()
    assert length.mean() == pytest.approx(samples, rel=0.03)


def test_the_run_level_sums_raise_a_false_alarm_once_in_some_five_hundred_seasons():
    # k = 1, h = 5: 107,234 runs (the chain); a zone runs some two hundred times a season. The goal is 0.05 a season.
    runs = cd.cusum_run_length(RUN_ALLOWANCE, RUN_LIMIT, states=200)
    assert runs == pytest.approx(107_234.0, rel=0.004)
    assert 2.0 * 200.0 / runs < 0.05


def test_the_width_of_one_test_keeps_the_budget_of_a_zone_year():
    # The normal tables' tail of the width; 3.5 standard deviations are p = 2.3e-4.
    width = WatchSettings(meter=MeterSettings(pulse_l=1.0, q1_l_min=0.4, q3_l_min=42.0)).width
    assert 0.5 * math.erfc(width / math.sqrt(2.0)) * TESTS_A_ZONE_YEAR == pytest.approx(FALSE_ALARMS_A_ZONE_YEAR)
    assert 0.5 * math.erfc(3.5 / math.sqrt(2.0)) == pytest.approx(2.326e-4, rel=1e-3)


@pytest.mark.parametrize(
    ("hole_in", "gal_a_month"), [(1 / 32, 6_000.0), (1 / 16, 25_000.0), (1 / 8, 100_000.0), (1 / 4, 400_000.0)]
)
def test_holes_lose_what_a_city_prints(hole_in, gal_a_month):
    # City of Powder Springs GA, leaks at 60 psi by diameter; a sharp edge passes about 0.6 of the ideal flow.
    flow = orifice_flow_l_min(60.0 * KPA_PER_PSI, 25.4 * hole_in)
    assert flow == pytest.approx(gal_a_month * L_PER_GAL / MINUTES_A_MONTH, rel=0.07)


@pytest.mark.parametrize(("flow", "head_m", "lower_m", "seen"), [(45.6, 38.2, 25.4, 37.1), (178.9, 54.6, 40.7, 154.4)])
def test_a_zone_of_plain_heads_follows_the_pressure_as_a_solved_network_does(flow, head_m, lower_m, seen):
    # EPANET 2.2 runs of a garden's and a campus's first zone, with the supply 14 m lower: flow and head at the meter.
    assert emitter_flow_l_min(flow, lower_m, head_m) == pytest.approx(seen, rel=0.003)
    run = Run(flow, math.log(9.80665 * head_m), 0.001)
    usual = first_run(run, 0.0, shared=False)
    assert expected_l_min(usual, math.log(9.80665 * lower_m)) == pytest.approx(seen, rel=0.05)  # x = 0.4 at first


@pytest.mark.parametrize(("usual", "broken", "head_gone"), [(45.6, 97.0, 71.6), (178.9, 498.0, 303.0)])
def test_breaks_and_missing_heads_of_solved_networks_lie_above_the_factor_that_stops_a_zone(usual, broken, head_gone):
    # The same two networks: a clean break of the lateral, and the last head gone.
    assert broken / usual > head_gone / usual > BREAK_FACTOR


def metered(pulse_l: float, **supply: float):
    meter = Sensor(id="m", kind="flow", topic="yard/m", mapping={"accumulation": "increment", "unit_in": "L"})
    main = Supply(id="main", source="potable", capacity_l_min=500.0, meter="m", meter_pulse_l=pulse_l, **supply)
    (found,) = sights(site(zone(), supplies=(main,), sensors=(meter,)))
    return found


def test_without_a_word_the_meter_is_a_usual_house_meter():
    # ISO 4064-1:2014 names Q1 to Q4; Q3 2.5 m3/h and R100 give Q1 = 25 L/h = 0.42 L/min (R100 from memory).
    assert pytest.approx(2500.0 / 60.0, rel=0.002) == Q3_L_MIN
    assert metered(1.0).least_flow_l_min == pytest.approx(25.0 / 60.0, rel=0.002)
    assert metered(1.0, meter_greatest_flow_l_min=500.0).least_flow_l_min == 500.0 / RANGE


# Maryland COMAR 20.70.06.03 after AWWA: minimum test flows of displacement meters, inches and gallons a minute.
TEST_FLOWS = [("5/8", 0.25), ("3/4", 0.5), ("1", 0.75), ("1.5", 1.5), ("2", 2.0)]


@pytest.mark.parametrize(("size_in", "gpm"), TEST_FLOWS)
def test_no_meter_is_trusted_below_its_minimum_test_flow(size_in, gpm):
    least = gpm * L_PER_GAL
    found = metered(0.1, meter_least_flow_l_min=least)
    assert found.leak_in_an_hour_l_min == pytest.approx(least), size_in
    meter = MeterSettings(pulse_l=0.1, q1_l_min=least, q3_l_min=200.0)
    assert smallest_l_min(meter, 2.0 * 3600.0) == pytest.approx(least)


def test_what_agencies_call_a_common_leak_is_below_what_common_meters_promise():
    # EPA WaterSense: one home in ten leaks 90 gal a day or more; a utility prints 20 gal a day for a leaky head.
    least = 0.25 * L_PER_GAL  # of the smallest of the meters above
    assert pytest.approx(0.24, abs=0.005) == 90.0 * L_PER_GAL / 1440.0
    assert 20.0 * L_PER_GAL / 1440.0 < 90.0 * L_PER_GAL / 1440.0 < least
    assert metered(0.1, meter_least_flow_l_min=least).leak_in_an_hour_l_min > 90.0 * L_PER_GAL / 1440.0


def test_two_hours_without_use_show_the_least_flow_of_any_usual_meter():
    # EPA P100YTRV: read the meter, use nothing for two hours, read again; any change is a leak.
    for pulse_l, least in ((0.1, 0.42), (1.0, 0.42), (10.0, 0.42), (37.85, 0.7)):
        meter = MeterSettings(pulse_l=pulse_l, q1_l_min=least, q3_l_min=100.0 * least)
        assert smallest_l_min(meter, 7200.0) == pytest.approx(least, rel=0.5)
        assert usual_step_s(meter) <= 600.0  # a person does not stand there for hours; the limit is said instead


@pytest.mark.parametrize(
    ("pulse_l", "idle_055_s", "idle_2_s", "run_30_quarter_s", "run_180_tenth_s"),
    # T = 2 pulses / difference, worked out by hand.
    [
        (0.1, 21.8, 6.0, 1.6, 0.67),
        (1.0, 218.0, 60.0, 16.0, 6.7),
        (3.785, 826.0, 227.0, 60.6, 25.2),
        (10.0, 2182.0, 600.0, 160.0, 66.7),
        (37.85, 8258.0, 2271.0, 605.6, 252.3),
    ],
)
def test_nothing_is_told_sooner_than_two_pulses_allow(pulse_l, idle_055_s, idle_2_s, run_30_quarter_s, run_180_tenth_s):
    seen_s = [cd.earliest_verdict_s(pulse_l, flow) for flow in (0.55, 2.0, 30.0 * 0.25, 180.0 * 0.1)]
    assert seen_s == pytest.approx([idle_055_s, idle_2_s, run_30_quarter_s, run_180_tenth_s], rel=0.03)
