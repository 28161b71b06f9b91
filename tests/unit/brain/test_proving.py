"""A zone that is not signed off never runs by schedule; by hand it does; the word on it outlives a restart."""

from __future__ import annotations

from dataclasses import replace
from datetime import time

import pytest
from sites import DayRule, Program, Supply, site, zone
from small_world import SmallWorld

from dewpond.brain.pipes.state import UsualFlow, WatchState
from dewpond.brain.state import PipeMemory, State
from dewpond.model.codec import from_plain, to_plain
from dewpond.model.events import ServiceStarted
from dewpond.model.operations import RequestRefused, parse
from dewpond.model.site import Cooling, Hours
from dewpond.runner.look import Look

TWO = (zone("lawn"), zone("bank", output=2))


def programmed():
    program = Program(name="Beds", zone_minutes={"lawn": 10.0}, starts=(time(22),), days=DayRule())
    return site(zone("lawn", rule="calendar"), programs=(program,))


def watered(world):
    return {run.zone for run in world.runs()}


def test_by_default_nothing_has_to_be_proved():
    world = SmallWorld(site(*TWO))
    world.plan()
    world.until(30.0)
    assert watered(world) == {"lawn", "bank"}


@pytest.mark.parametrize(
    "made", [lambda: site(*TWO, prove_zones=True), lambda: replace(programmed(), prove_zones=True)]
)
def test_an_unproved_zone_is_held_with_the_reason_where_the_site_says_that_zones_are_proved(made):
    world = SmallWorld(made())
    world.plan()
    told = world.state.reasons["lawn"]
    assert told.decision == "held"
    assert told.summary.startswith("Not proved: the site file says prove_zones, and nobody has signed this zone off")
    assert "not proved" in Look(world.brain)(world.state, world.now).zones[0].held
    world.until(30.0)
    assert not world.runs()


def test_an_unproved_zone_runs_by_hand_or_nothing_could_be_proved():
    world = SmallWorld(site(*TWO, prove_zones=True))
    assert world.ask("water", zone="lawn", seconds=120.0, by="Ada")[0]
    world.until(0.1)
    assert watered(world) == {"lawn"}


def test_signing_off_lets_the_very_night_run_and_no_other_zone():
    world = SmallWorld(site(*TWO, prove_zones=True))
    world.plan()
    accepted, text = world.ask("sign-off", zone="lawn", by="Ada", reason="record 3")
    assert accepted and text == "Lawn is signed off by Ada (Ana); it runs by schedule again."
    world.until(30.0)
    assert watered(world) == {"lawn"}


def test_commissioning_that_is_begun_stops_what_runs_by_schedule_and_holds_it():
    world = SmallWorld(site(*TWO))
    world.plan()
    first_s = min(item.start_s for item in world.state.openings)
    world.until((first_s - world.now.wall.timestamp()) / 3600.0 + 0.02)
    [output] = world.keeper.open_now
    running = next(one.id for one in TWO if one.output == output)
    accepted, text = world.ask("commission", zone=running, by="Ada", reason="new valve")
    assert accepted and "until it is signed off" in text
    assert not world.keeper.open_now
    assert world.ask("commission", zone=running, by="Ben")[1].endswith("begun by Ada (Ana).")
    world.until(30.0)
    assert max(run.seconds for run in world.runs() if run.zone == running) < 200.0
    world.plan(world.now.wall.date())
    assert "its commissioning, begun by Ada (Ana) at 2026-06-0" in world.state.reasons[running].summary


def test_the_proof_outlives_a_restart_and_so_does_what_was_begun():
    world = SmallWorld(site(*TWO, prove_zones=True))
    world.ask("sign-off", zone="lawn", by="Ada", reason="record 3")
    world.ask("commission", zone="bank", by="Ben", reason="new")
    again = from_plain(State, to_plain(world.state))
    assert again.proving == world.state.proving
    assert again.proving.proofs["lawn"].reason == "record 3"
    after = SmallWorld(site(*TWO, prove_zones=True))
    after.runner.state = again
    after.tell(ServiceStarted(at=after.now.wall, site_digest="test", version="2", first=False))
    after.plan()
    after.until(30.0)
    assert watered(after) == {"lawn"}


def test_a_proof_is_of_one_valve_and_lapses_when_the_zone_moves_to_another_output():
    world = SmallWorld(site(zone("lawn")))
    world.ask("sign-off", zone="lawn", by="Ada", reason="record 1")
    moved = SmallWorld(site(zone("lawn", output=5)))
    moved.runner.state = replace(world.state, site_digest="test")
    moved.plan()
    summary = moved.state.reasons["lawn"].summary
    assert "signed off on output 1 of main and is on output 5 of main now" in summary


def test_where_a_meter_counts_three_runs_have_to_have_set_the_usual_flow():
    metered = Supply(id="main", source="potable", capacity_l_min=60.0, meter="meter", meter_pulse_l=1.0)
    world = SmallWorld(site(*TWO, supplies=(metered,), prove_zones=True))
    accepted, text = world.ask("sign-off", zone="lawn", by="Ada", reason="record 1")
    assert not accepted and "from 0 of 3 runs; water it alone by hand" in text
    assert not world.state.proving.proofs
    world.runner.state = counted(world.state, 3)
    assert world.ask("sign-off", zone="lawn", by="Ada", reason="record 1")[0]


def counted(state, runs):
    usual = UsualFlow(
        runs=runs, level=3.5, exponent=0.0, ref_ln_kpa=6.0, c00=0.0, c01=0.0, c11=0.0, scatter_sq=0.0, degrees=9.0,
        anchor=3.5, anchor_s=0.0,
    )  # fmt: skip
    return replace(state, pipes={"main": PipeMemory(watch=WatchState(flows={"lawn": usual}))})


def test_a_zone_that_is_commissioned_again_needs_three_new_runs_or_a_usual_flow_learned_afresh():
    metered = Supply(id="main", source="potable", capacity_l_min=60.0, meter="meter", meter_pulse_l=1.0)
    world = SmallWorld(site(*TWO, supplies=(metered,)))
    world.runner.state = counted(world.state, 10)
    world.ask("commission", zone="lawn", by="Ada", reason="valve renewed")
    world.runner.state = counted(world.state, 12)
    assert "from 2 of 3 runs" in world.ask("sign-off", zone="lawn", by="Ada", reason="record 4")[1]
    world.runner.state = counted(world.state, 13)
    again = world.ask("sign-off", zone="lawn", by="Ada", reason="record 4")
    assert again[0]
    world.ask("commission", zone="lawn", by="Ada", reason="nozzles renewed")
    world.runner.state = counted(world.state, 3)
    assert world.ask("sign-off", zone="lawn", by="Ada", reason="record 6")[0]


def test_an_unproved_zone_is_not_cooled():
    cooled = zone(
        "lawn", cooling=Cooling(above_c=30.0, seconds=120.0, most=1, hours=Hours(start=time(12), end=time(16)))
    )
    world = SmallWorld(site(cooled, prove_zones=True))
    from dewpond.brain import cooling, proving_words

    assert proving_words.held(world.brain.ground, world.state, cooled)
    assert not cooling._may(world.brain.ground, world.state, cooled, cooled.cooling, world.now)
    world.ask("sign-off", zone="lawn", by="Ada", reason="record 1")
    assert cooling._may(world.brain.ground, world.state, cooled, cooled.cooling, world.now)


def test_a_word_on_an_unknown_zone_or_without_a_name_is_refused():
    world = SmallWorld(site(*TWO))
    assert world.ask("sign-off", zone="moat", by="Ada", reason="x")[1] == "no zone 'moat' here; zones are bank, lawn"
    with pytest.raises(RequestRefused, match="by is empty"):
        parse("sign-off", {"zone": "lawn", "by": " ", "reason": "x"})
    with pytest.raises(RequestRefused, match="reason is missing"):
        parse("sign-off", {"zone": "lawn", "by": "Ada"})
