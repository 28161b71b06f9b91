"""Zones below a pump's least flow: beside others, together, or carried; never alone."""

from __future__ import annotations

import itertools
from datetime import date

import pytest
from pump_world import PUMP, PumpWorld, place
from sites import DayRule, Hours, Watering, time, zone

from dewpond.brain.company import with_company
from dewpond.brain.timetable import Chain, Limits, Placed
from dewpond.model.site import Pump

LEAST = 20.0
NIGHT = ((0.0, 7200.0),)
ROOM = Limits(3, 60.0)


def chain(name: str, flow_l_min: float, *openings_s: float, rest_s: float = 0.0, allowed=NIGHT) -> Chain:
    return Chain(name, openings_s, rest_s, flow_l_min, allowed)


def taken(name: str, flow_l_min: float, start_s: float, seconds: float) -> Placed:
    return Placed(name, 1, start_s, seconds, flow_l_min, 7200.0)


def total_s(found, index: int) -> float:
    return sum(placed.seconds for at, placed in found if at == index)


def flows(found, beside=()):
    """The flow of every instant between two edges at which something runs."""
    items = [*beside, *(placed for _, placed in found)]
    edges = sorted({edge for item in items for edge in (item.start_s, item.end_s)})
    spans = itertools.pairwise(edges)
    sums = [(sum(i.flow_l_min for i in items if i.start_s <= a < i.end_s), a) for a, _ in spans]
    return [flow for flow, _ in sums if flow]


@pytest.mark.parametrize("late", [True, False])
def test_a_small_zone_rides_along_within_the_hours_of_a_large_one(late):
    large = [taken("a", 30.0, 1000.0, 600.0), taken("b", 30.0, 1600.0, 600.0)]
    found = with_company([chain("c", 10.0, 900.0)], ROOM, large, LEAST, late=late)
    ((_, placed),) = found
    assert placed.seconds == 900.0
    assert (placed.end_s if late else placed.start_s) == (2200.0 if late else 1000.0)
    assert min(flows(found, large)) >= LEAST


def test_a_long_opening_is_cut_to_the_hours_of_its_company():
    large = [taken("a", 30.0, 1000.0, 300.0), taken("a", 30.0, 3000.0, 300.0)]
    found = with_company([chain("c", 10.0, 500.0)], ROOM, large, LEAST, late=True)
    assert sorted((placed.start_s, placed.seconds) for _, placed in found) == [(1100.0, 200.0), (3000.0, 300.0)]


def test_soaking_rests_are_kept_where_openings_are_cut():
    large = [taken("a", 30.0, 0.0, 3000.0)]
    found = with_company([chain("c", 10.0, 300.0, 300.0, rest_s=600.0)], ROOM, large, LEAST, late=True)
    first, second = sorted((placed for _, placed in found), key=lambda item: item.start_s)
    assert second.start_s - first.end_s >= 600.0


def test_small_zones_run_together_as_long_as_the_one_that_needs_least():
    found = with_company([chain("a", 12.0, 600.0), chain("b", 14.0, 900.0)], ROOM, [], LEAST, late=True)
    assert total_s(found, 0) == total_s(found, 1) == 600.0
    assert set(flows(found)) == {26.0}


def test_the_remainder_of_a_group_finds_company_in_another():
    chains = [chain("a", 12.0, 600.0), chain("b", 14.0, 900.0), chain("c", 11.0, 300.0)]
    found = with_company(chains, ROOM, [], LEAST, late=True)
    assert [total_s(found, index) for index in range(3)] == [600.0, 900.0, 300.0]
    assert min(flows(found)) >= LEAST


@pytest.mark.parametrize(
    ("limits", "flow_l_min"),
    [(Limits(1, 60.0), 12.0), (Limits(2, 22.0), 12.0), (Limits(2, None), 9.0)],
    ids=["no second zone may open", "the supply gives less than both", "both are too small"],
)
def test_zones_that_find_no_company_are_left_out(limits, flow_l_min):
    chains = [chain("a", flow_l_min, 600.0), chain("b", flow_l_min, 600.0)]
    assert with_company(chains, limits, [], LEAST, late=True) == []


def test_a_zone_is_no_company_to_itself():
    assert with_company([chain("a", 12.0, 600.0), chain("a", 12.0, 300.0)], ROOM, [], LEAST, late=False) == []


def test_company_is_only_looked_for_in_the_zones_own_hours():
    large = [taken("a", 30.0, 1000.0, 600.0)]
    found = with_company([chain("c", 10.0, 600.0, allowed=((1300.0, 7200.0),))], ROOM, large, LEAST, late=True)
    ((_, placed),) = found
    assert (placed.start_s, placed.seconds) == (1300.0, 300.0)


def test_a_whole_night_of_small_and_large_zones_never_takes_less_than_the_pump_needs():
    wide = Watering(window=Hours(start=time(21), end=time(6)), days=DayRule(), max_open=4)
    zones = (
        zone("a", output=1, flow_l_min=10.0),
        zone("b", output=2, flow_l_min=11.0),
        zone("c", output=3, flow_l_min=30.0),
        zone("d", output=4, flow_l_min=9.0),
    )
    world = PumpWorld(place(*zones, pump=Pump(output=PUMP, least_flow_l_min=LEAST), watering=wide))
    world.until(20.8)
    world.plan(date(2026, 6, 1))
    world.until(30.0)
    given_s = {item.id: sum(run.seconds for run in world.runs() if run.zone == item.id) for item in zones}
    assert all(given_s[name] > 1500.0 for name in "abcd")
    on: set[int] = set()
    flow = {item.output: item.flow_l_min for item in zones}
    before_s = 0.0
    for at_s, output, opened in world.relays.moves:
        if PUMP in on and at_s - before_s > 1.0:
            assert sum(flow[number] for number in on - {PUMP}) >= LEAST
        (on.add if opened else on.discard)(output)
        before_s = at_s
    assert world.hours_shut_in() == 0.0
