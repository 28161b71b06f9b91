"""Guided tests: a person is led through leak, weeping, drainage and pump tests, over the real brain and loop."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from sites import Supply, site, zone
from small_world import SmallWorld

from dewpond.brain.guided_state import Found, Step
from dewpond.brain.guided_verdict import CERTAIN, LIKELY, NOT_KNOWN, Facts, judge, smallest_l_min
from dewpond.brain.pipes.settings import MeterSettings
from dewpond.brain.state import State
from dewpond.model.codec import from_plain, to_plain
from dewpond.model.commands import NoteMaintenance, OpenValve
from dewpond.model.events import KeeperLock, LocksKnown, ReadingsArrived, ServiceStarted
from dewpond.model.site import Pump, Sensor
from dewpond.runner.look import Look

MASTER, PUMP = 8, 7
SUPPLY = Supply(id="main", source="potable", capacity_l_min=60.0, master_output=MASTER, meter="main-meter")
# Counts of 0.1 L; least flow 0.42 L/min is Q1 of an R100 meter with Q3 2.5 m3/h (ISO 4064-1, from memory).
METER = Sensor(id="main-meter", kind="flow", topic="yard/meter", mapping={"accumulation": "increment", "scale": 0.1})
PULSE_L = 0.1
PUMPED = replace(SUPPLY, pump=Pump(output=PUMP, least_flow_l_min=10.0))


def world(supply: Supply = SUPPLY) -> SmallWorld:
    """Two zones of 36 L/min behind a master, on a dry afternoon."""
    sensors = (METER,) if supply.meter else ()
    return SmallWorld(site(zone("lawn"), zone("beds", output=2), supplies=(supply,), sensors=sensors))


def later(world: SmallWorld, seconds: float) -> None:
    world.until((world.now.elapsed_s + seconds) / 3600.0)


class Water:
    """What a meter counts of a flow, in whole pulses, as rows come every ten seconds."""

    def __init__(self, world: SmallWorld) -> None:
        self._world, self._carried_l = world, 0.0

    def flows(self, l_min: float, seconds: float) -> None:
        for _ in range(round(seconds / 10.0)):
            later(self._world, 10.0)
            self._carried_l += l_min / 6.0
            pulses = math.floor(self._carried_l / PULSE_L + 1e-9)
            self._carried_l -= pulses * PULSE_L
            now = self._world.now
            self._world.tell(
                ReadingsArrived(
                    at=now.wall,
                    sensor="main-meter",
                    time_s=np.array([now.wall.timestamp()]),
                    value=np.array([pulses * PULSE_L]),
                    window_s=np.array([10.0]),
                )
            )


def guide(world: SmallWorld, kind: str, **fields) -> str:
    accepted, text = world.ask("guide", **{"target": "main", "kind": kind, "by": "Ada", **fields})
    assert accepted, text
    return text


def refused(world: SmallWorld, kind: str, **fields) -> str:
    accepted, text = world.ask("guide", **{"target": "main", "kind": kind, "by": "Ada", **fields})
    assert not accepted, text
    return text


def note(world: SmallWorld, work: str) -> NoteMaintenance:
    told = [command for _, commands in world.store.commands for command in commands]
    (found,) = [item for item in told if isinstance(item, NoteMaintenance) and item.work == work]
    return found


def opened(world: SmallWorld) -> list[int]:
    told = [command for _, commands in world.store.commands for command in commands]
    return [item.output for item in told if isinstance(item, OpenValve)]


def leak_test(world: SmallWorld, shut_l_min: float, open_l_min: float) -> str:
    """A whole leak test of two steps of 100 s."""
    water = Water(world)
    guide(world, "leak", seconds=100.0)
    water.flows(shut_l_min, 120.0)
    guide(world, "leak")
    water.flows(open_l_min, 120.0)
    return guide(world, "leak")


def test_a_leak_test_is_read_twice_first_with_the_master_shut_then_open() -> None:
    small = world()
    water = Water(small)
    text = guide(small, "leak", seconds=100.0)
    assert "master valve is shut" in text and "under pressure" in text and "Local codes" in text
    assert opened(small) == [] and small.keeper.open_now == {}
    water.flows(0.0, 60.0)
    assert "Step 1 of 2. 0 L counted in 40 s of 100 s" in guide(small, "leak")  # the first 20 s settle
    water.flows(0.0, 60.0)
    assert "Step 2 of 2" in guide(small, "leak") and list(small.keeper.open_now) == [MASTER]
    water.flows(2.0, 120.0)
    text = guide(small, "leak")
    assert "From supply to master valve no flow was seen" in text and "no leak" not in text
    assert "2 L/min more passed (3.4 L in 100 s" in text and text.endswith("(certain)")
    assert small.keeper.open_now == {} and small.state.guided.tests == {} and small.state.attended.tests == {}
    kept = note(small, "leak test")
    assert kept.who == "Ada" and kept.facts["confidence"] == "certain" and kept.litres == pytest.approx(3.4, abs=0.11)
    assert [item["step"]["name"] for item in kept.facts["steps"]] == ["shut", "open"]


def test_a_leak_before_the_master_is_not_counted_again_behind_it() -> None:
    text = leak_test(world(), 1.2, 1.2)
    assert "leaves between meter and master valve" in text and "no further flow was seen" in text


def test_what_is_too_small_to_show_is_named_and_never_called_tight() -> None:
    text = leak_test(world(), 0.0, 0.03)
    assert text.endswith("(not known)")
    assert text.count("A leak of less than 0.42 L/min would not show in that time.") == 2


def test_a_longer_look_shows_smaller_leaks_but_none_below_the_least_flow() -> None:
    meter = MeterSettings(pulse_l=1.0, q1_l_min=0.42, q3_l_min=42.0)
    assert [round(smallest_l_min(meter, seconds), 2) for seconds in (60.0, 240.0, 600.0)] == [2.0, 0.5, 0.42]
    assert smallest_l_min(meter, 0.0) == math.inf


def test_a_silent_meter_proves_nothing() -> None:
    small = world()
    guide(small, "leak", seconds=100.0)
    later(small, 200.0)
    assert "0 L counted in 0 s of 100 s" in guide(small, "leak")
    accepted, text = small.ask("end-guided", target="main", by="Bert")
    assert accepted and text.startswith("Broken off (ended by Bert") and "Nothing was measured" in text


def test_a_lock_a_break_or_silence_of_the_person_ends_it() -> None:
    small = world()
    guide(small, "leak")
    later(small, 301.0)
    assert "not said again within 5 min" in note(small, "leak test").outcome

    small = world(SUPPLY)
    water = Water(small)
    guide(small, "weeping", seconds=60.0)
    water.flows(60.0, 60.0)
    assert small.keeper.open_now == {} and "flow the size of a break" in note(small, "test for a weeping valve").outcome
    assert [alarm.kind for alarm in small.state.alarms.values()] == ["main_break"]

    small = world()
    guide(small, "weeping")
    lock = KeeperLock(target="site", kind="winter", who="Bert", reason="", since=None, outputs=(1, 2, MASTER))
    small.tell(LocksKnown(at=small.now.wall, locks=(lock,)))
    assert small.keeper.open_now == {} and small.state.guided.tests == {}
    assert "nothing opens at main" in refused(small, "weeping")


def test_no_main_is_under_water_for_more_than_a_quarter_of_an_hour() -> None:
    small = world()
    water = Water(small)
    guide(small, "leak", seconds=60.0)
    water.flows(0.0, 80.0)
    guide(small, "leak", seconds=60.0)
    for _ in range(3):
        water.flows(0.0, 270.0)
        small.ask("attend", target="main", by="Ada", reason="looks on")
    water.flows(0.0, 80.0)
    assert MASTER in small.keeper.open_now
    water.flows(0.0, 20.0)
    assert small.keeper.open_now == {}
    assert "a quarter of an hour is over" in note(small, "leak test").outcome


def test_a_restart_ends_it_and_its_memory_goes_through_a_snapshot() -> None:
    small = world()
    guide(small, "weeping")
    assert from_plain(State, to_plain(small.state)).guided == small.state.guided
    small.tell(ServiceStarted(at=small.now.wall, site_digest="test", version="0", first=False))
    assert small.keeper.open_now == {} and small.state.guided.tests == {}
    assert "restarted" in note(small, "test for a weeping valve").outcome


def test_the_valve_that_weeps_is_the_one_whose_hand_valve_stops_the_flow() -> None:
    small = world()
    water = Water(small)
    guide(small, "weeping", seconds=60.0)
    water.flows(1.2, 80.0)
    assert "Shut Lawn by hand" in guide(small, "weeping")
    water.flows(1.2, 60.0)
    assert "Lawn is shut by hand; leave it so" in guide(small, "weeping")
    water.flows(1.2, 40.0)
    assert "Shut Beds by hand" in guide(small, "weeping")
    guide(small, "weeping")
    water.flows(0.0, 40.0)
    text = guide(small, "weeping")
    assert "1.2 L/min flowed" in text and "it stopped for Beds (1.2 L/min): that valve weeps" in text
    assert text.endswith("(certain)") and small.keeper.open_now == {}


def test_where_no_zone_takes_the_flow_away_it_is_the_main() -> None:
    small = world()
    water = Water(small)
    guide(small, "weeping", seconds=60.0)
    water.flows(1.2, 80.0)
    for _ in range(2):
        guide(small, "weeping")
        guide(small, "weeping")
        water.flows(1.2, 40.0)
    assert "No zone's shutting took it away: the main itself" in guide(small, "weeping")


def test_without_a_meter_eyes_judge_and_nothing_more_is_claimed() -> None:
    small = world(replace(SUPPLY, meter=None))
    assert "Say yes or no" in guide(small, "weeping")
    assert "lowest head and the valve box of Lawn" in guide(small, "weeping", answer="no")
    assert "valve box of Beds" in guide(small, "weeping", answer="no")
    text = guide(small, "weeping", answer="yes")
    assert "By eye water runs at Beds" in text and "its laterals drain" in text and text.endswith("(likely)")
    small = world(replace(SUPPLY, meter=None))
    guide(small, "leak")
    guide(small, "leak", answer="no")
    assert "soaks away under ground is not seen at all" in guide(small, "leak", answer="no")


def drained(answers: tuple[tuple[float, float, str], ...]) -> tuple[SmallWorld, str]:
    """A drainage test of the lawn: after the run (L/min, seconds, what the person sees) as it comes."""
    small = world()
    water = Water(small)
    assert "Lawn runs for a moment" in guide(small, "drainage", zone="lawn")
    assert 1 in small.keeper.open_now or opened(small)
    water.flows(36.0, 130.0)
    water.flows(0.0, 20.0)
    assert small.state.guided.tests["main"].step.name == "after" and list(small.keeper.open_now) == [MASTER]
    text = ""
    for l_min, seconds, seen in answers:
        water.flows(l_min, seconds)
        text = guide(small, "drainage", answer=seen)
    return small, text


def test_a_head_that_stops_after_minutes_is_drainage_and_wants_a_check_valve() -> None:
    small, text = drained(((0.0, 120.0, "yes"), (0.0, 120.0, "no")))
    assert "stopped within 4 min: low-head drainage. A check valve" in text and text.endswith("(certain)")
    (run,) = small.runs()
    assert run.cause.startswith("maintenance: drainage test by Ada") and run.seconds == pytest.approx(120.0, abs=1.0)


def test_a_head_that_never_stops_is_a_weeping_valve_the_surer_where_the_meter_sees_it() -> None:
    steps = ((0.6, 120.0, "yes"), (0.6, 240.0, "yes"), (0.6, 260.0, "yes"))
    small, text = drained(steps)
    assert "still ran 11 min after its valve shut: the valve weeps" in text and text.endswith("(certain)")
    assert small.keeper.open_now == {}
    _, text = drained(tuple((0.0, seconds, seen) for _, seconds, seen in steps))
    assert "the valve weeps" in text and text.endswith("(likely)")


def test_drainage_is_told_only_when_it_was_watched_to_its_end() -> None:
    small, _ = drained(((0.0, 60.0, "yes"),))
    _, text = small.ask("end-guided", target="main", by="Ada")
    assert "Not watched until the end" in text


def pump_check(l_min: float, seconds: float = 200.0) -> tuple[SmallWorld, str]:
    small = world(PUMPED)
    water = Water(small)
    text = guide(small, "pump")
    assert "water above the intake" in text and "licensed electrician" in text and opened(small) == []
    assert "runs for a moment" in guide(small, "pump")
    water.flows(l_min, 10.0)
    assert PUMP in small.keeper.open_now and 1 in small.keeper.open_now
    water.flows(l_min, seconds - 10.0)
    later(small, 60.0)
    assert small.keeper.open_now == {}
    return small, note(small, "pump check").outcome


def test_a_pump_runs_only_behind_an_open_zone_and_is_read_by_the_meter() -> None:
    small, text = pump_check(34.0)
    assert text.startswith("34 L/min flowed") and "as it should be" in text and text.endswith("(certain)")
    assert max(small.keeper.most_open, 0) == 3  # master, zone, pump


def test_a_pump_that_gets_too_little_is_stopped_within_half_a_minute() -> None:
    small, text = pump_check(2.0, 40.0)
    assert "of the 10 L/min it needs, and was stopped" in text
    (run,) = small.runs()
    assert run.seconds <= 40.0


def test_a_worn_pump_is_told_from_a_good_one() -> None:
    assert "look at suction, strainer, impeller and a worn seal" in pump_check(20.0)[1]


def test_a_pump_whose_meter_says_nothing_is_stopped() -> None:
    small = world(PUMPED)
    guide(small, "pump")
    guide(small, "pump")
    later(small, 90.0)
    assert small.keeper.open_now == {} and "the meter said nothing" in note(small, "pump check").outcome.lower()


def test_leak_tests_never_start_a_pump() -> None:
    small = world(PUMPED)
    water = Water(small)
    guide(small, "weeping", seconds=60.0)
    water.flows(0.0, 80.0)
    assert PUMP not in opened(small) and list(small.keeper.open_now) == [MASTER]


@pytest.mark.parametrize(
    ("supply", "kind", "fields", "says"),
    [
        (SUPPLY, "pump", {}, "has no pump"),
        (replace(PUMPED, pump=Pump(output=PUMP, least_flow_l_min=50.0)), "pump", {}, "never run against shut valves"),
        (SUPPLY, "drainage", {}, "needs one zone of main; they are lawn, beds"),
        (SUPPLY, "weeping", {"zone": "roof"}, "needs one zone of main"),
        (SUPPLY, "leak", {"seconds": 5.0}, "measured 30 s to 14 min"),
        (SUPPLY, "boil", {}, "no test 'boil'; there are leak"),
        (SUPPLY, "leak", {"target": "well"}, "no supply 'well' here"),
    ],
)
def test_what_cannot_be_tested_is_refused_with_the_remedy(supply: Supply, kind: str, fields: dict, says: str) -> None:
    assert says in refused(world(supply), kind, **fields)


def test_one_test_at_a_time_by_one_person() -> None:
    small = world()
    assert small.ask("water", zone="lawn", seconds=120.0)[0]
    later(small, 5.0)
    assert "Lawn runs at main" in refused(small, "leak")
    small.ask("stop")
    later(small, 20.0)
    guide(small, "leak")
    assert "only that person goes on" in refused(small, "leak", by="Bert")
    assert "end it first" in refused(small, "pump")
    assert not small.ask("water", zone="lawn", seconds=120.0)[0]
    assert small.ask("end-guided", target="main", by="Bert")[0]
    assert small.ask("end-guided", target="main") == (False, "no guided test is on at main")


def test_screens_show_the_test_and_for_a_day_what_it_found() -> None:
    small = world()
    guide(small, "weeping")
    (supply,) = Look(small.brain)(small.state, small.now).supplies
    assert supply.guided.startswith("Test for a weeping valve with Ada: Step 1 of 3.")
    small.ask("end-guided", target="main", by="Ada")
    (supply,) = Look(small.brain)(small.state, small.now).supplies
    assert supply.guided.startswith("Last test for a weeping valve, 00:00: Broken off")
    later(small, 90_000.0)
    assert Look(small.brain)(small.state, small.now).supplies[0].guided == ""


def test_on_a_shared_meter_nothing_is_certain() -> None:
    meter = MeterSettings(pulse_l=0.1, q1_l_min=0.42, q3_l_min=42.0, shared=True)
    found = (
        Found(step=Step(name="shut"), seconds=100.0, litres=0.0),
        Found(step=Step(name="open"), seconds=100.0, litres=3.0),
    )
    verdict = judge("leak", Facts(found=found, meter=meter, names={}, flows={}))
    assert verdict.confidence == LIKELY and "make sure that nobody did" in verdict.text
    alone = judge("leak", Facts(found=found, meter=replace(meter, shared=False), names={}, flows={}))
    assert alone.confidence == CERTAIN


def test_a_main_that_loses_pressure_is_doubted_though_no_pulse_came() -> None:
    meter = MeterSettings(pulse_l=10.0, q1_l_min=2.0, q3_l_min=200.0)
    lost = Found(step=Step(name="open"), seconds=100.0, litres=0.0, kpa_drop=60.0)
    verdict = judge("leak", Facts(found=(lost,), meter=meter, names={}, flows={}))
    assert verdict.confidence == LIKELY and "lost 60 kPa" in verdict.text
    held = judge("leak", Facts(found=(replace(lost, kpa_drop=5.0),), meter=meter, names={}, flows={}))
    assert held.confidence == NOT_KNOWN


def test_its_note_goes_through_the_journal_unchanged() -> None:
    small = world()
    leak_test(small, 0.0, 2.0)
    kept = note(small, "leak test")
    assert from_plain(NoteMaintenance, json.loads(json.dumps(to_plain(kept)))) == kept


def test_a_main_is_under_water_no_longer_than_five_minutes_after_the_last_word() -> None:
    small = world()
    water = Water(small)
    guide(small, "drainage", zone="lawn")
    water.flows(36.0, 130.0)
    water.flows(0.0, 160.0)
    assert list(small.keeper.open_now) == [MASTER]
    water.flows(0.0, 20.0)
    assert small.keeper.open_now == {} and "not said again" in note(small, "drainage test").outcome


def test_a_zone_whose_test_is_broken_off_is_not_given_the_rest_of_its_run() -> None:
    small = world()
    water = Water(small)
    guide(small, "drainage", zone="lawn")
    water.flows(36.0, 40.0)
    small.ask("end-guided", target="main", by="Ada")
    later(small, 900.0)
    (run,) = small.runs()
    assert run.seconds < 60.0 and small.state.openings == () and small.keeper.open_now == {}


def test_a_zone_that_has_to_wait_for_its_pump_does_not_run_after_its_person_has_left() -> None:
    small = world(replace(PUMPED, pump=Pump(output=PUMP, least_flow_l_min=10.0, rest_s=1200.0)))
    water = Water(small)
    assert small.ask("water", zone="lawn", seconds=120.0)[0]
    water.flows(36.0, 140.0)
    later(small, 10.0)
    guide(small, "pump")
    guide(small, "pump")
    later(small, 290.0)
    before = len(opened(small))
    later(small, 3000.0)
    assert len(opened(small)) == before and small.state.guided.tests == {}
    assert small.state.openings == ()


def test_without_a_master_the_main_is_always_under_water_and_read_once() -> None:
    small = world(replace(SUPPLY, master_output=None))
    water = Water(small)
    text = guide(small, "leak", seconds=60.0)
    assert "Step 1 of 1" in text and "The main is always under water here" in text
    water.flows(1.2, 90.0)
    assert "the main leaks between master and zone valves" in guide(small, "leak")
    assert opened(small) == [] and small.state.alarms == {}


def test_large_meters_are_spoken_of_in_plain_numbers() -> None:
    meter = MeterSettings(pulse_l=378.5, q1_l_min=20.0, q3_l_min=2000.0)
    found = (Found(step=Step(name="open"), seconds=300.0, litres=1892.5),)
    verdict = judge("leak", Facts(found=found, meter=meter, names={}, flows={}))
    assert "378 L/min more passed (1892 L in 5 min, 378 L/min)" in verdict.text and "e+" not in verdict.text
