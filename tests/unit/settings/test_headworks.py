"""The head of a supply in the site file: master times, the bore of the main, the pump, and minimum runs."""

from __future__ import annotations

import pytest

from dewpond.brain.supply_bounds import flow_bound_l_min
from dewpond.model.site import Supply

PUMP = """
[supply.pump]
output = 8
least_flow = "20 L/min"
greatest_flow = "75 L/min"
starts_an_hour = 6
rest = "5 min"
litres_a_day = "8 m3"
low_water = "float"
stops_before = "4 s"

[[sensor]]
id = "float"
kind = "switch"
topic = "well/float"
decode = "json"
pointer = "/low"
"""


@pytest.fixture
def loaded(load, whole):
    """A whole site whose supply is changed by further keys and tables."""

    def changed(keys: str = "", tables: str = "", **zone: str):
        text = whole.replace('capacity = "60 L/min"\n', f'capacity = "60 L/min"\n{keys}\n{tables}\n')
        for old, new in zone.items():
            text = text.replace(f"{old} = ", f"{old} = {new} #", 1)
        return load(text)

    return changed


def said(problems, key: str) -> str:
    return " | ".join(problem.said for problem in problems if problem.key == key)


def test_all_keys_of_a_pump_reach_the_model(loaded):
    site = loaded('source = "well"', PUMP).site
    pump = site.supplies[0].pump
    assert (pump.output, pump.least_flow_l_min, pump.greatest_flow_l_min) == (8, 20.0, 75.0)
    assert (pump.starts_an_hour, pump.rest_s, pump.daily_l, pump.low_water) == (6, 300.0, 8000.0, "float")
    assert pump.stops_before_s == 4.0


def test_a_pump_brings_its_cautions_and_what_it_does_not_see(loaded):
    findings = loaded('source = "well"', "[supply.pump]\noutput = 8").findings
    words = said(findings, "pump")
    assert "runs dry or against shut valves" in words and "licensed electrician" in words
    assert "no low_water switch on a well" in words and "no least_flow" in words


@pytest.mark.parametrize(
    ("old", "new", "word"),
    [
        ('least_flow = "20 L/min"', 'least_flow = "80 L/min"', "not below greatest_flow"),
        ('greatest_flow = "75 L/min"', "", ""),
        ('low_water = "float"', 'low_water = "flaot"', "names no sensor"),
        ('kind = "switch"', 'kind = "rain"', "of kind rain"),
    ],
)
def test_a_pump_that_contradicts_itself_is_refused(loaded, old, new, word):
    errors = loaded("", PUMP.replace(old, new)).errors
    assert word in said(errors, "pump")
    assert bool(errors) is bool(word)


@pytest.mark.parametrize(
    ("line", "key"),
    [
        ("output = 0", "pump output"),
        ('rest = "3 h"', "pump rest"),
        ("starts_an_hour = 0", "pump starts_an_hour"),
        ('stops_before = "2 min"', "pump stops_before"),
        ("speed = 3", "pump speed"),
    ],
)
def test_impossible_values_of_a_pump_are_refused_at_their_key(loaded, line, key):
    name = line.split(" = ")[0]
    table = "\n".join(row for row in PUMP.splitlines() if not row.startswith(f"{name} =")).replace(
        "[supply.pump]", f"[supply.pump]\n{line}"
    )
    assert key in [problem.key for problem in loaded("", table).errors]


def test_the_output_of_a_pump_is_its_own(loaded):
    errors = loaded("", "[supply.pump]\noutput = 3").errors
    assert [(problem.table, problem.key) for problem in errors] == [('zone "lawn"', "output")]


def test_a_zone_above_the_pump_or_without_company_is_refused(loaded):
    """The zone takes 48 L/min: 72 m2 at 40 mm/h."""
    errors = loaded("", PUMP.replace("75 L/min", "45 L/min")).errors
    assert "the pump of" in said(errors, "application_rate")
    errors = loaded("", PUMP.replace("20 L/min", "50 L/min")).errors
    assert "no company brings it" in said(errors, "application_rate")


@pytest.mark.parametrize(("max_open", "fine"), [(1, False), (2, True)])
def test_small_zones_that_can_run_together_are_fine(load, whole, max_open, fine):
    second = whole[whole.index("[[zone]]") :].replace('"lawn"', '"beds"').replace("output = 3", "output = 4")
    text = (whole + second).replace('"72 m2"', '"36 m2"').replace('"06:00"]', f'"06:00"]\nmax_open = {max_open}')
    text = text.replace('capacity = "60 L/min"\n', 'capacity = "60 L/min"\n' + PUMP.replace("20 L/min", "45 L/min"))
    assert (load(text).errors == ()) is fine


def test_master_times_default_to_what_valves_need_and_belong_to_a_master(loaded):
    supply = loaded("master = 7").site.supplies[0]
    assert (supply.master_lead_s, supply.master_lag_s) == (2.0, 5.0)
    supply = loaded('master = 7\nmaster_lead = "4 s"\nmaster_lag = "0 s"').site.supplies[0]
    assert (supply.master_lead_s, supply.master_lag_s) == (4.0, 0.0)
    assert "no master valve" in said(loaded('master_lead = "4 s"').errors, "master_lead")
    assert "between 0 and 10 s" in said(loaded('master = 7\nmaster_lag = "30 s"').errors, "master_lag")


def test_water_too_fast_in_the_main_is_a_finding_and_a_bound():
    """5 ft/s in a bore of 1 in is 12.2 gpm (Jarrett 2000 gives the limit; the flow follows from the area)."""
    supply = Supply(id="main", source="potable", capacity_l_min=60.0, pipe_diameter_mm=25.4)
    assert flow_bound_l_min(supply) / 3.785 == pytest.approx(12.24, abs=0.02)


def test_the_bore_of_the_main_is_told_with_the_zones_it_is_too_narrow_for(loaded):
    found = loaded('pipe_diameter = "1 in"')
    assert found.site.supplies[0].pipe_diameter_mm == pytest.approx(25.4)
    assert "lawn (1.6 m/s)" in said(found.findings, "pipe_diameter")
    assert "carries less than the capacity" in said(loaded('pipe_diameter = "28 mm"').findings, "pipe_diameter")
    assert said(loaded('pipe_diameter = "40 mm"').findings, "pipe_diameter") == ""
    assert "pipe_diameter is missing" in said(loaded('velocity_limit = "1 m/s"').errors, "velocity_limit")


def test_a_minimum_run_is_the_zones_or_the_sites_and_no_longer_than_its_refill(load, whole):
    site = load(whole.replace("[watering]", '[watering]\nminimum_run = "5 min"')).site
    assert site.zones[0].minimum_run_s == 300.0
    site = load(whole.replace("[watering]", '[watering]\nminimum_run = "5 min"') + "minimum_run = 4\n").site
    assert site.zones[0].minimum_run_s == 240.0
    errors = load(whole + 'minimum_run = "30 min"\n').errors  # 11 mm at 40 mm/h and 75 % are 22 min
    assert "22 min refill the zone" in said(errors, "minimum_run")


def test_litres_a_day_that_a_hot_day_needs_more_than_are_a_finding(loaded):
    """8 mm of reference ET at a plant factor of 0.8: 72 m2 x 8 mm x 0.8 / 0.75 are 614 L."""
    table = "[supply.pump]\noutput = 8\nlitres_a_day = "
    assert "need 614 L" in said(loaded("", table + '"600 L"').findings, "pump")
    assert "need" not in said(loaded("", table + '"700 L"').findings, "pump")
