"""One night's openings in time: what wets leaves stands at the end of the window, drip before it."""

from __future__ import annotations

from datetime import date

import pytest
from sites import DayRule, Hours, Watering, site, time, zone
from small_world import SmallWorld

SLOW = {"overhead": False, "method": "drip", "application_rate_mm_h": 6.0, "flow_l_min": 6.0, "output": 2}


@pytest.mark.parametrize("max_open", [1, 2])
def test_lawns_run_at_the_end_of_the_window_and_drip_before_them(max_open):
    wide = Watering(window=Hours(start=time(21), end=time(6)), days=DayRule(), max_open=max_open)
    world = SmallWorld(site(zone("lawn", intake_mm_h=40.0), zone("beds", **SLOW), watering=wide))
    world.until(20.8)
    world.plan(date(2026, 6, 1))
    openings = sorted(world.state.openings, key=lambda item: item.start_s)
    assert {item.zone for item in openings} == {"lawn", "beds"}
    ends_s = {name: max(i.start_s + i.seconds for i in openings if i.zone == name) for name in ("lawn", "beds")}
    assert ends_s["lawn"] >= ends_s["beds"]
    starts_s = {name: min(i.start_s for i in openings if i.zone == name) for name in ("lawn", "beds")}
    assert starts_s["beds"] < starts_s["lawn"]


def test_a_night_of_drip_alone_is_packed_to_its_end_all_the_same():
    world = SmallWorld(site(zone("beds", **SLOW)))
    world.until(20.8)
    world.plan(date(2026, 6, 1))
    (item,) = world.state.openings[-1:]
    assert world.state.night.closes_s - (item.start_s + item.seconds) <= 1900.0
