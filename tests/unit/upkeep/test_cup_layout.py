"""Where cups go and for how long the water runs."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.unit.sites import zone

from dewpond.model.site import HeadKind, Heads
from dewpond.upkeep.cups import AuditRefused, minutes_for, outline, propose_cups, rectangle, square_of
from dewpond.upkeep.cups.layout import LEAST_INSET_M

ELL = [(0.0, 0.0), (14.0, 0.0), (14.0, 5.0), (6.0, 5.0), (6.0, 12.0), (0.0, 12.0)]


def places(plan):
    return np.array([(cup.x_m, cup.y_m) for cup in plan.places])


@pytest.mark.parametrize("shape", [rectangle(8, 12), rectangle(2, 40), outline(ELL), square_of(800)])
def test_at_least_24_cups_stand_inside_the_edge(shape):
    """Audit guidelines: at least 24, uniform, 12 to 24 in inside the edge. Places are rounded to 0.1 m for a tape."""
    plan = propose_cups(shape)
    at = places(plan)
    assert len(at) >= 24
    assert shape.inside(*at.T).all()
    assert (shape.edge_distance_m(*at.T) >= LEAST_INSET_M - 0.051).all()
    assert plan.placements == 1


def test_the_grid_is_even_and_no_denser_than_it_must_be():
    plan = propose_cups(rectangle(8, 12))
    apart = np.hypot(*(places(plan)[:, None] - places(plan)[None]).transpose(2, 0, 1))
    np.fill_diagonal(apart, np.inf)
    assert apart.min(axis=1) == pytest.approx(plan.spacing_m, abs=0.11)
    assert len(plan.places) <= 30


def test_neighbours_in_number_are_neighbours_on_the_ground():
    at = places(propose_cups(rectangle(8, 12)))
    steps = np.hypot(*np.diff(at, axis=0).T)
    assert steps.max() < 1.5 * steps.min()


def test_five_cups_make_placements_that_each_span_the_zone():
    plan = propose_cups(rectangle(8, 12), owned=5)
    assert plan.placements == 5
    assert any("merged" in note and "no grade" in note for note in plan.notes)
    for number in range(1, 6):
        ys = [cup.y_m for cup in plan.places if cup.placement == number]
        assert len(ys) <= 5
        assert max(ys) - min(ys) >= 6.0  # half of its 12 m


def test_a_narrow_or_tiny_zone_is_told():
    assert any("narrow" in note for note in propose_cups(rectangle(0.5, 30)).notes)
    assert any("no uniformity grade" in note for note in propose_cups(rectangle(1.5, 1.5)).notes)
    with pytest.raises(AuditRefused, match="leave no room for two cups"):
        propose_cups(rectangle(0.4, 0.4))


@settings(max_examples=6, deadline=None)
@given(st.floats(1.5, 60), st.floats(1.5, 60), st.integers(1, 40))
def test_any_rectangle_gets_cups_inside_it_in_full_placements(width, length, owned):
    shape = rectangle(width, length)
    plan = propose_cups(shape, owned=owned)
    counts = [sum(cup.placement == n for cup in plan.places) for n in range(1, plan.placements + 1)]
    assert max(counts) <= owned
    assert max(counts) - min(counts) <= 1
    assert shape.inside(*places(plan).T).all()


@pytest.mark.parametrize(
    ("corners", "said"),
    [
        ([(0.0, 0.0), (4.0, 0.0)], "3 to 200 make an outline"),
        ([(0.0, 0.0), (4.0, 4.0), (4.0, 0.0), (0.0, 4.0)], "cross"),
        ([(0.0, 0.0), (1.0, 1.0), (2.0, 2.0)], "at least 0.1 m2"),
        ([(0.0, 0.0), (9000.0, 0.0), (0.0, 4.0)], "beyond 2000 m"),
        ([(0.0, 0.0), (float("nan"), 0.0), (0.0, 4.0)], "beyond 2000 m"),
    ],
)
def test_nonsense_shapes_are_refused(corners, said):
    with pytest.raises(AuditRefused, match=said):
        outline(corners)


def test_area_and_inside_of_an_l():
    shape = outline([*ELL, ELL[0]])
    assert shape.area_m2 == pytest.approx(14 * 5 + 6 * 7)
    assert list(shape.inside(np.array([3.0, 10.0]), np.array([11.0, 8.0]))) == [True, False]
    assert shape.edge_distance_m(np.array([3.0]), np.array([11.0])) == pytest.approx(1.0)


def heads(kind):
    return (Heads(kind=kind, count=4, flow_l_min=4.0),)


def test_minutes_go_by_the_kind_of_head():
    """Texas A&M AgriLife: sprays 5 minutes, rotors 10 to 15; at least five turns (common practice)."""
    assert minutes_for(zone(heads=heads(HeadKind.SPRAY))).minutes == 5
    assert minutes_for(zone(heads=heads(HeadKind.ROTOR), application_rate_mm_h=12.0)).minutes == 15
    turning = minutes_for(zone(heads=heads(HeadKind.ROTOR), application_rate_mm_h=12.0), turn_min=4.0)
    assert turning.minutes == 20
    assert "5 turns of 4 min" in turning.why


def test_a_slow_zone_runs_until_the_least_mean_catch():
    """1.5 mL for each in2 of mouth is 2.325 mm: at 6 mm/h that takes 23.3 minutes."""
    found = minutes_for(zone(heads=heads(HeadKind.ROTARY_NOZZLE), application_rate_mm_h=6.0))
    assert found.minutes == 24
    assert any("least mean catch, 2.3 mm" in why for why in found.why)


def test_drip_and_impossible_turns_are_refused():
    with pytest.raises(AuditRefused, match="gives nothing from above"):
        minutes_for(zone(overhead=False, method="drip"))
    with pytest.raises(AuditRefused, match="a rotor turns in"):
        minutes_for(zone(), turn_min=-1)
    with pytest.raises(AuditRefused, match="between 1 and 400"):
        propose_cups(rectangle(4, 4), owned=0)
    with pytest.raises(AuditRefused, match="between 2 and 400"):
        propose_cups(rectangle(4, 4), wanted=1)
