"""The ledger against a published dry-down: FAO-56 Example 37, p. 168; the case stands in tests/data/reference."""

from __future__ import annotations

import json
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from sites import site, zone

from dewpond.brain.beliefs import advance_day
from dewpond.brain.zone_table import zone_table

DATA = Path(__file__).parents[2] / "data" / "reference" / "et_and_water_balance.json"
CASE = next(case for case in json.loads(DATA.read_text(encoding="utf-8")) if case["id"] == "fao56-ex37-ks-drydown")
FIRST = date(2026, 6, 1)


def test_tomatoes_on_silt_dry_down_under_stress_as_published():
    given = {name: entry["value"] for name, entry in CASE["inputs"].items()}
    taw_mm = 1000.0 * (given["theta_fc"] - given["theta_wp"]) * given["root_depth"]
    tomatoes = zone(
        crop_coefficient=(given["kc"],) * 12,
        allowed_depletion=given["p"],
        taw_mm=taw_mm,
        raw_mm=given["p"] * taw_mm,  # given, so that p is not adjusted, as in the example
        raw_is_given=True,
    )
    table, depletion_mm = zone_table(site(tomatoes)), np.array([float(given["initial_depletion"])])
    etc_mm, ends_mm = [], []
    for n, eto_mm in enumerate(given["eto"]):
        amounts = advance_day(table, FIRST + timedelta(days=n), depletion_mm, (), eto_mm, 0.0)
        depletion_mm = amounts.depletion_mm
        etc_mm.append(float(amounts.etc_mm[0]))
        ends_mm.append(float(depletion_mm[0]))
    for found, name in ((etc_mm, "etc_adj"), (ends_mm, "depletion_end")):
        expected = CASE["expected"][name]
        assert found == pytest.approx(expected["value"], abs=expected["tolerance"])
