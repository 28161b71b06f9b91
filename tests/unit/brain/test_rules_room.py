"""A night too short for all: what can wait is cut alike, and nobody loses what it cannot do without."""

from __future__ import annotations

from datetime import date

import pytest
from sites import DayRule, Watering, site, time, zone

from dewpond.brain.ground import ground_of
from dewpond.brain.rules.question import Depth
from dewpond.brain.rules.room import USABLE_SHARE, fit
from dewpond.brain.state import Opening
from dewpond.model.hours import Hours

NIGHT = date(2026, 7, 1)
SECONDS_A_MM = 3600.0 / (10.0 * 0.5)  # 10 mm/h at an efficiency of 0.5


def ground_for(hours=8):
    zones = [
        zone(name, application_rate_mm_h=10.0, efficiency=0.5, intake_mm_h=20.0, output=n + 1, flow_l_min=60.0)
        for n, name in enumerate(("lawn", "bed"))
    ]
    window = Hours(start=time(21), end=time((21 + hours) % 24))
    return ground_of(site(*zones, watering=Watering(window=window, days=DayRule(), max_open=1)))


def fitted(depths, *, hours=8, now_h=0.0, known_h=0.0, taken=()):
    """Depths that fit, with the present and the time the day's weather is known in hours after 21:00."""
    ground = ground_for(hours)
    opens_s = ground.rules.window(NIGHT).opens_s
    return fit(ground, depths, NIGHT, opens_s + now_h * 3600.0, opens_s + known_h * 3600.0, taken)


def wants(lawn_mm, bed_mm, lawn_least=0.0, bed_least=0.0):
    return {
        "lawn": Depth(lawn_mm, 4.0, least_mm=lawn_least),
        "bed": Depth(bed_mm, 4.0, least_mm=bed_least),
    }


def test_a_night_with_room_changes_nothing():
    depths = wants(8.0, 6.0)
    assert fitted(depths) == depths


def test_from_half_of_the_usable_time_on_openings_come_in_pieces():
    """8 h of which 85 % are usable take 34 mm; 18 mm are more than half of that, and all of it is given."""
    found = fitted(wants(10.0, 8.0))
    assert all(depth.in_pieces for depth in found.values())
    assert [depth.net_mm for depth in found.values()] == [10.0, 8.0]


def test_what_can_wait_is_cut_alike():
    """34 mm fit; 8 and 6 of 30 and 20 are needed. The other 36 share the 20 mm that are left."""
    found = fitted(wants(30.0, 20.0, lawn_least=8.0, bed_least=6.0))
    share = (34.0 - 14.0) / (50.0 - 14.0)
    assert found["lawn"].net_mm == pytest.approx(8.0 + share * 22.0)
    assert found["bed"].net_mm == pytest.approx(6.0 + share * 14.0)
    assert sum(depth.net_mm for depth in found.values()) == pytest.approx(8 * 3600.0 * USABLE_SHARE / SECONDS_A_MM)
    assert "carried to the next night" in found["lawn"].note


def test_nobody_loses_what_it_cannot_do_without():
    found = fitted(wants(30.0, 30.0, lawn_least=25.0, bed_least=20.0))
    assert [depth.net_mm for depth in found.values()] == pytest.approx([25.0, 20.0])


def test_while_the_days_rain_is_not_known_it_waits_for_midnight_where_it_can():
    """From midnight 5 h are left, 21.25 mm; 10 mm are needed, so the rest is cut to that."""
    found = fitted(wants(20.0, 10.0, lawn_least=6.0, bed_least=4.0), known_h=3.0)
    assert sum(depth.net_mm for depth in found.values()) == pytest.approx(21.25)
    urgent = fitted(wants(20.0, 10.0, lawn_least=16.0, bed_least=8.0), known_h=3.0)
    assert sum(depth.net_mm for depth in urgent.values()) == pytest.approx(30.0)


def test_a_zone_whose_watering_has_begun_is_left_alone_and_takes_its_time():
    taken = Opening(
        run_id="r1",
        zone="lawn",
        output=1,
        supply="main",
        window_date=NIGHT,
        start_no=0,
        start_s=0.0,
        seconds=20.0 * SECONDS_A_MM,
        latest_end_s=8 * 3600.0,
        flow_l_min=60.0,
        gross_mm=40.0,
        source="lookahead",
    )
    found = fitted(wants(20.0, 20.0, bed_least=5.0), taken=(taken,))
    assert found["lawn"].net_mm == 20.0
    assert found["bed"].net_mm == pytest.approx(14.0, abs=0.01)
