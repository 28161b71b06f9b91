from __future__ import annotations

from datetime import timedelta

import pytest

from dewpond.upkeep.watched_run import Picture, figures, has_run, picture_of

from .conftest import JUNE

GAUGE = [(5.0, 400.0), (30.0, 310.0), (50.0, 312.0), (70.0, 405.0)]


def meter(*litres, every_s=10.0, first_s=-10.0):
    """Rows every so many seconds; the zone is open from 0 to 60."""
    return [(first_s + every_s * number, float(value)) for number, value in enumerate(litres)]


GOOD = meter(0, 0, 9, 6, 5, 5, 5, 5, 1, 0, 0, 0)  # the pipes fill, then 30 L/min


def test_the_steady_flow_leaves_out_the_filling_of_the_pipes_and_the_closing():
    seen = figures(0.0, 60.0, GOOD, GAUGE, alone=True)
    assert seen == {"came_on": True, "went_off": True, "flow": 30.0, "counted": 20.0, "pressure": 311.0}


def test_a_row_that_began_before_the_run_does_not_lower_its_flow():
    """Rows every 30 s of a meter in whole litres, as one saw a zone of 22 L/min."""
    rows = [(-41.3, 0.0), (-11.3, 0.0), (18.7, 9.0), (48.7, 11.0), (78.7, 4.0), (108.7, 0.0)]
    assert figures(0.0, 60.0, rows, (), alone=True)["flow"] == pytest.approx(22.0)


def test_a_valve_that_stays_open_is_seen_by_the_flow_after_its_relay_is_off():
    assert figures(0.0, 60.0, meter(0, 0, 9, 6, 5, 5, 5, 5, 5, 5, 5, 5), (), alone=True)["went_off"] is False
    assert figures(0.0, 60.0, meter(0, 0, 9, 6, 5, 5, 5, 5, 5, 1, 0, 0), (), alone=True)["went_off"] is True


def test_a_meter_that_is_silent_after_the_run_says_that_it_went_off():
    assert figures(0.0, 60.0, GOOD[:8], (), alone=True)["went_off"] is True


@pytest.mark.parametrize(
    ("rows", "alone"), [((), True), (GOOD, False), (meter(0, 20, 40, every_s=60.0), True), (GOOD[:1], True)]
)
def test_where_no_window_lies_within_the_run_no_flow_is_told(rows, alone):
    assert figures(0.0, 60.0, rows, (), alone=alone) == {"came_on": True, "went_off": True}


def test_a_gap_in_the_meters_rows_is_no_window():
    assert "flow" not in figures(0.0, 600.0, [(20.0, 1.0), (320.0, 150.0)], (), alone=True)


def picture(minute, valve="closed", ended=None):
    end = None if ended is None else JUNE + timedelta(minutes=ended)
    return Picture(at=JUNE + timedelta(minutes=minute), valve=valve, alone=True, last_run_end=end)


def test_a_zone_came_on_when_it_was_seen_open_or_a_run_of_it_ended_meanwhile():
    assert has_run([picture(0), picture(1, "open")])
    assert has_run([picture(0, ended=-30), picture(5, ended=2)])
    assert not has_run([picture(0, ended=-30), picture(5, ended=-30)])


@pytest.mark.parametrize(("other", "alone"), [("open", False), ("closing", False), ("closed", True)])
def test_a_picture_is_read_from_the_daemons_status(other, alone):
    status = {
        "at": "2027-06-01T14:00:00+00:00",
        "zones": [
            {"id": "lawn", "supply": "main", "valve": "open", "last_run_end": "2027-06-01T03:00:00+00:00"},
            {"id": "bank", "supply": "main", "valve": other, "last_run_end": None},
            {"id": "far", "supply": "well", "valve": "open", "last_run_end": None},
        ],
    }
    seen = picture_of(status, "lawn", "main")
    assert (seen.at, seen.valve, seen.alone) == (JUNE, "open", alone)
    assert picture_of(status, "bank", "main").last_run_end is None
