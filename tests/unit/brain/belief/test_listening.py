"""How a probe is given up, what is kept of what it taught, and when it is heard again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from sites import site, zone
from small_world import SmallWorld

from dewpond.brain.belief import daily, listening
from dewpond.brain.belief.probes import DRIFTS, MOVES
from dewpond.brain.belief.state import BeliefState, ProbeState
from dewpond.model import codec
from dewpond.model.site import Sensor
from dewpond.science.estimation import DEPLETION, DRIFT, NUMBERS, OFFSET, USE, Estimate

PROBE = Sensor(id="probe", kind="soil_moisture", topic="yard/probe", zone="lawn")


@pytest.fixture
def world():
    return SmallWorld(site(zone("lawn"), sensors=(PROBE,)))


@pytest.fixture
def place(world):
    return world.brain.ground.probes["probe"]


def estimate(offset_mm=0.0, offset_sd_mm=1.0, use=0.1, use_sd=0.03, depletion_mm=5.0):
    mean, cov = np.zeros((1, NUMBERS)), np.zeros((1, NUMBERS, NUMBERS))
    mean[0, [DEPLETION, USE, OFFSET]] = depletion_mm, use, offset_mm
    cov[0, OFFSET, OFFSET], cov[0, USE, USE] = offset_sd_mm**2, use_sd**2
    return Estimate(mean, cov)


def test_a_reading_at_field_capacity_settles_once_a_soaking_has_shown_it(place):
    unsure, sure = estimate(offset_sd_mm=place.root_depth_mm), estimate(3.0, offset_sd_mm=0.2)
    assert listening._settled(ProbeState(seen=30), unsure, place).settled_mm is None
    assert listening._settled(ProbeState(seen=5), sure, place).settled_mm is None
    assert listening._settled(ProbeState(seen=30), sure, place).settled_mm == 3.0


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_a_probe_whose_reading_at_field_capacity_has_moved_is_given_up(place, side):
    far_mm = side * 1.1 * listening.MOVED_M3_M3 * place.root_depth_mm
    settled = ProbeState(seen=60, settled_mm=0.0, good_days=40)
    moved = listening._settled(settled, estimate(far_mm, offset_sd_mm=0.2), place)
    assert moved.given_up == MOVES and moved.good_days == 0
    assert listening._settled(settled, estimate(0.5 * far_mm, offset_sd_mm=0.2), place).given_up == ""


def test_where_two_others_have_moved_to_the_same_side_half_the_move_is_enough(place):
    probe, half = ProbeState(seen=60, settled_mm=0.0), 0.6 * listening.MOVED_M3_M3 * place.root_depth_mm
    assert listening._settled(probe, estimate(half, offset_sd_mm=0.2), place, [1, 1]).given_up == MOVES
    for others in ([1], [1, -1], [-1, -1], [0, 0]):
        assert listening._settled(probe, estimate(half, offset_sd_mm=0.2), place, others).given_up == ""


def test_a_move_that_no_soaking_has_shown_says_nothing(place):
    unsure = estimate(0.1 * place.root_depth_mm, offset_sd_mm=0.02 * place.root_depth_mm)
    assert listening._settled(ProbeState(seen=60, settled_mm=0.0), unsure, place).given_up == ""


def test_a_soil_that_changes_over_years_is_followed(place):
    probe = ProbeState(seen=60, settled_mm=0.0)
    slow_mm = 0.6 * listening.MOVED_M3_M3 * place.root_depth_mm / listening.SETTLES_AGAIN_DAYS
    for day in range(1500):
        probe = listening._settled(probe, estimate(day * slow_mm, offset_sd_mm=0.2), place)
    assert probe.given_up == ""


def taught(world, *, use_before, days=60) -> BeliefState:
    belief = daily.first_belief(world.brain.ground, world.state.soil)
    past = np.full((days, 1), use_before)
    return replace(belief, learned_days=np.array([60.0]), past_ln_use=past, past_correction_mm=np.zeros((days, 1)))


@pytest.mark.parametrize(
    ("offset_mm", "use"),
    [(8.0, 0.02 + 0.03 * listening.LEAN_AFTER_DRY), (-8.0, 0.1 + 0.03 * listening.LEAN_AFTER_WET)],
)
def test_after_a_drift_the_use_that_it_did_not_pull_stays_and_leans_to_the_safe_side(world, offset_mm, use):
    """Towards dry the earlier, smaller use stands; towards wet the greater one does."""
    probe = ProbeState(seen=60, settled_mm=0.0, given_up=MOVES, moved=1 if offset_mm > 0.0 else -1)
    after = listening._before_the_fault(taught(world, use_before=0.02), estimate(offset_mm), 0, probe)
    assert after.mean[0, USE] == pytest.approx(use)
    assert after.mean[0, OFFSET] == 0.0 and after.mean[0, DRIFT] == 0.0


def test_after_a_sudden_fault_what_was_thought_before_it_stands(world):
    belief = replace(taught(world, use_before=0.05), past_correction_mm=np.full((60, 1), 0.25))
    after = listening._before_the_fault(belief, estimate(depletion_mm=9.0), 0, ProbeState(given_up="it reads 0.9"))
    assert after.mean[0, USE] == pytest.approx(0.05 + 0.03 * listening.LEAN)
    assert after.mean[0, DEPLETION] == pytest.approx(9.0 - 0.25 * listening.SUDDEN_DAYS)


def test_a_drift_found_by_its_surprises_has_the_sign_of_their_sum():
    assert listening._drift(ProbeState(given_up=DRIFTS, bias=9.0)) == 1
    assert listening._drift(ProbeState(given_up=DRIFTS, bias=-9.0)) == -1
    assert listening._drift(ProbeState(given_up="it has not moved")) == 0


def test_a_belief_kept_by_an_older_version_with_fewer_numbers_begins_anew(world):
    ground, soil = world.brain.ground, world.state.soil
    now = daily.first_belief(ground, soil)
    older = replace(now, mean=now.mean[:, :3] + 1.0, cov=now.cov[:, :3, :3])
    assert daily.fitting(ground, soil, older).mean.shape == (1, NUMBERS)
    assert daily.fitting(ground, soil, now) is now


def test_a_belief_goes_through_a_snapshot_unchanged(world):
    belief = taught(world, use_before=0.1)
    again = codec.from_plain(BeliefState, codec.to_plain(replace(belief, probes={"probe": ProbeState(settled_mm=2.5)})))
    assert again.probes["probe"].settled_mm == 2.5 and np.array_equal(again.cov, belief.cov)


def test_nearly_all_others_moved_to_one_side_is_one_cause_and_the_rest_go_with_them():
    assert listening._with_the_rest(ProbeState(), [1, 1, 1, 0]).given_up == MOVES
    for others in ([1, 1], [1, 1, 1, 0, 0], [1, 1, -1, -1], []):
        assert listening._with_the_rest(ProbeState(), others).given_up == ""


def test_what_a_wetter_drift_took_off_the_depletion_is_put_back_and_the_soil_never_lacks_more_than_it_holds(world):
    belief = replace(taught(world, use_before=0.0), past_correction_mm=np.full((60, 1), -0.5))
    probe = ProbeState(seen=60, settled_mm=0.0, given_up=MOVES, moved=-1)
    after = listening._before_the_fault(belief, estimate(depletion_mm=6.0), 0, probe)
    assert after.mean[0, DEPLETION] == pytest.approx(6.0 + 0.5 * listening.PUT_BACK_DAYS)
    capped = listening._before_the_fault(belief, estimate(depletion_mm=6.0), 0, probe, 12.0)
    assert capped.mean[0, DEPLETION] == 12.0


def test_where_a_probe_is_listened_to_decisions_err_to_the_dry_side_and_elsewhere_go_by_the_ledger(world):
    ground, belief = world.brain.ground, daily.first_belief(world.brain.ground, world.state.soil)
    left_mm, sd_mm = np.array([8.0]), np.array([2.0])
    assert daily.careful_mm(ground, belief, left_mm, sd_mm)[0] == pytest.approx(8.0 + 2.0 * daily.CARE)
    silent = replace(belief, probes={"probe": ProbeState(given_up="it has not moved")})
    assert daily.careful_mm(ground, silent, left_mm, sd_mm)[0] == 8.0
