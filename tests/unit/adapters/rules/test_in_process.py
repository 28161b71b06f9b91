"""The rule of DEVELOPERS.md, and others, called at once."""

from __future__ import annotations

import importlib
import re
import sys
import tomllib
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from rule_package import write_rules
from sites import site, zone
from small_world import SmallWorld

from dewpond.adapters.rules.in_process import InProcessRules
from dewpond.model.rule_question import RULES_GROUP

GUIDE = (Path(__file__).parents[4] / "DEVELOPERS.md").read_text(encoding="utf-8")
CODE = re.search(r"```python\n(.*?)```", GUIDE[GUIDE.index("**A rule**") :], re.DOTALL)[1]
TABLE = re.search(r"```toml\n(.*?)```", GUIDE[GUIDE.index("**A rule**") :], re.DOTALL)[1]
MORE = """

def broken(question):
    return {zone.id: 1 / 0 for zone in question.zones}


def leaving(question):
    raise SystemExit("enough")
"""


@pytest.fixture
def world(tmp_path, monkeypatch):
    monkeypatch.syspath_prepend(str(write_rules(tmp_path, CODE + MORE, "sparing", "broken", "leaving")))
    importlib.invalidate_caches()

    def built(rule, depletion_share=1.0):
        small = SmallWorld(site(zone(rule=rule)), depletion_share=depletion_share)
        small.runner.ports = replace(small.runner.ports, rules=InProcessRules())
        small.until(20.8)
        small.plan(date(2026, 6, 1))
        return small

    yield built
    sys.modules.pop("withy_rules", None)


def told(small):
    return " ".join(small.state.reasons["lawn"].sentences())


def test_the_documented_package_names_its_rule_where_it_is_looked_for():
    points = tomllib.loads(TABLE)["project"]["entry-points"]
    assert points == {RULES_GROUP: {"sparing": "withy_rules:sparing"}}


def test_the_documented_rule_decides_in_the_same_pass(world):
    dry, moist = world("sparing"), world("sparing", depletion_share=0.0)
    assert 'The rule "sparing" asked for' in told(dry)
    assert "Provisional" not in told(dry)
    assert dry.state.reasons["lawn"].net_mm > 5.0
    assert "asked for 0.0 mm: it can wait until tomorrow" in told(moist)
    assert not moist.state.openings


@pytest.mark.parametrize(
    ("rule", "why"),
    [
        ("broken", "failed (ZeroDivisionError: division by zero); refilled instead"),
        ("leaving", "left by itself (exit enough) instead of answering; refilled instead"),
        ("absent", "failed (LookupError: no rule of this name is installed under dewpond.rules); refilled instead"),
    ],
)
def test_a_rule_that_fails_is_refilled(world, rule, why):
    small = world(rule)
    assert why in told(small)
    assert small.state.openings
    assert small.state.alarms[f"fault/rule {rule}"].kind == "service_fault"
