"""Master valve and pump through the real brain, loop and keeper: who moves first, who waits, and why."""

from __future__ import annotations

import dataclasses
import itertools
import json
from datetime import date

import pytest
from pump_world import MASTER, PUMP, PumpWorld, place
from sites import DayRule, Hours, Supply, Watering, site, time, zone

from dewpond.brain.state import State
from dewpond.model.codec import from_plain, to_plain
from dewpond.model.events import KeeperFound, KeeperLost, ServiceStarted
from dewpond.model.site import Pump
from dewpond_drivers.keeper_core import KeeperCore
from dewpond_sim.in_process_keeper import InProcessKeeper, pump_order

TONIGHT = date(2026, 6, 1)


def test_the_master_opens_before_the_zone_and_closes_after_it():
    world = PumpWorld(site(supplies=(Supply(id="main", source="potable", capacity_l_min=60.0, master_output=MASTER),)))
    world.until(10.0)
    world.ask("water", zone="lawn", seconds=300.0)
    assert world.open_now() == [MASTER]
    world.until(10.5)
    began = 36_000.0
    assert world.relays.moves == [
        (began, MASTER, True),
        (began + 2.0, 1, True),
        (began + 302.0, 1, False),
        (began + 307.0, MASTER, False),
    ]
    assert [run.seconds for run in world.runs()] == [300.0]


def test_the_master_stays_open_from_one_zone_to_the_next():
    world = PumpWorld(place(pump=Pump(output=PUMP), master=MASTER))
    world.until(20.8)
    world.plan()
    world.until(30.0)
    runs = len(world.runs())
    assert runs == 6
    assert world.moves_of(MASTER)[0][1] and not world.moves_of(MASTER)[-1][1]
    assert len(world.moves_of(MASTER)) / 2 < runs


def test_nothing_is_looked_at_while_the_next_zone_lacks_room():
    supply = Supply(id="main", source="potable", capacity_l_min=60.0, master_output=MASTER)
    world = PumpWorld(site(zone("a", output=1), zone("b", output=2), supplies=(supply,)))
    world.until(20.8)
    world.plan()
    steps = len(world.store.steps)
    world.until(30.0)
    took_up = [events for _, _, events in world.store.steps[steps:]]
    wanted = [commands for _, commands in world.store.commands[steps:]]
    assert len(world.runs()) > 2
    assert all(events or commands for events, commands in zip(took_up, wanted, strict=True))


def test_a_zone_that_stops_short_leaves_the_master_no_longer_than_its_lag():
    world = PumpWorld(site(supplies=(Supply(id="main", source="potable", capacity_l_min=60.0, master_output=MASTER),)))
    world.until(10.0)
    world.ask("water", zone="lawn", seconds=300.0)
    world.until(10.01)
    world.ask("stop", zone="lawn")
    world.until(10.5)
    assert world.relays.moves[-2:] == [(36_036.0, 1, False), (36_041.0, MASTER, False)]


def test_a_master_that_will_not_open_is_asked_again_and_then_the_zone_is_given_up():
    world = PumpWorld(site(supplies=(Supply(id="main", source="potable", capacity_l_min=60.0, master_output=MASTER),)))
    world.refused[MASTER] = "its relay is broken"
    world.until(10.0)
    world.ask("water", zone="lawn", seconds=300.0)
    world.until(10.5)
    assert world.relays.moves == [] and world.state.openings == () and world.runs() == []


def test_a_master_that_shut_while_nobody_looked_opens_anew_before_the_next_zone():
    world = PumpWorld(site(supplies=(Supply(id="main", source="potable", capacity_l_min=60.0, master_output=MASTER),)))
    world.until(10.0)
    world.ask("water", zone="lawn", seconds=600.0)
    world.until(10.05)
    world.keeper.close_all(world.now, "leases ended while the daemon was dead")
    world.tell(KeeperFound(at=world.now.wall, session="one", ready=True))
    world.until(11.0)
    assert [on for _, on in world.moves_of(MASTER)] == [True, False, True, False]
    assert [round(run.seconds) for run in world.runs()] == [178, 422]


def test_the_pump_starts_with_a_valve_open_and_stops_before_it_closes():
    world = PumpWorld(place(master=MASTER))
    world.until(10.0)
    world.ask("water", zone="a", seconds=300.0)
    world.until(10.5)
    began = 36_000.0
    assert world.relays.moves == [
        (began, MASTER, True),
        (began + 2.0, 1, True),
        (began + 2.0, PUMP, True),
        (began + 297.0, PUMP, False),
        (began + 302.0, 1, False),
        (began + 307.0, MASTER, False),
    ]


def test_the_pump_runs_on_from_zone_to_zone_of_a_night_and_never_against_shut_valves():
    world = PumpWorld(place())
    world.until(20.8)
    world.plan()
    world.until(30.0)
    assert len(world.runs()) == 6
    assert world.starts() < 6
    assert world.hours_shut_in() == 0.0
    assert world.open_now() == []


@pytest.mark.parametrize("how", ["stop all", "stop zone", "hold"])
def test_whatever_ends_the_last_zone_stops_the_pump_first(how):
    world = PumpWorld(place())
    world.until(20.8)
    world.plan()
    world.until(29.2)
    assert PUMP in world.open_now()
    before = len(world.relays.moves)
    (running,) = [output for output in world.open_now() if output != PUMP]
    if how == "stop all":
        world.ask("stop")
    elif how == "stop zone":
        world.ask("stop", zone="ab"[running - 1])
    else:
        world.ask("hold", until=world.in_hours(24.0))
    assert [move[1:] for move in world.relays.moves[before : before + 2]] == [(PUMP, False), (running, False)]


def test_low_water_stops_the_pump_by_hand_as_well_and_holds_the_supply_with_a_reason():
    world = PumpWorld(place())
    world.until(10.0)
    world.ask("water", zone="a", seconds=600.0)
    world.until(10.05)
    world.float_switch(low=True)
    assert [move[1:] for move in world.relays.moves[-2:]] == [(PUMP, False), (1, False)]
    assert world.state.alarms["pump/main/low water"].kind == "no_supply"
    accepted, text = world.ask("water", zone="b", seconds=600.0)
    assert not accepted and "low water" in text
    world.until(20.8)
    world.plan()
    world.until(31.0)
    assert len(world.runs()) == 1 and world.starts() == 1
    assert all("low water" in " ".join(reason.sentences()) for reason in world.state.reasons.values())
    world.float_switch(low=False)
    assert "pump/main/low water" not in world.state.alarms
    assert world.ask("water", zone="b", seconds=600.0)[0]
    world.until(31.1)
    assert PUMP in world.open_now()


def test_the_pump_rests_between_two_starts():
    world = PumpWorld(place(pump=Pump(output=PUMP, rest_s=600.0)))
    world.until(10.0)
    world.ask("water", zone="a", seconds=120.0)
    world.until(10.05)
    accepted, text = world.ask("water", zone="b", seconds=120.0)
    assert accepted and "rests for another" in text
    world.until(11.0)
    assert [on for _, on in world.moves_of(PUMP)] == [True, False, True, False]
    stopped_s, started_s = world.moves_of(PUMP)[1][0], world.moves_of(PUMP)[2][0]
    assert started_s - stopped_s == pytest.approx(600.0, abs=1.0)
    assert [run.seconds for run in world.runs()] == [120.0, 120.0]


def test_no_more_starts_an_hour_than_the_maker_allows():
    world = PumpWorld(place(pump=Pump(output=PUMP, starts_an_hour=2)))
    world.until(10.0)
    for number in range(3):
        world.until(10.0 + 0.1 * number)
        world.ask("water", zone="a", seconds=60.0)
    world.until(12.0)
    starts_s = [at_s for at_s, on in world.moves_of(PUMP) if on]
    assert starts_s == [36_000.0, 36_360.0, pytest.approx(39_600.0, abs=1.0)]


def test_a_reboot_does_not_shorten_the_rest_of_a_pump():
    world = PumpWorld(place(pump=Pump(output=PUMP, starts_an_hour=1)))
    world.until(10.0)
    world.ask("water", zone="a", seconds=60.0)
    world.until(10.1)
    world.tell(ServiceStarted(at=world.now.wall, site_digest="test", version="test", first=False))
    assert world.state.pumps["main"].starts_s == (36_000.0,)


def test_the_well_gives_no_more_than_its_litres_a_day():
    world = PumpWorld(place(pump=Pump(output=PUMP, daily_l=360.0)), depletion_share=0.0)
    world.until(10.0)
    world.ask("water", zone="a", seconds=300.0)  # 180 L
    world.until(10.5)
    accepted, text = world.ask("water", zone="b", seconds=600.0)
    assert not accepted and "180 L" in text
    assert world.ask("water", zone="b", seconds=300.0)[0]
    world.until(11.0)
    assert sum(run.seconds for run in world.runs()) == 600.0
    assert not world.ask("water", zone="b", seconds=60.0)[0]
    world.until(24.2)
    assert world.ask("water", zone="b", seconds=60.0)[0]


def test_a_small_zone_by_hand_waits_for_company_and_both_run_with_the_pump():
    wide = Watering(window=Hours(start=time(21), end=time(6)), days=DayRule(), max_open=2)
    zones = (zone("a", output=1, flow_l_min=12.0), zone("b", output=2, flow_l_min=14.0))
    pump = Pump(output=PUMP, least_flow_l_min=20.0)
    world = PumpWorld(place(*zones, pump=pump, watering=wide), depletion_share=0.0)
    world.until(10.0)
    accepted, text = world.ask("water", zone="a", seconds=300.0)
    assert accepted and "12 L/min" in text and "20" in text
    world.until(10.03)
    assert world.open_now() == []
    world.ask("water", zone="b", seconds=300.0)
    world.until(10.04)
    assert world.open_now() == [1, 2, PUMP]
    world.until(11.0)
    assert {(run.zone, run.seconds) for run in world.runs()} == {("a", 300.0), ("b", 300.0)}
    world.ask("water", zone="a", seconds=300.0)
    world.until(12.0)
    assert len(world.runs()) == 2 and world.starts() == 1


def test_a_zone_left_alone_below_the_least_flow_stops_the_pump_and_waits():
    wide = Watering(window=Hours(start=time(21), end=time(6)), days=DayRule(), max_open=2)
    zones = (zone("a", output=1, flow_l_min=12.0), zone("b", output=2, flow_l_min=14.0))
    world = PumpWorld(place(*zones, pump=Pump(output=PUMP, least_flow_l_min=20.0), watering=wide), depletion_share=0.0)
    world.until(10.0)
    world.ask("water", zone="a", seconds=600.0)
    world.ask("water", zone="b", seconds=600.0)
    world.until(10.02)
    world.ask("stop", zone="b")
    world.until(10.05)
    assert world.open_now() == []
    assert world.relays.moves[-2:] == [(36_082.0, PUMP, False), (36_082.0, 1, False)]
    assert "too little flow for the pump" in [run.note for run in world.runs()]


def test_a_pump_that_will_not_start_ends_the_zone_with_an_alarm():
    world = PumpWorld(place())
    world.refused[PUMP] = "its contactor is locked"
    world.until(10.0)
    world.ask("water", zone="a", seconds=300.0)
    world.until(10.005)
    assert world.open_now() == []
    assert "would not start" in world.state.alarms["pump/main"].sentence
    world.refused.clear()
    world.until(11.0)
    assert world.starts() == 1 and "pump/main" not in world.state.alarms


def test_a_zone_alone_runs_also_where_the_main_is_narrow():
    """36 L/min in a bore of 20 mm is 1.9 m/s: faster than 5 ft/s (Jarrett 2000), so nothing runs beside it."""
    wide = Watering(window=Hours(start=time(21), end=time(6)), days=DayRule(), max_open=2)
    narrow = {"pipe_diameter_mm": 20.0, "pump": None}
    world = PumpWorld(place(supply=narrow, watering=wide))
    world.until(20.8)
    world.plan()
    world.until(30.0)
    runs = sorted(world.runs(), key=lambda run: run.start)
    assert len(runs) == 6
    assert all(earlier.end <= later.start for earlier, later in itertools.pairwise(runs))


def test_a_running_pump_comes_back_from_a_snapshot_and_goes_on():
    world = PumpWorld(place(master=MASTER))
    world.until(10.0)
    world.ask("water", zone="a", seconds=300.0)
    world.until(10.01)
    state = world.state
    assert state.pumps["main"].on
    kept = json.loads(json.dumps(to_plain(state)))
    assert to_plain(from_plain(State, kept)) == to_plain(state)
    world.runner.state = from_plain(State, kept)
    world.until(10.5)
    assert [on for _, on in world.moves_of(PUMP)] == [True, False] and world.open_now() == []


def test_a_pump_that_the_new_keeper_does_not_hold_rests_and_the_remainder_follows():
    world = PumpWorld(place())
    world.until(10.0)
    world.ask("water", zone="a", seconds=300.0)
    world.until(10.02)
    world.tell(KeeperLost(at=world.now.wall, why="killed"))
    world.relays.all_off()
    core = KeeperCore(world.relays, 8, pumps=pump_order(world.site))
    world.keeper = InProcessKeeper(core, session="another life")
    world.runner.ports = dataclasses.replace(world.runner.ports, valves=world.keeper)
    world.runner.pass_once()
    world.until(10.5)
    assert [on for _, on in world.moves_of(PUMP)] == [True, False, True, False]
    assert sum(run.seconds for run in world.runs()) == 300.0
    assert world.hours_shut_in() == 0.0 and world.open_now() == []


def test_water_by_hand_that_waits_for_the_pump_is_dropped_by_low_water_and_leaves_the_nights_reason_alone():
    world = PumpWorld(place(pump=Pump(output=PUMP, rest_s=600.0, low_water="float")))
    world.until(20.8)
    world.plan(TONIGHT)
    before = world.state.reasons["b"]
    world.ask("water", zone="a", seconds=60.0)
    world.until(20.83)
    world.ask("water", zone="b", seconds=120.0)
    world.until(20.85)
    world.float_switch(low=True)
    world.until(21.0)
    world.float_switch(low=False)
    world.until(21.5)
    assert [run.zone for run in world.runs()] == ["a"]
    assert world.state.reasons["b"].decision == before.decision == "water"


def test_company_that_may_not_open_is_no_company():
    wide = Watering(window=Hours(start=time(21), end=time(6)), days=DayRule(), max_open=2)
    zones = (zone("a", output=1, flow_l_min=12.0), zone("b", output=2, flow_l_min=14.0))
    world = PumpWorld(place(*zones, pump=Pump(output=PUMP, least_flow_l_min=20.0), watering=wide))
    world.until(20.8)
    world.plan(TONIGHT)
    world.ask("hold", zone="b", until=world.in_hours(24.0))
    world.until(31.0)
    assert world.relays.moves == [] and world.runs() == []
    assert "nothing fits" in world.state.reasons["a"].summary
