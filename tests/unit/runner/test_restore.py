"""A daemon that comes up under a changed site file: what ran under the old one is shut first, and on record."""

from __future__ import annotations

import json
from datetime import timedelta

import numpy as np
import pytest
from pump_world import PumpWorld, place
from sites import Supply, site, zone
from small_world import SmallWorld

from dewpond.brain.brain import Brain
from dewpond.model.codec import to_plain
from dewpond.model.copying import replace
from dewpond.model.events import KeeperFound, ReadingsArrived, ServiceStarted
from dewpond.model.site import Sensor
from dewpond.runner.restore import restore

FROM = ["snapshot", "journal"]
MAIN = Supply(id="main", source="potable", capacity_l_min=60.0, master_output=3)
METERED = replace(MAIN, meter="meter")
METER = Sensor(id="meter", kind="flow", topic="withy/meter")


def running(old, world=SmallWorld, meanwhile=lambda world: None) -> tuple[SmallWorld, tuple]:
    """Zone a has run for six minutes; the snapshot of before it ran."""
    world = world(old)
    world.until(10.0)
    before = world.runner.step_no, json.loads(json.dumps(to_plain(world.state)))
    assert world.ask("water", zone="a", seconds=1200.0)[0]
    meanwhile(world)
    world.until(10.1)
    return world, before


def under(world: SmallWorld, before: tuple, new, kept: str) -> SmallWorld:
    """The daemon was killed and comes up under another site file; the keeper still holds what it held."""
    if kept == "snapshot":
        before = world.runner.step_no, json.loads(json.dumps(to_plain(world.state)))
    brain = Brain(replace(new, digest="new"))
    _, state = restore(brain, before, [step for step in world.store.steps if step[0] > before[0]])
    world.brain = world.runner.brain = brain
    world.runner.state, now = state, world.now
    held = world.keeper.open_now.items()
    started = ServiceStarted(at=now.wall, site_digest="new", version="1", first=False)
    found = KeeperFound(
        at=now.wall,
        session="one",
        ready=True,
        open_outputs={output: run for output, (run, _) in held},
        opened_at={run: now.wall - timedelta(seconds=now.elapsed_s - since_s) for _, (run, since_s) in held},
    )
    world.tell(started, found)
    return world


@pytest.mark.parametrize("kept", FROM)
@pytest.mark.parametrize("now_at", [{"a": 4, "b": 2}, {"a": 2, "b": 1}], ids=["moved", "swapped"])
def test_a_running_zone_that_was_wired_otherwise_is_shut_where_it_runs_and_goes_on_where_it_is_now(now_at, kept):
    world, before = running(site(zone("a", output=1), zone("b", output=2)))
    under(world, before, site(*(zone(name, output=output) for name, output in now_at.items())), kept)
    assert list(world.keeper.open_now) == [now_at["a"]], "the old relay is off, and only the new one on"
    world.until(12.0)
    assert [run.seconds for run in world.runs()] == [360.0, 840.0] and not world.keeper.open_now


@pytest.mark.parametrize("kept", FROM)
@pytest.mark.parametrize(
    "new",
    [replace(MAIN, id="street"), replace(MAIN, master_output=5), replace(MAIN, master_output=None)],
    ids=["renamed", "other master", "no master"],
)
def test_a_supply_that_was_changed_leaves_no_old_master_on_and_stops_no_daemon(new, kept):
    world, before = running(site(zone("a", output=1), zone("b", output=2), supplies=(MAIN,)))
    zones = [zone(name, output=output, supply=new.id) for name, output in (("a", 1), ("b", 2))]
    under(world, before, site(*zones, supplies=(new,)), kept)
    assert (3 in world.keeper.open_now) == (new.master_output == 3)
    world.until(12.0)
    assert sum(run.seconds for run in world.runs()) == 1200.0 and not world.keeper.open_now
    world.until(20.8)
    world.plan()
    world.until(30.0)
    assert "b" in [run.zone for run in world.runs()], "the next night is watered"


def test_water_of_a_zone_that_is_gone_stays_on_record_and_its_relay_goes_off():
    world, before = running(site(zone("a", output=1), zone("b", output=2)))
    under(world, before, site(zone("front", output=1), zone("b", output=2)), "snapshot")
    assert not world.keeper.open_now and not world.state.orphans
    (row,) = world.runs()
    assert (row.zone, row.seconds, row.litres) == ("a", 360.0, 216.0) and "no longer in the site file" in row.note


@pytest.mark.parametrize("kind", ["other", "event"])
def test_holds_outlive_a_zone_that_is_added(kind):
    world, before = running(site(zone("a", output=1), zone("b", output=2)))
    world.ask("hold", until=world.in_hours(80.0), reason="a wedding", kind=kind)
    world.ask("hold", zone="b", until=world.in_hours(80.0), reason="new turf next week", kind=kind)
    new = site(zone("a", output=1), zone("b", output=2), zone("c", output=3))
    under(world, before, new, "snapshot")
    assert len(world.state.holds) == 2
    world.until(20.8)
    world.plan()
    world.until(30.0)
    assert [run.zone for run in world.runs()] == ["a"], "by hand, before"


@pytest.mark.parametrize("kept", FROM)
def test_a_meter_that_is_gone_with_its_supply_stops_no_daemon(kept):
    def meanwhile(world: SmallWorld) -> None:
        at_s = np.array([world.now.wall.timestamp()])
        world.tell(ReadingsArrived(at=world.now.wall, sensor="meter", time_s=at_s, value=np.array([36.0])))

    zones = (zone("a", output=1), zone("b", output=2))
    world, before = running(site(*zones, supplies=(METERED,), sensors=(METER,)), meanwhile=meanwhile)
    moved = [replace(each, supply="street") for each in zones]
    under(world, before, site(*moved, supplies=(replace(MAIN, id="street"),)), kept)
    world.until(34.0)
    assert not world.keeper.open_now and sum(run.seconds for run in world.runs()) >= 1200.0


@pytest.mark.parametrize("kept", FROM)
def test_a_pump_whose_supply_was_renamed_is_stopped_and_the_rest_is_given(kept):
    world, before = running(place(), PumpWorld)
    world.keeper.open_now = {o.output: (o.run, o.opened_s) for o in world.keeper._core.openings}
    new = place(zone("a", output=1, supply="bore"), zone("b", output=2, supply="bore"), supply={"id": "bore"})
    under(world, before, new, kept)
    world.until(12.0)
    assert world.open_now() == [] and sum(run.seconds for run in world.runs()) == 1200.0
