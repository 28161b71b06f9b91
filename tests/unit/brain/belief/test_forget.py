"""What was learned of a zone can be given up by a person, and the ledger stands again."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from sites import site, zone
from small_world import SmallWorld

from dewpond.brain.belief import daily, metered
from dewpond.model.events import ReadingsArrived
from dewpond.model.site import Sensor
from dewpond.science.estimation import DEPLETION, USE


def test_forgetting_a_zone_leaves_the_others_and_takes_the_ledgers_word():
    world = SmallWorld(site(zone("lawn"), zone("bank", output=2)))
    world.runner.state = state = taught(world)
    taken, text = world.ask("forget", zone="lawn")
    after = world.state.belief
    assert taken and "Lawn" in text and after is not None
    assert after.mean[0, USE] == 0.0 and after.mean[1, USE] == 0.2
    assert after.mean[0, DEPLETION] == pytest.approx(float(state.soil.depletion_mm[0]))
    assert metered.rate_factors(after).tolist() == [1.0, 0.8]


def test_an_unknown_zone_is_refused():
    taken, text = SmallWorld(site()).ask("forget", zone="moor")
    assert not taken and "no zone 'moor'" in text


def taught(world: SmallWorld):
    belief = daily.first_belief(world.brain.ground, world.state.soil)
    mean = belief.mean.copy()
    mean[:, USE], mean[:, DEPLETION] = 0.2, 3.0
    belief = replace(belief, mean=mean, rate_factor=np.array([0.8, 0.8]), rate_runs=np.array([9.0, 9.0]))
    return replace(world.state, belief=belief)


def test_a_probe_that_fails_on_the_very_first_date_is_given_up_without_a_past_to_go_back_to():
    probe = Sensor(id="probe", kind="soil_moisture", topic="yard/probe", zone="lawn")
    world = SmallWorld(site(zone("lawn"), sensors=(probe,)))
    times_s = world.now.wall.timestamp() + np.arange(1, 24) * 3600.0
    world.until(24.0)
    world.tell(ReadingsArrived(at=world.now.wall, sensor="probe", time_s=times_s, value=np.full(23, 0.9)))
    world.weather(date(2026, 6, 1), 5.0)
    assert "no soil holds" in world.state.belief.probes["probe"].given_up
    assert "sensor/probe" in world.state.alarms
