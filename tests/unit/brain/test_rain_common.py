"""A rain switch in the valve common of a supply without a meter: what is booked after rain is told as not certain."""

from __future__ import annotations

from datetime import date

import pytest
from sites import Supply, site, zone
from small_world import SmallWorld

from dewpond.model.site import Sensor

FIRST, SECOND = date(2026, 6, 1), date(2026, 6, 2)


def two_nights(rain_mm, *, in_common=True, meter=None):
    supply = Supply(id="main", source="potable", capacity_l_min=60.0, rain_switch_in_common=in_common, meter=meter)
    sensors = (Sensor(id="meter", kind="flow", topic="yard/meter"),) if meter else ()
    world = SmallWorld(site(zone(), supplies=(supply,), sensors=sensors), depletion_share=2.0)
    world.until(20.8)
    world.plan(FIRST)
    world.until(24.1)
    world.weather(FIRST, eto_mm=5.0, rain_mm=rain_mm)
    world.until(44.8)
    world.plan(SECOND)
    world.until(54.5)
    return world


def test_after_rain_record_and_reason_say_that_the_depth_is_not_certain():
    world = two_nights(4.0)
    assert "may have held it, so the depth is not certain" in world.runs()[0].note
    assert "how much is missing is not certain" in " ".join(world.state.reasons["lawn"].sentences())


@pytest.mark.parametrize("case", [{"rain_mm": 0.0}, {"rain_mm": 4.0, "in_common": False}])
def test_without_rain_or_switch_nothing_is_doubted(case):
    world = two_nights(**case)
    assert world.runs()
    assert all("certain" not in run.note for run in world.runs())
    assert "certain" not in " ".join(world.state.reasons["lawn"].sentences())


def test_a_meter_makes_the_doubt_needless():
    assert all("certain" not in run.note for run in two_nights(4.0, meter="meter").runs())
