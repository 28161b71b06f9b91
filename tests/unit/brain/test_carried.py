"""A night that is too small: who is shortened by which stated rule, kept in the journal, and carried to the next."""

from __future__ import annotations

from datetime import date

from sites import DayRule, Hours, Program, Watering, site, time, zone
from small_world import SmallWorld

from dewpond.brain.carried import ALIKE, BY_NEED, BY_PROGRAM, SOURCE
from dewpond.brain.state import State
from dewpond.model.codec import from_plain, to_plain
from dewpond.model.commands import NoteShortened

FIRST, SECOND, THIRD = date(2026, 6, 1), date(2026, 6, 2), date(2026, 6, 3)


def notes(world):
    return [one for _, commands in world.store.commands for one in commands if isinstance(one, NoteShortened)]


def last(world):
    """The last note on each zone of each night."""
    return {(note.window_date, note.zone): note for note in notes(world)}


def programs(minutes, days=DayRule()):  # noqa: B008 - frozen
    """A window of half an hour, in which one zone's program starts each night of ``days``."""
    program = Program(name="Beds", zone_minutes={"lawn": minutes}, starts=(time(1),), days=days)
    watering = Watering(window=Hours(start=time(1), end=time(1, 30)), days=DayRule())
    return SmallWorld(site(zone(rule="calendar", application_rate_mm_h=8.0), programs=(program,), watering=watering))


def night(world, number, day):
    world.until(24.0 * number + 0.9)
    world.plan(day)
    world.until(24.0 * number + 3.0)


def test_minutes_of_a_program_that_found_no_room_run_in_the_next_night():
    monday = DayRule(kind="weekdays", weekdays=frozenset({0}))  # 1 June 2026 is a Monday
    world = programs(50.0, monday)
    night(world, 0, FIRST)
    given_s = sum(run.seconds for run in world.runs())
    note = last(world)[FIRST, "lawn"]
    assert note.rule == BY_PROGRAM and note.wanted_s == 3000.0
    assert note.given_s == given_s and note.carried_s == 3000.0 - given_s > 1000.0
    assert any(BY_PROGRAM in sentence for sentence in world.state.reasons["lawn"].limits)
    night(world, 1, SECOND)
    assert sum(run.seconds for run in world.runs()) == 3000.0
    assert world.runs()[-1].cause.startswith("program: minutes of the night before")
    assert {item.source for item in world.state.finished} == {SOURCE}
    assert any("brought over from the night before" in text for text in world.state.reasons["lawn"].limits)
    night(world, 2, THIRD)
    assert sum(run.seconds for run in world.runs()) == 3000.0  # nothing is carried twice


def test_deciding_a_night_again_brings_the_same_minutes_once():
    monday = DayRule(kind="weekdays", weekdays=frozenset({0}))
    world = programs(50.0, monday)
    night(world, 0, FIRST)
    world.until(24.9)
    for _ in range(3):
        world.plan(SECOND)
    before = notes(world)
    assert sum(item.seconds for item in world.state.openings) == last(world)[FIRST, "lawn"].carried_s
    world.plan(SECOND)
    assert notes(world) == before  # and nothing is noted twice


def test_what_is_carried_stays_under_the_night_s_cap_and_survives_a_restart():
    world = programs(300.0)
    for number, day in enumerate((FIRST, SECOND, THIRD)):
        night(world, number, day)
    carried = world.state.carried["lawn"]
    assert carried.left_s <= 1.5 * 11.25 / 0.75 / 8.0 * 3600.0 + 1.0
    assert from_plain(State, to_plain(world.state)).carried == world.state.carried


def crowded(**changes):
    """Three dry zones that share half the time they need."""
    zones = [
        zone(name, output=number, raw_mm=raw_mm, taw_mm=2 * raw_mm, application_rate_mm_h=8.0)
        for number, (name, raw_mm) in enumerate((("first", 11.25), ("second", 11.25), ("third", 11.25)), start=1)
    ]
    watering = Watering(window=Hours(start=time(1), end=time(3)), days=DayRule())
    return SmallWorld(site(*zones, watering=watering), **changes)


def test_zones_by_need_are_shortened_by_a_stated_rule_and_the_shortfall_is_kept():
    world = crowded()
    world.until(0.9)
    world.plan(FIRST)
    found = last(world)
    assert found and all(note.carried_s > 0.0 and note.rule in (BY_NEED, ALIKE) for note in found.values())
    placed = {name: sum(o.seconds for o in world.state.openings if o.zone == name) for name in world.state.reasons}
    assert all(note.given_s == placed[note.zone] for note in found.values())
    for note in found.values():
        limits = " ".join(world.state.reasons[note.zone].limits)
        assert note.rule in limits and "carried to the next night" in limits


def test_a_night_with_room_for_all_carries_nothing():
    world = SmallWorld(site())
    world.until(20.8)
    world.plan()
    assert world.state.openings and not world.state.carried and not notes(world)
