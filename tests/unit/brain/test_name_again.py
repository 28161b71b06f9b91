"""Names of openings on dates that come again after the wall clock was set back."""

from __future__ import annotations

from datetime import date

from sites import DayRule, Program, site, time, zone
from small_world import SmallWorld

from dewpond.brain.name_again import A_HUNDRED
from dewpond.model.commands import RecordPlan

FIRST = date(2026, 6, 1)
DAY_S = 86_400.0


def _site():
    """Ten minutes at ten every night, whatever the soil says."""
    program = Program(name="Evening", zone_minutes={"lawn": 10.0}, starts=(time(22),), days=DayRule())
    return site(zone(rule="calendar"), programs=(program,))


def _watered(world: SmallWorld, day: date, hours: float) -> None:
    world.plan(day)
    world.until(hours)


def test_a_night_that_comes_again_gives_its_runs_new_names():
    world = SmallWorld(_site())
    world.clock.wall_error_s = 2 * DAY_S  # a clock two days ahead
    _watered(world, date(2026, 6, 3), 32.0)
    named = {run.run_id for run in world.runs()}
    world.plan(date(2026, 6, 4))
    world.clock.wall_error_s = 0.0
    for day in (2, 3):
        _watered(world, date(2026, 6, day), 24.0 * day + 8.0)
    again = [run for run in world.runs() if run.run_id.startswith("2026-06-03/")]
    assert len({run.run_id for run in again}) == len(again)
    assert named
    assert {run.run_id for run in again} - named


def test_rows_of_the_plan_are_not_written_over_by_a_night_that_comes_again():
    world = SmallWorld(_site())
    world.clock.wall_error_s = 2 * DAY_S
    _watered(world, date(2026, 6, 3), 32.0)
    world.plan(date(2026, 6, 4))
    world.clock.wall_error_s = 0.0
    world.plan(date(2026, 6, 3))
    starts = {row.start_no for row in world.store.recorded(RecordPlan) if row.window_date == date(2026, 6, 3)}
    assert 1 in starts
    assert A_HUNDRED + 1 in starts


def test_a_clock_that_was_never_set_back_numbers_from_one():
    world = SmallWorld(_site())
    world.plan(FIRST)
    assert {row.start_no for row in world.store.recorded(RecordPlan)} == {1}


def test_dates_after_those_that_came_again_are_numbered_from_one():
    world = SmallWorld(_site())
    world.clock.wall_error_s = 2 * DAY_S
    _watered(world, date(2026, 6, 3), 32.0)
    world.clock.wall_error_s = 0.0
    world.until(24.0 * 5)
    world.plan(date(2026, 6, 6))
    later = {row.start_no for row in world.store.recorded(RecordPlan) if row.window_date == date(2026, 6, 6)}
    assert later == {1}
