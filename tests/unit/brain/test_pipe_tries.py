"""What fails again after it was told: tried a few times, stopped each time, never booked; and whose fault it is."""

from __future__ import annotations

from dataclasses import replace

import pytest
from piped_yard import MASTER, Yard

from dewpond.brain.belief import daily
from dewpond.model.commands import ClearAlarm
from dewpond.model.site import Pump
from dewpond.model.states import WAITING
from dewpond.runner.look import Look


def booked(yard: Yard) -> int:
    return len(yard.state.soil.bookings)


def test_a_dead_zone_that_is_tried_again_is_stopped_again_and_books_nothing_and_not_for_ever():
    yard = Yard()
    yard.conduct(2, 0.0)
    before = booked(yard)
    for tries in range(1, 5):
        yard.water("hedge", 10.0)
        run = yard.runs()[-1]
        assert run.seconds <= 60.0 and "nothing is booked" in run.note and booked(yard) == before
        assert (yard.state.block_on("hedge", "main") is not None) == (tries == 4)
    assert [(alarm.kind, alarm.zone) for alarm in yard.alarms()] == [("no_flow", "hedge")], "one alarm an incident"


def test_a_dead_zone_that_passes_water_again_is_over_and_its_tries_are_forgotten():
    yard = Yard()
    sound = float(yard.pipes.conductance[2])
    yard.conduct(2, 0.0)
    for _ in range(4):
        yard.water("hedge", 10.0)
    yard.pipes.conductance[2] = sound
    yard.pipes.changed()
    yard.water("hedge")
    yard.water("lawn")
    assert not yard.state.alarms and yard.state.blocked == {}
    assert yard.state.pipes["main"].dead["hedge"] == 0


def test_a_zone_that_fails_in_the_middle_of_its_run_is_booked_for_what_it_gave():
    yard = Yard()
    before = booked(yard)
    taken, why = yard.ask("water", zone="hedge", seconds=900.0)
    assert taken, why
    yard.later(6.0)
    yard.conduct(2, 0.0)
    yard.later(5.0)
    run = yard.runs()[-1]
    assert run.seconds < 460.0 and run.metered_litres > 200.0 and booked(yard) == before + 1


def starved(**fields: object) -> Yard:
    """A yard whose supply has just gone, its usual pressure known."""
    yard = Yard()
    yard.runner.longest_sleep_s = 300.0
    yard.later(60.0 * 60.0)
    yard.runner.longest_sleep_s = 10.0
    yard.pipes.static_kpa = 1.0
    yard.pipes.changed()
    return yard.with_supply(**fields)


def test_a_lost_supply_is_tried_three_times_and_each_time_stopped_within_half_a_minute_and_not_booked():
    yard = starved()
    before = booked(yard)
    for tries in range(1, 5):
        yard.water("lawn", 8.0)
        block = yard.state.block_on("lawn", "main")
        assert yard.runs()[-1].seconds <= 30.0 and booked(yard) == before
        assert block is not None and (block.until is None) == (tries == 4)
    assert [alarm.kind for alarm in yard.alarms()] == ["no_supply"]
    yard.pipes.static_kpa = 380.0
    yard.pipes.changed()
    yard.later(15.0)
    assert yard.state.blocked == {} and not yard.state.alarms and yard.state.pipes["main"].lost == 0


def scheduled(yard: Yard, zone_id: str) -> None:
    """An opening of the night that is due now."""
    at_s = yard.now.wall.timestamp()
    (last,) = [item for item in yard.state.finished if item.zone == zone_id][-1:]
    fresh = replace(
        last,
        run_id=f"night-{zone_id}",
        by_hand=False,
        state=WAITING,
        start_s=at_s,
        latest_end_s=at_s + 7200.0,
        seconds=300.0,
        opened_at=None,
        metered_l=0.0,
        unfed=False,
        close_cause="",
    )
    yard.runner.state = replace(yard.state, openings=(*yard.state.openings, fresh))


def test_what_is_due_while_a_lost_supply_rests_waits_for_the_next_try_and_is_not_lost():
    yard = starved()
    yard.water("lawn", 1.0)
    yard.pipes.static_kpa = 380.0
    yard.pipes.changed()
    scheduled(yard, "bank")
    yard.later(25.0)
    run = yard.runs()[-1]
    assert (run.zone, run.seconds) == ("bank", 300.0)


def test_what_a_fault_keeps_shut_leaves_a_row_that_says_so():
    yard = Yard()
    yard.conduct(1, 3.0)
    yard.water("bank", 10.0)
    scheduled(yard, "bank")
    yard.later(5.0)
    run = yard.runs()[-1]
    assert run.seconds == 0.0 and "kept shut for a fault, its pipe seems broken" in run.note


def test_without_a_gauge_a_dead_meter_is_found_by_the_second_zone_and_water_goes_on_by_time():
    yard = Yard().with_supply(pressure=None)
    yard.meter_dead = True
    for name in ("bank", "lawn", "hedge", "bank"):
        yard.water(name, 10.0)
    assert [(alarm.kind, alarm.zone) for alarm in yard.alarms()] == [("no_flow", "bank"), ("no_flow", None)]
    assert "a dead meter" in yard.alarms()[-1].detail and "Watering goes on" in yard.alarms()[-1].detail
    assert [run.seconds for run in yard.runs()[-3:]] == [600.0, 600.0, 600.0]
    assert [clear.key for clear in yard.store.recorded(ClearAlarm)] == ["pipes/main/no_flow/bank"]


def test_a_pump_is_not_left_running_where_no_zone_passes_water():
    yard = Yard().with_supply(pressure=None, pump=Pump(output=7))
    yard.meter_dead = True
    for name in ("bank", "lawn"):
        yard.water(name, 10.0)
    assert [(alarm.kind, alarm.zone) for alarm in yard.alarms()] == [("no_flow", "bank"), ("no_flow", None)]
    assert yard.alarms()[-1].facts["done"] == "stop the pump and all openings"
    assert yard.runs()[-1].seconds <= 60.0 and yard.keeper.open_now == {}
    block = yard.state.block_on("hedge", "main")
    assert block is not None and block.until is not None


def test_a_gauge_that_shows_the_usual_draw_down_tells_a_dead_meter_from_a_dead_zone_at_once():
    yard = Yard()
    yard.meter_dead = True
    yard.water("bank", 10.0)
    assert [alarm.kind for alarm in yard.alarms()] == ["meter_fault"]
    assert yard.runs()[-1].seconds == 600.0


def test_a_meter_that_doubles_stops_no_zone_for_good():
    yard = Yard().with_supply(pressure=None)
    yard.pipes.meter = replace(yard.pipes.meter, factor=2.6)
    for name in ("bank", "lawn", "hedge"):
        yard.water(name, 10.0)
    assert yard.alarms()[-1].kind == "meter_fault" and len(yard.alarms()) == 2
    assert yard.state.blocked == {} and list(yard.state.alarms) == ["pipes/main/meter_fault/"]
    assert yard.runs()[-1].seconds == 600.0


def test_as_much_as_two_zones_take_together_is_stopped_whatever_is_the_cause():
    yard = Yard()
    yard.pipes.conductance[1] += yard.pipes.conductance[2]
    yard.pipes.changed()
    yard.water("bank", 10.0)
    (alarm,) = yard.alarms()
    assert alarm.kind == "high_flow" and "a second valve that opens with it" in alarm.detail
    assert yard.runs()[-1].seconds <= 90.0 and yard.state.block_on("bank", "main") is not None


@pytest.mark.parametrize("master", [None, MASTER])
def test_only_a_master_valve_that_exists_is_said_to_be_closed(master):
    yard = Yard(master=master)
    yard.later(15.0)
    yard.pipes.leak_conductance = 5.0
    yard.pipes.changed()
    yard.later(3.0)
    (alarm,) = yard.alarms()
    assert alarm.kind == "main_break"
    assert ("its master too" in alarm.detail) == (master is not None)
    assert ("there is no master valve" in alarm.detail) == (master is None)


def believing() -> Yard:
    """A yard that also learns from its meter what each zone really applies."""
    yard = Yard()
    yard.runner.state = replace(yard.state, belief=daily.fitting(yard.brain.ground, yard.state.soil, None))
    return yard


def test_a_clogged_zone_is_booked_for_what_it_gave_and_is_not_taught_as_its_usual_application():
    yard = believing()
    yard.conduct(1, 0.6)
    for _ in range(6):
        yard.water("bank", 10.0)
    assert [alarm.kind for alarm in yard.alarms()] == ["low_flow"]
    assert yard.state.soil.bookings[-1].metered_share == pytest.approx(0.61, abs=0.03)
    assert yard.state.belief.rate_runs[1] == 0.0 and yard.state.belief.rate_factor[1] == 1.0


def test_water_that_a_crack_loses_is_not_booked_as_applied():
    yard = believing()
    yard.conduct(1, 1.35)
    yard.water("bank", 10.0)
    assert [alarm.kind for alarm in yard.alarms()] == ["high_flow"] and yard.runs()[-1].seconds == 600.0
    assert yard.state.soil.bookings[-1].metered_share == 1.0
    assert yard.state.belief.rate_runs[1] == 0.0


def test_the_count_of_a_failing_meter_is_booked_nowhere():
    yard = believing()
    yard.pipes.meter = replace(yard.pipes.meter, factor=1.3)
    yard.water("bank", 10.0)
    yard.water("lawn", 10.0)
    yard.water("hedge", 10.0)
    assert yard.alarms()[-1].kind == "meter_fault"
    assert yard.runs()[-1].metered_litres > 400.0 and yard.state.soil.bookings[-1].metered_share is None
    assert not yard.state.belief.rate_runs.any()


def shown(yard: Yard) -> str:
    (alarm,) = Look(yard.brain)(yard.state, yard.now).alarms
    return alarm.sentence


def test_screens_show_the_litres_lost_by_now_and_the_end_says_how_many_it_were():
    yard = Yard()
    yard.later(15.0)
    yard.pipes.leak_conductance = 0.15
    yard.pipes.changed()
    yard.later(10.0)
    early = int(shown(yard).split(" L beyond usual so far")[0].split()[-1])
    yard.later(20.0)
    late = int(shown(yard).split(" L beyond usual so far")[0].split()[-1])
    assert late - early == pytest.approx(20 * 0.15 * 380.0**0.5, abs=2.0)
    yard.pipes.leak_conductance = 0.0
    yard.pipes.changed()
    yard.later(15.0)
    (clear,) = yard.store.recorded(ClearAlarm)
    assert f"; {late} L were lost" in clear.why or f"; {late + 1} L were lost" in clear.why


def test_what_a_crack_adds_is_counted_in_every_run_without_the_refill_of_its_pipe():
    yard = Yard()
    yard.conduct(1, 1.35)
    for _ in range(3):
        yard.water("bank", 10.0)
    more_l = sum(run.metered_litres - run.litres for run in yard.runs()[-3:])
    lost_l = int(shown(yard).split(" L beyond usual so far")[0].split()[-1])
    assert lost_l == pytest.approx(more_l, rel=0.15)
