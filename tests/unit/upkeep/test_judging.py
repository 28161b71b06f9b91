from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import pytest

from dewpond.brain.pipes.usual import Run, first_run, learn
from dewpond.upkeep.judging import PRESSURE_SHARE, Seen, fault_of, judge, leak_l_min, signs

from .conftest import SPRAYS, a_site

PUBLISHED = json.loads((Path(__file__).parents[2] / "data" / "reference" / "landscape_practice.json").read_text())
LAWN, BANK, BEDS = a_site().zones


def usual(flow_l_min, runs=12, kpa=400.0):
    run = Run(flow_l_min=flow_l_min, ln_kpa=math.log(kpa), counting_sd=0.005)
    known = first_run(run, 0.0, shared=False)
    for number in range(1, runs):
        known = learn(known, run, 86_400.0 * number)
    return known


def faults(seen, zone=LAWN, heads=(SPRAYS,), known=None):
    return judge(seen, zone, heads, known).faults


def test_the_pressure_limit_is_that_of_the_published_table():
    row = next(row for row in PUBLISHED["tables"]["hydraulics"]["data"] if row["item"].startswith("flow variation"))
    assert row["value"] == "+-10 % (20 % pressure)"
    assert PRESSURE_SHARE == 0.20


@pytest.mark.parametrize(
    ("flow", "found"), [(36.0, ()), (41.0, ()), (42.0, ("flow-high",)), (31.0, ()), (30.0, ("flow-low",))]
)
def test_flow_is_judged_against_the_list_of_heads(flow, found):
    assert faults(Seen(flow_l_min=flow)) == found


def test_the_usual_flow_is_worth_more_than_the_list_once_it_is_known():
    known = usual(33.0)
    assert faults(Seen(flow_l_min=36.0, pressure_kpa=400.0), known=known) == ("flow-high",)
    assert faults(Seen(flow_l_min=33.5, pressure_kpa=400.0), known=known) == ()
    assert faults(Seen(flow_l_min=36.0), known=usual(33.0, runs=2)) == ()
    assert "usual 33.0 L/min" in judge(Seen(flow_l_min=36.0, pressure_kpa=400.0), LAWN, (), known).sentences[0]


def test_a_lower_supply_pressure_explains_a_lower_flow_and_is_no_fault_of_the_zone():
    known = usual(33.0)
    assert faults(Seen(flow_l_min=30.5, pressure_kpa=400.0), heads=(), known=known) == ("flow-low",)
    assert faults(Seen(flow_l_min=30.5, pressure_kpa=330.0), heads=(), known=known) == ()


def test_a_flow_from_a_few_pulses_is_judged_with_their_doubt():
    seen = Seen(flow_l_min=44.0, counted_l=11.0)
    assert judge(seen, LAWN, (SPRAYS,), None, pulse_l=1.0).faults == ()  # 22 % more, and a pulse in 11 is 9 %
    assert judge(replace(seen, counted_l=44.0), LAWN, (SPRAYS,), None, pulse_l=1.0).faults == ("flow-high",)


def test_at_a_heads_gauge_the_list_is_scaled_by_the_root_of_the_pressure():
    high = Seen(flow_l_min=36.0 * math.sqrt(320.0 / 210.0), pressure_kpa=320.0, at_head=True)
    assert faults(high) == ("pressure-high",)
    assert faults(replace(high, flow_l_min=36.0)) == ("flow-low", "pressure-high")


@pytest.mark.parametrize(
    ("kpa", "at_head", "found"),
    [
        (252, True, ()),
        (253, True, ("pressure-high",)),
        (168, True, ()),
        (167, True, ("pressure-low",)),
        (400, False, ()),
        (167, False, ("pressure-low",)),
    ],
)
def test_pressure_is_judged_at_a_head_and_only_a_low_one_at_the_supply(kpa, at_head, found):
    assert faults(Seen(pressure_kpa=kpa, at_head=at_head)) == found


def test_what_a_zone_did_wins_over_figures():
    assert faults(Seen(came_on=False)) == ("does-not-come-on",)
    assert faults(Seen(flow_l_min=36.0, came_on=True, went_off=False)) == ("does-not-go-off",)


def test_without_heads_and_usual_flow_the_site_file_speaks():
    assert "by the site file 9.0 L/min" in judge(Seen(flow_l_min=20.0), BEDS, (), None).sentences[0]
    assert "Nobody saw its flow" in judge(Seen(), BEDS, (), None).sentences[0]


@pytest.mark.parametrize(
    ("seen", "words"),
    [
        (Seen(flow_l_min=-1.0), "flow -1 L/min is not from 0 to 20000 L/min; check number and unit"),
        (Seen(flow_l_min=math.nan), "flow nan"),
        (Seen(pressure_kpa=40_000.0), "pressure 40000 kPa is not from 0 to 2000 kPa"),
    ],
)
def test_impossible_figures_are_told(seen, words):
    assert words in fault_of(seen)
    assert fault_of(Seen(flow_l_min=30.0, pressure_kpa=200.0)) == ""


def test_signs_are_gathered_from_findings_heads_slope_and_the_valve():
    assert signs(BANK, (SPRAYS,), [("head-clogged", 2), ("head-clogged", 1)], opens_by_hand=True) == {
        "head-clogged", "several", "slope", "opens-by-hand"
    }  # fmt: skip
    assert signs(LAWN, (SPRAYS,), [("puddle", 5)], opens_by_hand=False) == {"puddle"}


def test_the_published_leak_passes_its_flow_in_a_leak_test():
    """A 1/32 in hole at 60 psi loses 6,300 gal a month, 0.144 gpm (US EPA, Fix a Leak Week): case LK-01."""
    case = next(case for case in PUBLISHED["cases"] if case["id"] == "LK-01")
    litres_in_two_hours = case["inputs"]["volume_gal_per_month"] * 3.785411784 / (30.4 * 12)
    assert leak_l_min(litres_in_two_hours, 120.0) / 3.785411784 == pytest.approx(case["expected"]["flow_gpm"], rel=0.01)
