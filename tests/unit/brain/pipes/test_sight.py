"""What the meter can show is what two of its pulses can show, and nothing below its least flow."""

from __future__ import annotations

import math

import pytest
from sites import site, zone

from dewpond.brain.pipes.sight import sights
from dewpond.model.site import Sensor, Supply


def seen(flow_l_min: float, pulse_l: float, least: float | None = None, **supply):
    meter = Sensor(id="m", kind="flow", topic="yard/m", mapping={"accumulation": "increment", "unit_in": "L"})
    main = Supply(
        id="main",
        source="potable",
        capacity_l_min=500.0,
        meter="m",
        meter_pulse_l=pulse_l,
        meter_least_flow_l_min=least,
        **supply,
    )
    (found,) = sights(site(zone(flow_l_min=flow_l_min), supplies=(main,), sensors=(meter,)))
    return found


@pytest.mark.parametrize(
    ("pulse_l", "flow", "quarter_s", "tenth_s"),
    [(0.1, 30.0, 1.6, 4.0), (1.0, 30.0, 16.0, 40.0), (3.785, 30.0, 61.0, 151.0), (10.0, 30.0, 160.0, 400.0)],
)
def test_times_are_those_of_two_pulses(pulse_l, flow, quarter_s, tenth_s):
    """Worked by hand: T = 2 x pulse / difference; a meter that reports each second is never waited for here."""
    (one,) = seen(flow, pulse_l, meter_row_s=1.0).zones
    assert one.quarter_s == pytest.approx(quarter_s, rel=0.01)
    assert one.tenth_s == pytest.approx(tenth_s, rel=0.01)


def test_nothing_is_promised_before_the_meter_reports():
    (one,) = seen(30.0, 0.1, meter_row_s=20.0).zones
    assert (one.doubled_s, one.quarter_s, one.tenth_s) == (20.0, 20.0, 20.0)


def test_a_large_meter_misses_a_small_drip_zone():
    (one,) = seen(0.5, 10.0, least=2.0).zones
    assert one.below_least_flow and math.isinf(one.doubled_s)


def test_no_leak_below_the_least_flow_is_promised():
    found = seen(30.0, 0.1, least=0.4)
    assert found.leak_in_a_minute_l_min == 0.4 and found.leak_in_an_hour_l_min == 0.4


def test_a_coarse_meter_needs_an_hour_for_a_small_leak():
    found = seen(30.0, 10.0, least=0.2)
    assert found.leak_in_a_minute_l_min == pytest.approx(20.0)
    assert found.leak_in_an_hour_l_min == pytest.approx(1.0 / 3.0)
