"""Audits as plain JSON, for screens and for the record."""

from __future__ import annotations

import json

import pytest
from tests.unit.sites import zone
from tests.unit.upkeep.cup_tables import grid

from dewpond.upkeep.cautions import CAUTIONS as TABLE
from dewpond.upkeep.cups import (
    CAUTIONS,
    AuditRefused,
    audit_shown,
    body_of,
    cup_test,
    judge,
    kept_test,
    plan_shown,
    rectangle,
)

CUPS = grid([30.0] * 18 + [18.0] * 6, placements=3, pressure_kpa=205.0)


def a_test(**more):
    return cup_test(CUPS, **{"unit": "mL", "minutes": 6.0, "mouth_cm2": 95.0, "wind_m_s": 0.8, **more})


def test_a_kept_audit_is_judged_again_to_the_same_figures():
    test = a_test()
    kept = json.loads(json.dumps(body_of(test, judge(test), zone(), accepted=True), allow_nan=False))
    assert kept["zone_then"] == {"application_rate_mm_h": 36.0, "efficiency": 0.75}
    assert kept_test(kept) == test
    assert judge(kept_test(kept)) == judge(test)


def test_a_body_that_no_audit_made_is_refused():
    with pytest.raises(AuditRefused, match="cannot be read"):
        kept_test({"cups": [{"x": 1}]})
    with pytest.raises(AuditRefused, match="is no catch"):
        kept_test({**body_of(a_test(), judge(a_test()), zone()), "cups": [{"x_m": 0, "y_m": 0, "value": -4}] * 1})


def test_what_a_screen_shows_is_plain_and_whole():
    shown = json.loads(json.dumps(audit_shown(a_test(), zone(), a_test()), allow_nan=False))
    assert shown["effect"]["after"]["efficiency"] == pytest.approx(0.8)
    assert shown["change"]["du_lq"] == 0.0
    few = audit_shown(cup_test(CUPS[:5], unit="mL"), zone())
    assert few["effect"] is None
    assert "earn no uniformity grade" in few["why_not_acceptable"]
    plan = json.loads(json.dumps(plan_shown(zone(), rectangle(8, 12), owned=5), allow_nan=False))
    assert (plan["minutes"], plan["placements"], len(plan["places"])) == (5, 5, 24)


def test_the_cautions_of_an_audit_stand_in_the_one_table():
    assert set(CAUTIONS) <= TABLE.keys()
