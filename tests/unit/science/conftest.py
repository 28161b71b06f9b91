"""Reads the published cases of reference ET, soil water and crop coefficients for the tests that ask for them.

Cases, sources and tolerances: tests/data/reference/et_and_water_balance.json.
"""

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

DATA = Path(__file__).parents[2] / "data" / "reference" / "et_and_water_balance.json"
CASES: dict[str, dict[str, Any]] = {case["id"]: case for case in json.loads(DATA.read_text(encoding="utf-8"))}
WEATHER_GROUPS = {
    "et-parts",
    "radiation",
    "eto-daily",
    "eto-hourly",
    "eto-monthly",
    "asce-parts",
    "asce-daily",
    "asce-hourly",
}


@dataclass(frozen=True)
class PublishedFigure:
    """One printed figure of one case."""

    case_id: str
    name: str

    def check(self, calculators: Mapping[str, Callable[[Mapping[str, Any]], Mapping[str, Any]]]) -> None:
        """Calculate the case and compare this figure; the calculator is the one whose name begins the id furthest."""
        case = CASES[self.case_id]
        names = [name for name in calculators if self.case_id.startswith(name)]
        assert names, f"no calculator for {self.case_id}"
        result = np.asarray(calculators[max(names, key=len)](inputs_of(case))[self.name], dtype=float)
        expected = case["expected"][self.name]
        printed = np.asarray(expected["value"], dtype=float)
        assert printed.ndim == 0 or result.shape == printed.shape
        # One part in 10^9 above a tolerance of 0 is the rounding of a table given in another unit.
        worst = float(np.max(np.abs(result - printed)))
        assert worst <= expected["tolerance"] + 1e-9, f"{result}, printed {printed} in {case['source']}"


def inputs_of(case: Mapping[str, Any]) -> dict[str, Any]:
    """Inputs of a case as floats, arrays of floats, or texts."""
    values = {}
    for name, entry in case["inputs"].items():
        value = entry["value"]
        text = isinstance(value, str) or (isinstance(value, list) and isinstance(value[0], str))
        values[name] = value if text else np.asarray(value, dtype=float)[()]
    return values


def cases_about(subject: str) -> list[str]:
    """Ids of the cases on weather, or of all others: together they are all there are."""
    return [case_id for case_id, case in CASES.items() if (case["group"] in WEATHER_GROUPS) == (subject == "weather")]


@pytest.fixture
def published_ids(request: pytest.FixtureRequest) -> list[str]:
    """Ids of the cases the asking file is about."""
    return cases_about(request.module.PUBLISHED_ABOUT)


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """One test for every printed figure of the cases a file is about."""
    if "published_figure" in metafunc.fixturenames:
        ids = cases_about(metafunc.module.PUBLISHED_ABOUT)
        figures = [PublishedFigure(case_id, name) for case_id in ids for name in CASES[case_id]["expected"]]
        metafunc.parametrize("published_figure", figures, ids=[f"{figure.case_id}:{figure.name}" for figure in figures])
