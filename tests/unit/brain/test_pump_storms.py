"""Drawn nights with people, floats and faults in between: whatever comes, the pump keeps its order and its limits."""

from __future__ import annotations

import dataclasses
import random
from datetime import date

import pytest
from pump_world import MASTER, PUMP, PumpWorld, place
from sites import DayRule, Hours, Watering, time, zone

from dewpond.model.events import KeeperLost
from dewpond.model.site import Pump
from dewpond_drivers.keeper_core import KeeperCore
from dewpond_drivers.pump_order import HANDOVER_S
from dewpond_sim.in_process_keeper import InProcessKeeper, pump_order

FLOW = {1: 12.0, 2: 14.0, 3: 30.0, 4: 36.0}
LEAST, REST_S, STARTS = 20.0, 300.0, 6


def garden():
    wide = Watering(window=Hours(start=time(21), end=time(6)), days=DayRule(), max_open=3)
    zones = [zone(f"z{output}", output=output, flow_l_min=flow) for output, flow in FLOW.items()]
    pump = Pump(
        output=PUMP, least_flow_l_min=LEAST, rest_s=REST_S, starts_an_hour=STARTS, daily_l=4000.0, low_water="float"
    )
    return place(*zones, pump=pump, master=MASTER, supply={"capacity_l_min": 70.0}, watering=wide)


def new_keeper(world: PumpWorld) -> None:
    """The keeper is killed, its relays fall, and another takes over."""
    world.tell(KeeperLost(at=world.now.wall, why="killed"))
    for output in (PUMP, *FLOW, MASTER):
        world.relays.set_output(output, False)
    world.keeper = InProcessKeeper(_core(world), session=str(world.now))
    world.runner.ports = dataclasses.replace(world.runner.ports, valves=world.keeper)
    world.runner.pass_once()


def _core(world: PumpWorld) -> KeeperCore:
    return KeeperCore(world.relays, 8, refuse=world.refused.get, pumps=pump_order(world.site))


def storm(world: PumpWorld, chance: random.Random) -> None:
    """One thing that happens in a night."""
    zone_id = f"z{chance.randint(1, 4)}"
    what = chance.randrange(8)
    if what == 0:
        world.ask("water", zone=zone_id, seconds=float(chance.randint(30, 900)))
    elif what == 1:
        world.ask("stop", zone=None if chance.random() < 0.1 else zone_id)
    elif what == 2:
        world.ask("hold", zone=zone_id, until=world.in_hours(chance.uniform(0.1, 2.0)))
    elif what == 3:
        world.ask("release")
    elif what == 4:
        world.float_switch(low=chance.random() < 0.3)
    elif what == 5:
        new_keeper(world)
    elif what == 6:
        world.refused[chance.choice([1, 2, 3, 4, MASTER, PUMP])] = "its relay is broken"
    else:
        world.refused.clear()


def check(world: PumpWorld) -> None:
    """Order, company, rest and starts of the pump by the moves of the relays alone."""
    on: set[int] = set()
    before_s, starts_s, stopped_s, thin_s = 0.0, [], float("-inf"), 0.0
    for at_s, output, opened in world.relays.moves:
        span_s, valves = at_s - before_s, on & FLOW.keys()
        if PUMP in on:
            flows = bool(valves) and MASTER in on
            assert flows or span_s <= HANDOVER_S, f"the pump ran against shut valves for {span_s} s at {at_s}"
            thin_s = thin_s + span_s if sum(FLOW[valve] for valve in valves) < LEAST else 0.0
            assert thin_s <= 10.5, f"less than the least flow for {thin_s} s at {at_s}"
        assert sum(FLOW[valve] for valve in valves) <= 70.0 and len(valves) <= 3
        if output == PUMP and opened:
            assert at_s - stopped_s >= REST_S - 0.01, f"the pump rested {at_s - stopped_s} s at {at_s}"
            starts_s.append(at_s)
            assert len([s for s in starts_s if s > at_s - 3600.0 + 0.01]) <= STARTS
        elif output == PUMP:
            stopped_s = at_s
        (on.add if opened else on.discard)(output)
        before_s = at_s
    assert not on


@pytest.mark.parametrize("seed", range(12))
def test_whatever_happens_in_a_night_the_pump_keeps_its_order_and_its_limits(seed):
    chance = random.Random(seed)  # noqa: S311
    world = PumpWorld(garden())
    world.until(20.8)
    world.plan(date(2026, 6, 1))
    at_h = 25.0
    while at_h < 30.5:
        at_h += chance.expovariate(4.0)
        world.until(at_h)
        storm(world, chance)
    world.refused.clear()
    world.ask("stop")
    world.until(34.0)
    check(world)
    assert sum(run.seconds * FLOW[int(run.zone[1:])] / 60.0 for run in world.runs()) <= 4000.5
