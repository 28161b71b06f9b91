"""A probe's own checks: range, rate, flat line, silence, and how it is given up and heard again."""

from __future__ import annotations

import numpy as np
import pytest

from dewpond.brain.belief import probes
from dewpond.brain.belief.probes import DRIFTS, heard, judged, look, moved, with_verdict
from dewpond.brain.belief.state import ProbeState

DAY_S = 86_400.0


def probe(values) -> ProbeState:
    return heard(ProbeState(), np.arange(1, len(values) + 1) * 3600.0, np.array(values, dtype=float))


def test_the_evening_stands_for_the_end_of_the_date():
    values = np.linspace(0.30, 0.26, 24)
    assert look(probe(values), 0.0, DAY_S, watered_late=False).seen_m3_m3 == pytest.approx(np.median(values[-5:]))


def test_an_evening_of_watering_says_nothing_and_is_no_fault():
    day = look(probe(np.full(24, 0.3)), 0.0, DAY_S, watered_late=True)
    assert day.seen_m3_m3 is None and day.odd == ""


@pytest.mark.parametrize("value", [0.0, 0.9, -0.2])
def test_readings_no_soil_holds_are_odd(value):
    assert "no soil holds" in look(probe(np.full(24, value)), 0.0, DAY_S, watered_late=False).odd


def test_soil_does_not_dry_by_a_tenth_in_an_hour():
    assert "falls faster" in look(probe([0.3] * 12 + [0.15] * 12), 0.0, DAY_S, watered_late=False).odd


def test_a_date_without_readings_is_silent_and_two_are_a_fault():
    day = look(ProbeState(), 0.0, DAY_S, watered_late=False)
    once, why = judged(ProbeState(), day, moves=False, changed_mm=3.0)
    assert why == ""
    _, why = judged(once, day, moves=False, changed_mm=3.0)
    assert "not been heard" in why


def test_a_probe_that_does_not_move_while_its_zone_uses_water_is_odd():
    still, why = ProbeState(), ""
    day = look(probe(np.full(24, 0.3)), 0.0, DAY_S, watered_late=False)
    for _ in range(2):
        still, why = judged(still, day, moves=False, changed_mm=3.0)
    assert "has not moved" in why
    assert not moved(probe(np.full(24, 0.3)), 0.0, DAY_S) and moved(probe(np.linspace(0.3, 0.29, 24)), 0.0, DAY_S)


def test_three_odd_days_end_its_hearing_and_five_good_ones_restore_it():
    state = ProbeState()
    for _ in range(3):
        state = with_verdict(state, "it differs", counted=True)
    assert state.given_up == "it differs"
    for _ in range(5):
        state = with_verdict(state, "", counted=True)
    assert state.given_up == ""


def test_a_probe_that_drifted_stays_unheard_much_longer():
    state = ProbeState(given_up=DRIFTS)
    for _ in range(44):
        state = with_verdict(state, "", counted=True)
    assert state.given_up == DRIFTS
    assert with_verdict(state, "", counted=True).given_up == ""


def test_late_readings_are_put_in_their_place():
    late = heard(heard(ProbeState(), np.array([7200.0]), np.array([0.2])), np.array([3600.0]), np.array([0.3]))
    assert late.time_s.tolist() == [3600.0, 7200.0] and late.value.tolist() == [0.3, 0.2]


def after_waterings(scale: float, times: int, came_mm: float = 12.0) -> ProbeState:
    probe = ProbeState()
    for _ in range(times):
        probe = probes.compared(probe, scale * came_mm, came_mm)
    return probe


@pytest.mark.parametrize(("scale", "why"), [(2.0, probes.MORE), (0.5, probes.LESS), (1.3, ""), (0.75, ""), (1.0, "")])
def test_a_probe_that_shows_waterings_much_too_large_or_too_small_is_found_out(scale, why):
    assert probes.off_scale(after_waterings(scale, 8), 2.0) == why


def test_a_few_waterings_in_much_noise_say_nothing_of_a_probes_scale():
    assert probes.off_scale(after_waterings(2.0, 1), 3.0) == ""


def test_a_probe_whose_scale_was_mended_is_on_scale_again():
    probe = after_waterings(2.0, 8)
    for _ in range(12):
        probe = probes.compared(probe, 12.0, 12.0)
    assert probes.off_scale(probe, 2.0) == ""
