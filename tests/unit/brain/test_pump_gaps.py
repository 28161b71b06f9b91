"""Pauses of a pump in the timetable: its rest and its starts an hour, by moving earlier what comes too close."""

from __future__ import annotations

import itertools
from datetime import date

from pump_world import PUMP, PumpWorld, place
from sites import DayRule, Hours, Watering, time, zone

from dewpond.brain.pump_gaps import spaced
from dewpond.brain.timetable import Placed
from dewpond.model.commands import RecordReason
from dewpond.model.site import Pump

NIGHT = {"a": ((0.0, 20_000.0),), "b": ((0.0, 20_000.0),)}


def at(start_s: float, seconds: float, zone_id: str = "a") -> Placed:
    return Placed(zone_id, 1, start_s, seconds, 30.0, 20_000.0)


def starts(placed) -> list[float]:
    return [item.start_s for item in placed]


def test_a_pause_shorter_than_the_rest_is_widened_by_moving_what_is_before_it():
    placed = [at(8000.0, 600.0), at(8700.0, 600.0, "b"), at(10_000.0, 600.0)]
    pump = Pump(output=8, rest_s=300.0)
    assert starts(spaced(placed, [], pump, NIGHT)) == [7800.0, 8700.0, 10_000.0]


def test_openings_that_touch_need_no_pause():
    placed = [at(8000.0, 600.0), at(8600.0, 600.0, "b")]
    assert starts(spaced(placed, [], Pump(output=8, rest_s=300.0), NIGHT)) == [8000.0, 8600.0]


def test_starts_are_spread_over_the_hour():
    placed = [at(10_000.0 + 900.0 * number, 300.0) for number in range(5)]
    found = starts(spaced(placed, [], Pump(output=8, starts_an_hour=2), NIGHT))
    assert found[-2:] == [12_700.0, 13_600.0]
    assert all(third - first >= 3600.0 for first, third in zip(found, found[2:], strict=False))


def test_what_may_not_be_moved_stays_where_it_is():
    placed = [at(8000.0, 600.0), at(8700.0, 600.0)]
    pump = Pump(output=8, rest_s=300.0)
    assert starts(spaced(placed, [], pump, {"a": ((7900.0, 20_000.0),)})) == [8000.0, 8700.0]
    assert starts(spaced([placed[1]], [placed[0]], pump, NIGHT)) == [8700.0]


def test_a_night_of_many_cycles_keeps_the_pumps_rest_without_waiting():
    pump = Pump(output=PUMP, rest_s=1800.0)
    world = PumpWorld(place(zone("a", output=1), pump=pump))
    world.until(20.8)
    world.plan(date(2026, 6, 1))
    planned = [item.start_s for item in world.state.openings]
    world.until(30.0)
    assert [run.start.timestamp() for run in world.runs()] == planned
    pauses = [(b.start - a.end).total_seconds() for a, b in itertools.pairwise(world.runs())]
    assert len(pauses) == 2 and min(pauses) >= 1800.0 - 5.0


def test_litres_a_day_are_shared_by_the_rule_and_the_rest_is_carried_over():
    dry, less = zone("a", output=1), zone("b", output=2, raw_mm=20.0, taw_mm=40.0)
    world = PumpWorld(place(dry, less, pump=Pump(output=PUMP, daily_l=900.0)))
    world.until(20.8)
    world.plan(date(2026, 6, 1))
    planned_l = sum(item.seconds * item.flow_l_min / 60.0 for item in world.state.openings)
    assert 850.0 < planned_l <= 900.0
    told = [" ".join(reason.limits) for reason in world.state.reasons.values()]
    assert any("gives 900 L a day" in text and "carried to the next night" in text for text in told)
    assert sum(item.left_s for item in world.state.carried.values()) > 0.0
    world.until(30.0)
    assert sum(run.seconds for run in world.runs()) * 36.0 / 60.0 <= 900.0


def test_a_need_below_the_minimum_run_is_carried_and_says_so():
    small = zone("a", output=1, minimum_run_s=1500.0)
    world = PumpWorld(place(small), depletion_share=0.95)
    world.until(20.8)
    world.plan(date(2026, 6, 1))
    given = world.state.reasons["a"]
    assert given.decision == "water" and given.seconds >= 1500.0
    world = PumpWorld(place(zone("a", output=1, minimum_run_s=4000.0)), depletion_share=0.95)
    world.until(20.8)
    world.plan(date(2026, 6, 1))
    assert world.state.openings == ()
    reason = next(world.store.recorded(RecordReason)).reason
    assert "minimum run of 66.7 min" in " ".join(reason.limits) and reason.decision == "left dry"


def test_what_fits_a_night_below_the_minimum_run_is_left_out():
    narrow = Watering(window=Hours(start=time(4), end=time(4, 30)), days=DayRule())
    zones = (zone("a", output=1, minimum_run_s=1000.0), zone("b", output=2, minimum_run_s=1000.0))
    world = PumpWorld(place(*zones, watering=narrow))
    world.until(3.8)
    world.plan(date(2026, 6, 1))
    given_s = {name: sum(item.seconds for item in world.state.openings if item.zone == name) for name in "ab"}
    assert all(seconds == 0.0 or seconds >= 1000.0 for seconds in given_s.values())
