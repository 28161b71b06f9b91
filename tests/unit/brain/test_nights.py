"""Whole nights through the real brain and loop: what runs, what does not, and what is written down."""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from sites import DayRule, Hours, Program, Restriction, Supply, Watering, site, time, zone
from small_world import SmallWorld

from dewpond.model.commands import RecordPlan, RecordReason
from dewpond.model.events import KeeperFound, KeeperLost, ReadingsArrived, ServiceStarted, ValveClosed
from dewpond.model.site import Sensor
from dewpond.runner.runner import Runner
from dewpond_sim.replay_clock import ReplayClock

TONIGHT = date(2026, 6, 1)
MORNING = 30.0  # hours after the start at local midnight: 06:00 of the next day
NOON = 36.0


def three_zones(**changes):
    return site(zone("a", output=1), zone("b", output=2, flow_l_min=20.0), zone("c", output=3), **changes)


def test_a_dry_zone_is_refilled_in_openings_that_let_the_water_soak_in():
    world = SmallWorld(site())
    world.until(20.8)
    world.plan()
    world.until(MORNING)
    runs = world.runs()
    assert len(runs) == 3
    assert sum(run.gross_mm for run in runs) * 0.75 == pytest.approx(15.5, abs=0.1)
    assert all(run.seconds <= 6.0 / (36.0 - 8.9) * 3600.0 for run in runs)
    assert not world.keeper.open_now


def test_zones_run_one_after_the_other_without_a_pause_and_never_two_at_once():
    world = SmallWorld(three_zones())
    world.until(20.8)
    world.plan()
    world.until(MORNING)
    runs = world.runs()
    assert len(runs) == 9
    assert world.keeper.most_open == 1
    pauses = [(later.start - earlier.end).total_seconds() for earlier, later in itertools.pairwise(runs)]
    assert pauses.count(0.0) >= 6


def test_two_may_run_at_once_only_as_far_as_the_supply_gives():
    wide = Watering(window=Hours(start=time(21), end=time(6)), days=DayRule(), max_open=3)
    world = SmallWorld(three_zones(watering=wide))
    world.until(20.8)
    world.plan()
    world.until(MORNING)
    assert world.keeper.most_open == 2  # 36 + 20 L/min fit into 60, 36 + 36 do not


def test_a_wet_zone_is_left_dry_and_told_why():
    world = SmallWorld(site(), depletion_share=0.0)
    world.until(20.8)
    world.plan()
    world.until(MORNING)
    assert world.runs() == []
    reason = next(world.store.recorded(RecordReason)).reason
    assert reason.decision == "left dry"
    assert "room for rain" in reason.summary
    assert reason.would_change


def test_rain_known_at_midnight_takes_tonights_water_back():
    world = SmallWorld(site())
    world.until(20.8)
    world.plan()
    world.until(24.0)
    world.weather(TONIGHT, eto_mm=2.0, rain_mm=30.0)
    world.until(MORNING)
    assert world.runs() == []
    rows = {(row.start_no, row.state) for row in world.store.recorded(RecordPlan)}
    assert (1, "planned") in rows
    assert (1, "dropped") in rows


def test_a_zone_that_has_begun_is_not_decided_again_by_later_weather():
    world = SmallWorld(site())
    world.until(20.8)
    world.plan()
    world.until(28.6)
    (first,) = world.runs()
    world.weather(TONIGHT, eto_mm=2.0, rain_mm=30.0)
    world.until(MORNING)
    assert len({run.run_id for run in world.runs()}) == 3
    assert world.runs()[0] == first


def test_the_ledger_closes_and_effective_rain_is_80_percent_within_the_storage_left():
    world = SmallWorld(site(), depletion_share=0.5)
    world.until(24.0)
    world.weather(TONIGHT, eto_mm=5.0, rain_mm=2.0)
    world.until(48.0)
    world.weather(date(2026, 6, 2), eto_mm=5.0, rain_mm=50.0)
    first, second = world.days()
    assert first.effective_rain_mm == pytest.approx(1.6)
    assert first.depletion_mm == pytest.approx(5.625 + 4.0 - 1.6)
    assert second.effective_rain_mm == pytest.approx(first.depletion_mm + second.etc_mm)
    assert second.depletion_mm == 0.0
    assert first.reason
    assert first.belief_mm == first.depletion_mm


def test_a_day_without_weather_is_assumed_and_says_so():
    world = SmallWorld(site(), depletion_share=0.5)
    world.until(24.0)
    world.weather(TONIGHT, eto_mm=None, rain_mm=None)
    row = world.days()[0]
    assert row.eto_method.startswith("assumed")
    assert row.rain_mm == 0.0


def test_a_hold_keeps_everything_shut_and_its_end_brings_no_burst():
    world = SmallWorld(three_zones())
    world.until(20.8)
    world.plan()
    assert world.ask("hold", until=world.in_hours(30.0), reason="fete on the green")[0]
    world.until(NOON)
    assert world.runs() == []
    assert all(reason.decision == "held" for reason in world.state.reasons.values())
    assert "fete on the green" in world.state.reasons["a"].summary


def test_a_hold_on_one_zone_leaves_the_others_alone():
    world = SmallWorld(three_zones())
    world.until(20.8)
    world.plan()
    world.ask("hold", zone="b", until=world.in_hours(30.0))
    world.until(NOON)
    assert {run.zone for run in world.runs()} == {"a", "c"}


def test_release_lets_the_same_night_go_on():
    world = SmallWorld(three_zones())
    world.until(20.8)
    world.plan()
    world.ask("hold", until=world.in_hours(30.0))
    assert world.ask("release")[0]
    world.until(MORNING)
    assert len(world.runs()) == 9


def test_water_by_hand_runs_at_once_for_the_time_asked():
    world = SmallWorld(site(), depletion_share=0.0)
    world.until(10.0)
    accepted, text = world.ask("water", zone="lawn", seconds=300.0)
    assert accepted
    assert "outside the allowed hours" in text
    world.until(11.0)
    (run,) = world.runs()
    assert run.seconds == 300.0
    assert run.cause == "by hand: Ana"
    assert run.gross_mm == pytest.approx(3.0)


def test_water_by_hand_makes_the_schedule_wait_and_the_rest_is_made_up():
    world = SmallWorld(three_zones())
    world.until(20.8)
    world.plan()
    world.until(27.6)
    assert len(world.keeper.open_now) == 1
    world.ask("water", zone="a", seconds=600.0)
    assert list(world.keeper.open_now) == [1]
    world.until(MORNING)
    by_hand = [run for run in world.runs() if run.cause.startswith("by hand")]
    assert [run.seconds for run in by_hand] == [600.0]
    assert any(run.note == "made way for water by hand" for run in world.runs())
    assert any(run.cause.endswith("the remainder") for run in world.runs())
    assert world.keeper.most_open == 1


def test_a_second_watering_by_hand_closes_the_first_for_good():
    world = SmallWorld(three_zones(), depletion_share=0.0)
    world.until(10.0)
    world.ask("water", zone="a", seconds=600.0)
    world.until(10.05)
    _, text = world.ask("water", zone="b", seconds=600.0)
    assert text.endswith("A is closed for it.")
    world.until(12.0)
    assert [(run.zone, run.seconds) for run in world.runs()] == [("a", 180.0), ("b", 600.0)]


def test_a_watering_by_hand_says_whom_it_closes_and_nothing_where_there_is_room():
    wide = Watering(window=Hours(start=time(21), end=time(6)), days=DayRule(), max_open=2)
    world = SmallWorld(three_zones(watering=wide), depletion_share=0.0)
    world.until(10.0)
    assert "closed" not in world.ask("water", zone="a", seconds=600.0)[1]
    world.until(10.01)
    assert "closed" not in world.ask("water", zone="b", seconds=600.0)[1]  # 36 + 20 L/min fit into 60
    world.until(10.02)
    assert world.ask("water", zone="c", seconds=600.0)[1].endswith("A is closed for it.")  # 20 + 36 fit
    world.until(10.03)
    assert world.ask("water", zone="c", seconds=60.0)[1].endswith("Its earlier opening ends for it.")


@pytest.mark.parametrize(
    ("fields", "word"),
    [
        ({"zone": "nowhere", "seconds": 60.0}, "no zone 'nowhere'"),
        ({"zone": "lawn", "seconds": 36_000.0}, "60 min at once"),
        ({"zone": "lawn", "seconds": float("nan")}, "60 min at once"),
        ({"zone": "lawn", "seconds": -5.0}, "60 min at once"),
    ],
)
def test_impossible_waterings_are_refused_with_the_limit(fields, word):
    world = SmallWorld(site())
    accepted, text = world.ask("water", **fields)
    assert not accepted
    assert word in text
    assert world.keeper.most_open == 0


def test_stop_closes_everything_and_keeps_the_rest_of_the_night_shut():
    world = SmallWorld(three_zones())
    world.until(20.8)
    world.plan()
    world.until(27.6)
    assert world.ask("stop")[0]
    assert not world.keeper.open_now
    before = len(world.runs())
    world.until(NOON)
    assert len(world.runs()) == before
    world.plan(date(2026, 6, 2))
    world.until(24.0 + MORNING)
    assert len(world.runs()) > before


def test_stopping_one_zone_lets_the_others_go_on():
    world = SmallWorld(three_zones())
    world.until(20.8)
    world.plan()
    world.ask("stop", zone="a")
    world.until(MORNING)
    assert {run.zone for run in world.runs()} == {"b", "c"}


def test_without_a_keeper_nothing_opens_and_water_by_hand_is_refused():
    world = SmallWorld(site())
    world.tell(KeeperLost(at=world.now.wall, why="no answer"))
    accepted, text = world.ask("water", zone="lawn", seconds=60.0)
    assert not accepted
    assert "keeper" in text
    assert "keeper" in world.state.alarms


def test_a_refused_opening_is_tried_again_and_then_given_up_with_a_record():
    world = SmallWorld(site())
    world.keeper.refuses = "relay board does not answer"
    world.until(20.8)
    world.plan()
    world.until(NOON)
    assert world.runs() == []
    assert {row.state for row in world.store.recorded(RecordPlan)} == {"planned", "dropped"}


def test_an_opening_cut_short_by_a_fault_is_taken_up_once_for_its_remainder():
    world = SmallWorld(site(), depletion_share=0.0)
    world.until(10.0)
    world.ask("water", zone="lawn", seconds=600.0)
    world.until(10.05)
    held, _ = world.keeper.open_now.pop(1)
    world.tell(ValveClosed(at=world.now.wall, run_id=held, output=1, open_s=180.0, why="its lease ran out"))
    world.until(12.0)
    assert [run.seconds for run in world.runs()] == [180.0, 420.0]


def test_a_restarted_keeper_makes_unknown_open_time_count_as_applied():
    world = SmallWorld(site(), depletion_share=0.0)
    world.until(10.0)
    world.ask("water", zone="lawn", seconds=600.0)
    world.until(10.05)
    world.keeper.open_now.clear()
    world.tell(KeeperLost(at=world.now.wall, why="killed"))
    world.tell(KeeperFound(at=world.now.wall, session="two", ready=True))
    assert world.runs()[0].seconds == 180.0
    assert "not known" in world.runs()[0].note


def test_an_output_nobody_asked_for_is_closed():
    world = SmallWorld(site())
    world.keeper.open_now[5] = ("who knows", 0.0)
    world.tell(KeeperFound(at=world.now.wall, session="one", ready=True, open_outputs={5: "who knows"}))
    assert not world.keeper.open_now


def test_an_untrusted_clock_starts_nothing_by_schedule(monkeypatch):
    world = SmallWorld(site())
    world.until(20.8)
    world.plan()
    plain = world.clock.now
    monkeypatch.setattr(
        world.clock, "now", lambda: type(plain())(wall=plain().wall, elapsed_s=plain().elapsed_s, trusted=False)
    )
    world.until(NOON)
    assert world.runs() == []


def test_a_wall_clock_set_forward_shortens_no_running_opening():
    world = SmallWorld(site(), depletion_share=0.0)
    world.until(10.0)
    world.ask("water", zone="lawn", seconds=600.0)
    world.until(10.05)
    world.clock.wall_error_s = 86_400.0
    world.until(12.0)
    assert [run.seconds for run in world.runs()] == [600.0]


def test_restrictions_decide_the_days_and_are_named_as_the_reason():
    monday = Restriction(
        applies_to=frozenset({"overhead"}),
        days=DayRule(kind="weekdays", weekdays=frozenset({3})),
        hours=None,
        from_date=None,
        until_date=None,
    )
    world = SmallWorld(site(restrictions=(monday,)))  # 1 June 2026 is a Monday, so Thursday's night is not tonight's
    world.until(20.8)
    world.plan()
    world.until(NOON)
    assert world.runs() == []
    reason = world.state.reasons["lawn"]
    assert reason.decision == "not allowed"
    assert "restriction" in reason.summary


def test_a_program_runs_at_its_start_whatever_the_balance_says_and_overlapping_ones_are_stacked():
    place = site(
        zone("a", output=1, rule="calendar"),
        zone("b", output=2, rule="calendar"),
        programs=(
            Program(name="Front", zone_minutes={"a": 10.0}, starts=(time(5),), days=DayRule()),
            Program(name="Back", zone_minutes={"b": 10.0}, starts=(time(5),), days=DayRule(), percent=50.0),
        ),
    )
    world = SmallWorld(place, depletion_share=0.0)
    world.until(20.8)
    world.plan()
    world.until(MORNING)
    runs = world.runs()
    assert [(run.zone, run.seconds) for run in runs] == [("a", 600.0), ("b", 300.0)]
    assert runs[0].start.astimezone(world.brain.ground.days.zone).hour == 5
    assert runs[1].start == runs[0].end


def test_a_window_too_small_serves_the_driest_first_and_carries_the_rest():
    narrow = Watering(window=Hours(start=time(4), end=time(5)), days=DayRule())
    place = site(zone("a", output=1), zone("b", output=2), zone("c", output=3), watering=narrow)
    world = SmallWorld(place)
    world.until(3.8)
    world.plan()
    world.until(6.0)
    assert sum(run.seconds for run in world.runs()) <= 3600.0
    assert any("too short" in limit for reason in world.state.reasons.values() for limit in reason.limits)


def test_nothing_opens_without_a_durable_record():
    world = SmallWorld(site(), depletion_share=0.0)
    world.store.commit = lambda: False
    world.until(10.0)
    world.ask("water", zone="lawn", seconds=300.0)
    world.until(10.2)
    assert world.keeper.most_open == 0


def test_every_state_topic_is_published_for_those_who_listen():
    meter = Sensor(id="meter", kind="flow", topic="yard/meter", mapping={"accumulation": "cumulative"})
    place = site(supplies=(Supply(id="main", source="potable", capacity_l_min=60.0, meter="meter"),), sensors=(meter,))
    world = SmallWorld(place)
    assert ("zone/lawn/state", "closed") in [(topic, body.get("valve")) for topic, body in world.bus.published]
    world.until(20.8)
    world.plan()
    at_s = world.now.wall.timestamp()
    world.tell(
        ReadingsArrived(
            at=world.now.wall,
            sensor="meter",
            time_s=np.array([at_s]),
            value=np.array([2.0]),
            window_s=np.array([60.0]),
        )
    )
    world.until(MORNING)
    world.tell(KeeperLost(at=world.now.wall, why="killed"))
    topics = {topic for topic, _ in world.bus.published}
    assert topics >= {"zone/lawn/state", "zone/lawn/plan", "zone/lawn/need", "supply/main/flow", "alarm"}
    assert all("at" in body for _, body in world.bus.published)
    plan = next(body for topic, body in world.bus.published if topic == "zone/lawn/plan")
    assert len(plan["openings"]) == 3


def reboot(world: SmallWorld, hours_off: float) -> None:
    """Power was cut: valves shut by themselves, the elapsed clock begins anew, the wall clock went on."""
    world.keeper.open_now.clear()
    world.clock = ReplayClock(world.now.wall + timedelta(hours=hours_off))
    ports = replace(world.runner.ports, clock=world.clock)
    world.runner = Runner(brain=world.brain, state=world.state, ports=ports, step_no=world.runner.step_no)
    started = ServiceStarted(at=world.now.wall, site_digest="test", version="test", first=False)
    world.tell(started, KeeperFound(at=world.now.wall, session="after the cut", ready=True))


def test_after_a_power_cut_the_unknown_water_counts_and_the_night_goes_on():
    world = SmallWorld(three_zones())
    world.until(20.8)
    world.plan()
    world.until(27.5)
    cut = next(iter(world.keeper.open_now.values()))[0]
    reboot(world, hours_off=0.05)
    interrupted = next(run for run in world.runs() if run.run_id == cut)
    assert "not known" in interrupted.note
    assert interrupted.seconds >= 180.0
    before = len(world.runs())
    world.until(4.0)
    assert len(world.runs()) > before
    assert world.keeper.most_open == 1


def test_an_opening_the_keeper_never_made_counts_nothing():
    world = SmallWorld(site(), depletion_share=0.0)
    world.keeper.open = lambda *_: [KeeperLost(at=world.now.wall, why="silent")]
    world.until(10.0)
    world.ask("water", zone="lawn", seconds=600.0)
    world.tell(KeeperFound(at=world.now.wall, session="one", ready=True))
    assert [run for run in world.runs() if run.seconds > 0.0] == []


def test_a_need_longer_than_any_allowed_span_is_cut_to_what_fits():
    narrow = Watering(window=Hours(start=time(4), end=time(6)), days=DayRule())
    slow = zone(method="drip", overhead=False, application_rate_mm_h=4.0, raw_mm=20.0, taw_mm=40.0)
    world = SmallWorld(site(slow, watering=narrow))
    world.until(3.8)
    world.plan()
    world.until(6.5)
    runs_s = [run.seconds for run in world.runs()]
    assert runs_s and 3600.0 <= sum(runs_s) <= 7200.0
    reason = world.state.reasons["lawn"]
    assert f"({sum(runs_s) / 60:.0f} min" in reason.summary
    assert any("carried to the next night" in limit for limit in reason.limits)


def test_a_dates_reason_speaks_of_the_water_that_ran_on_it():
    world = SmallWorld(site(watering=Watering(window=Hours(start=time(20), end=time(23)), days=DayRule())))
    world.until(19.8)
    world.plan()
    world.until(24.0)
    world.weather(TONIGHT, eto_mm=5.0)
    assert world.days()[0].net_irrigation_mm > 0.0
    assert world.days()[0].reason.startswith("Gets")


def test_stop_is_not_called_done_while_the_keeper_is_dead():
    world = SmallWorld(site(), depletion_share=0.0)
    world.until(10.0)
    world.ask("water", zone="lawn", seconds=600.0)
    world.tell(KeeperLost(at=world.now.wall, why="killed"))
    accepted, text = world.ask("stop")
    assert not accepted
    assert "by hand" in text


def test_unmeasured_rain_counts_as_none_and_says_so():
    world = SmallWorld(site(), depletion_share=0.5)
    world.until(24.0)
    world.weather(TONIGHT, eto_mm=4.0, rain_mm=None)
    assert "not measured" in world.days()[0].reason


def test_every_zone_is_told_its_plan_each_night_a_dry_one_too():
    world = SmallWorld(site(), depletion_share=0.0)
    for hours, day in ((20.8, TONIGHT), (44.8, TONIGHT + timedelta(days=1))):
        world.until(hours)
        world.plan(day)
    told = [body for topic, body in world.bus.published if topic == "zone/lawn/plan"]
    assert [body["window_date"] for body in told] == ["2026-06-01", "2026-06-02"]
    assert told[0]["openings"] == []


def test_release_of_an_unknown_zone_is_refused():
    world = SmallWorld(three_zones())
    accepted, text = world.ask("release", zone="z")
    assert not accepted
    assert "a, b, c" in text
