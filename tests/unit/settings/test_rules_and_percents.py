"""Rules by name, and percents that follow the weather, in the site file."""

from __future__ import annotations

import importlib
import sys

import pytest
from rule_package import write_rules

from dewpond.settings import plugins

RULE = "def sparing(question):\n    return {zone.id: 0.0 for zone in question.zones}\n"
BED = """
[[zone]]
id = "bed"
output = 7
area = "60 m2"
plant_factor = 0.5
application_rate = "40 mm/h"
intake_rate = "9 mm/h"
surface_storage = "6 mm"
root_zone_storage = "11 mm"
efficiency = 0.75
"""
PROGRAM = '[[program]]\nname = "Beds"\nzones = {bed = 12}\nstarts = ["05:00"]\n'


@pytest.fixture
def installed(tmp_path, monkeypatch):
    monkeypatch.syspath_prepend(str(write_rules(tmp_path, RULE, "sparing", "refill")))
    importlib.invalidate_caches()
    yield
    sys.modules.pop("withy_rules", None)


def test_an_unknown_rule_is_refused_with_the_list_of_those_that_exist(load, ground, installed):
    (problem,) = load(ground + BED + 'rule = "sprang"\n').errors
    assert problem.key == "rule"
    assert 'there is no rule "sprang"' in problem.what
    assert problem.limit == "known are lookahead, refill, calendar, sparing"


def test_an_installed_plug_in_is_a_rule(load, ground, installed):
    loaded = load(ground + BED + 'rule = "sparing"\n')
    assert loaded.errors == ()
    assert loaded.site.zones[-1].rule == "sparing"


def test_a_plug_in_cannot_take_the_name_of_a_built_in_rule(installed):
    assert plugins.rule_names() == ("lookahead", "refill", "calendar", "sparing")


@pytest.mark.parametrize(
    ("keys", "eto_mm_d", "month"),
    [
        ('set_for = "7 mm/d"', 7.0, None),
        ('set_for = "0.25 in/d"', pytest.approx(6.35), None),
        ('set_for_month = "jul"', None, 7),
        ('set_for_month = "August"', None, 8),
        ("set_for_month = 6", None, 6),
    ],
)
def test_a_percent_from_et_and_what_the_minutes_were_set_for(load, ground, keys, eto_mm_d, month):
    loaded = load(f'{ground}{BED}{PROGRAM}percent = "from ET"\n{keys}\n')
    assert loaded.errors == ()
    (program,) = loaded.site.programs
    assert program.percent_from_et
    assert (program.set_for_eto_mm_d, program.set_for_month) == (eto_mm_d, month)


@pytest.mark.parametrize(
    ("keys", "key", "why"),
    [
        ('percent = "from ET"', "percent", "nothing says what the minutes were set for"),
        ('percent = 80\nset_for_month = "jul"', "set_for_month", "percent is 80"),
        ('percent = "from ET"\nset_for = "7 mm/d"\nset_for_month = "jul"', "set_for_month", "set_for is given too"),
        ('percent = "from ET"\nset_for_month = "ju"', "set_for_month", "is no month"),
        ('percent = "from ET"\nset_for_month = 13', "set_for_month", "is no month"),
        ('percent = "from ET"\nset_for = "7 mm/h"', "set_for", "is a rate, not a depth a day"),
        ('percent = "from ET"\nset_for = "70 mm/d"', "set_for", "cannot be right"),
        ('percent = "from weather"', "percent", "is not a percentage"),
    ],
)
def test_refusals_say_what_and_where(load, ground, keys, key, why):
    errors = [problem for problem in load(f"{ground}{BED}{PROGRAM}{keys}\n").errors if problem.key == key]
    assert len(errors) == 1
    assert why in errors[0].what
    assert errors[0].limit
