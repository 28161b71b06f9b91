"""The audit command against published cups, and its refusals."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from dewpond.cli.uniformity import uniformity


def cups_file(folder: Path, values) -> Path:
    path = folder / "cups.csv"
    path.write_text("x_m,y_m,value\n" + "".join(f"{n},0,{value}\n" for n, value in enumerate(values)))
    return path


def ask(path: Path, *options: str):
    return CliRunner().invoke(uniformity, [str(path), *options])


def test_cups_in_ml_give_rate_uniformity_and_multiplier(tmp_path):
    """Audit formulas: PR(mm/h) = 600 V(mL)/(t(min) A(cm2)); RTM = 1/(0.4 + 0.6 DU_lq)."""
    values = [20.0] * 18 + [10.0] * 6
    done = ask(cups_file(tmp_path, values), "--minutes", "5", "--cup-area", "100 cm2", "--json")
    found = json.loads(done.stdout)
    assert found["du_lq"] == pytest.approx(10.0 / 17.5)
    assert found["application_rate_mm_h"] == pytest.approx(600 * 17.5 / (5 * 100))
    assert found["run_time_multiplier"] == pytest.approx(1 / (0.4 + 0.6 * 10.0 / 17.5))
    assert found["mean"] == 17.5
    assert done.exit_code == 0


def test_rates_in_inches_an_hour_need_no_minutes(tmp_path):
    found = json.loads(ask(cups_file(tmp_path, [1.0, 1.5, 2.0, 1.5]), "--unit", "in/h", "--json").stdout)
    assert found["application_rate_mm_h"] == pytest.approx(38.1)
    assert "no grade" in found["advice"]


def test_without_minutes_uniformity_is_told_and_the_rate_left_out(tmp_path):
    done = ask(cups_file(tmp_path, [10.0] * 24))
    assert done.exit_code == 0
    assert "100 %" in done.stdout
    assert "--minutes" in done.stdout


@pytest.mark.parametrize(
    ("values", "options", "word"),
    [
        ([10, -1, 10, 10], (), "line 3"),
        ([10, "nan", 10, 10], (), "line 3"),
        ([10], (), "at least 2 cups"),
        ([0, 0, 0, 0], (), "some water"),
        ([33.3] * 24, ("--unit", "mm", "--minutes", "0.1"), "check unit"),
        ([10] * 24, ("--minutes", "-5"), "no run time"),
        ([10] * 24, ("--minutes", "5", "--cup-area", "95 apples"), "no area of a cup"),
    ],
)
def test_nonsense_is_refused_in_one_line(tmp_path, values, options, word):
    done = ask(cups_file(tmp_path, values), *options)
    assert done.exit_code == 2
    assert word in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
