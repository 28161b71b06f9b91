"""The packing of a night keeps every limit and comes close to the lower bound."""

from __future__ import annotations

import itertools
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dewpond.brain.timetable import LONG_SEARCH, Chain, Limits, Placed, pack_backward, pack_forward

NIGHT = ((0.0, 32_400.0),)


def most_at_once(placed: list[Placed]) -> int:
    return max(sum(p.start_s <= q.start_s < p.end_s for p in placed) for q in placed) if placed else 0


def most_flow(placed: list[Placed]) -> float:
    return max(sum(p.flow_l_min for p in placed if p.start_s <= q.start_s < p.end_s) for q in placed) if placed else 0.0


@pytest.mark.parametrize("pack", [pack_forward, pack_backward])
def test_one_zone_at_a_time_runs_back_to_back(pack):
    chains = [Chain(name, (600.0,), 0.0, 20.0, NIGHT) for name in "abc"]
    placed = pack(chains, Limits(1, 60.0))
    assert [b.start_s - a.end_s for a, b in itertools.pairwise(placed)] == [0.0, 0.0]
    assert most_at_once(placed) == 1


def test_packing_backward_ends_with_the_window_and_forward_begins_with_it():
    chain = Chain("a", (600.0, 600.0), 900.0, 20.0, NIGHT)
    assert pack_forward([chain], Limits(1, None))[0].start_s == 0.0
    late = pack_backward([chain], Limits(1, None))
    assert late[-1].end_s == 32_400.0
    assert late[1].start_s - late[0].end_s == 900.0
    assert [p.number for p in late] == [0, 1]


def test_a_short_last_opening_stays_last_when_packed_backward():
    late = pack_backward([Chain("a", (600.0, 120.0), 300.0, 20.0, NIGHT)], Limits(1, None))
    assert [(p.number, p.seconds) for p in late] == [(0, 600.0), (1, 120.0)]


def test_soaking_rests_are_used_by_other_zones():
    chains = [Chain(name, (600.0,) * 4, 1800.0, 20.0, NIGHT) for name in "abcd"]
    placed = pack_forward(chains, Limits(1, None))
    assert placed[-1].end_s == 4 * 4 * 600.0


def test_capacity_binds_as_well_as_the_count():
    chains = [Chain(name, (600.0,), 0.0, 35.0, NIGHT) for name in "abcd"]
    placed = pack_forward(chains, Limits(4, 70.0))
    assert most_at_once(placed) == 2
    assert most_flow(placed) <= 70.0


def test_what_does_not_fit_is_left_out_and_nothing_leaves_its_interval():
    chains = [Chain(name, (3600.0,), 0.0, 35.0, ((0.0, 5000.0),)) for name in "ab"]
    for pack in (pack_forward, pack_backward):
        placed = pack(chains, Limits(1, None))
        assert len(placed) == 1
        assert placed[0].start_s >= 0.0
        assert placed[0].end_s <= 5000.0


def test_openings_never_cross_a_gap_in_the_allowed_hours():
    split = ((0.0, 1000.0), (2000.0, 3000.0))
    for pack in (pack_forward, pack_backward):
        placed = pack([Chain("a", (700.0, 700.0), 0.0, 20.0, split)], Limits(1, None))
        assert len(placed) == 2
        for item in placed:
            assert any(a <= item.start_s and item.end_s <= b for a, b in split)


def test_openings_already_placed_are_worked_around():
    taken = [Placed("kept", 0, 1000.0, 600.0, 30.0, 32_400.0)]
    placed = pack_forward(
        [Chain("a", (900.0,), 0.0, 30.0, NIGHT), Chain("b", (900.0,), 0.0, 30.0, NIGHT)], Limits(1, 60.0), taken
    )
    assert [item.start_s for item in placed] == [0.0, 1600.0]


def test_a_release_time_is_kept():
    placed = pack_forward([Chain("a", (600.0,), 0.0, 20.0, NIGHT, release_s=7200.0)], Limits(1, None))
    assert placed[0].start_s == 7200.0


@settings(max_examples=60, deadline=None)
@given(
    data=st.lists(
        st.tuples(st.integers(1, 6), st.integers(60, 900), st.integers(0, 1800), st.floats(5.0, 40.0)),
        min_size=1,
        max_size=15,
    ),
    max_open=st.integers(1, 4),
    capacity=st.floats(40.0, 120.0),
    backward=st.booleans(),
)
def test_no_packing_breaks_a_limit(data, max_open, capacity, backward):
    chains = [Chain(f"z{n}", (float(s),) * k, float(rest), flow, NIGHT) for n, (k, s, rest, flow) in enumerate(data)]
    placed = (pack_backward if backward else pack_forward)(chains, Limits(max_open, capacity))
    assert most_at_once(placed) <= max_open
    assert most_flow(placed) <= capacity + 1e-6
    for chain in chains:
        own = [item for item in placed if item.zone == chain.zone]
        assert all(item.start_s >= 0.0 and item.end_s <= 32_400.0 for item in own)
        assert all(b.start_s - a.end_s >= chain.rest_s - 1e-9 for a, b in itertools.pairwise(own))


def drawn_night(zones: int, seed: int) -> tuple[list[Chain], float, float]:
    """Zones of one supply whose flow fills three quarters of eight hours; its capacity and the lower bound."""
    draw = random.Random(seed)  # noqa: S311
    chains = [
        Chain(
            f"z{n}",
            (60.0 * draw.randint(3, 12),) * draw.randint(1, 6),
            60.0 * draw.randint(15, 45),
            float(draw.randint(5, 40)),
            ((0.0, 100_000.0),),
        )
        for n in range(zones)
    ]
    litres = sum(sum(chain.openings_s) / 60.0 * chain.flow_l_min for chain in chains)
    capacity = max(60.0, litres / 360.0)
    longest_s = max(sum(c.openings_s) + c.rest_s * (len(c.openings_s) - 1) for c in chains)
    return chains, capacity, max(longest_s, 60.0 * litres / capacity)


@pytest.mark.parametrize(("zones", "of_bound"), [(10, 1.04), (50, 1.045), (160, 1.02)])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_searched_timetable_comes_close_to_the_lower_bound(zones, of_bound, seed):
    chains, capacity, bound_s = drawn_night(zones, seed)
    placed = pack_forward(chains, Limits(zones, capacity), search=LONG_SEARCH)
    assert len(placed) == sum(len(chain.openings_s) for chain in chains)
    assert most_flow(placed) <= capacity + 1e-6
    assert max(item.end_s for item in placed) <= of_bound * bound_s


def test_a_search_finds_the_same_timetable_again_and_never_a_worse_one_than_a_single_pass():
    chains, capacity, _ = drawn_night(20, 5)
    limits = Limits(20, capacity)
    searched = pack_backward(chains, limits, search=LONG_SEARCH)
    assert searched == pack_backward(chains, limits, search=LONG_SEARCH)
    assert min(item.start_s for item in searched) >= min(item.start_s for item in pack_backward(chains, limits))


def test_a_search_finds_room_where_a_single_pass_leaves_water_out():
    chains, capacity, bound_s = drawn_night(40, 2)
    tight = [Chain(c.zone, c.openings_s, c.rest_s, c.flow_l_min, ((0.0, 1.046 * bound_s),)) for c in chains]
    wanted = sum(len(chain.openings_s) for chain in tight)
    once = pack_backward(tight, Limits(40, capacity))
    assert len(once) < wanted
    searched = pack_backward(tight, Limits(40, capacity), search=LONG_SEARCH)
    assert sum(item.seconds for item in searched) > sum(item.seconds for item in once)
