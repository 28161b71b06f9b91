"""``dewpond audit``: plan, judge, accept; numbers change only when a person agrees."""

from __future__ import annotations

import json
import shutil
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner

from dewpond.cli.audit import audit, mouth_cm2

SITES = Path(__file__).parents[3] / "deploy" / "sites"


@pytest.fixture
def site(tmp_path):
    return Path(shutil.copy(SITES / "withy-hollow.toml", tmp_path / "site.toml"))


@pytest.fixture
def ask():
    def asked(*words):
        return CliRunner().invoke(audit, [str(word) for word in words])

    return asked


@pytest.fixture
def cups(tmp_path):
    path = tmp_path / "cups.csv"
    rows = [f"{2 * (n % 6)},{2 * (n // 6)},{14 if n in (4, 5, 10, 11, 16, 17) else 30}" for n in range(24)]
    path.write_text("x_m,y_m,value\n" + "\n".join(rows) + "\n")
    return path


HOW = ("--minutes", "6", "--cup-mouth", "11 cm", "--wind", "1.0")


def test_a_plan_writes_the_table_that_cups_reads_back(site, ask, tmp_path):
    table = tmp_path / "table.csv"
    done = ask("plan", site, "front-lawn", "--size", "8 m x 12 m", "--owned", 5, "--out", table)
    assert done.exit_code == 0
    assert "in 5 placements" in done.stdout
    assert "run 5 min for each placement (spray heads)" in done.stdout
    assert "! Wet grass is slippery" in done.stdout
    lines = table.read_text().splitlines()
    table.write_text("\n".join([lines[0], *(line.replace(",,", ",25,") for line in lines[1:])]) + "\n")
    found = json.loads(ask("cups", site, "front-lawn", table, *HOW, "--json").stdout)
    assert (found["graded"], found["placements"], found["du_lq"]) == (True, 5, 1.0)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("nowhere",), 'there is no "nowhere"; known are front-lawn'),
        (("hedge",), "drip gives nothing from above"),
        (("front-lawn", "--size", "8 x 12"), "two lengths with their units"),
        (("front-lawn", "--size", "8 m"), "two lengths with their units"),
        (("front-lawn", "--owned", 0), "cups owned: 0"),
    ],
)
def test_nonsense_is_refused_with_one_line(site, ask, words, said):
    done = ask("plan", site, *words)
    assert done.exit_code == 2
    assert said in done.stderr
    assert not done.stdout


def test_cups_are_judged_with_effect_and_map(site, ask, cups, tmp_path):
    before = site.read_bytes()
    done = ask("cups", site, "front-lawn", cups, *HOW, "--map", tmp_path / "map.svg", "--before", cups)
    assert done.exit_code == 0
    assert "low-quarter uniformity" in done.stdout
    assert "likely: one head there is clogged" in done.stdout
    assert "now    38.0 mm/h, efficiency 0.77" in done.stdout
    assert "cannot tell it from chance" in done.stdout
    assert (tmp_path / "map.svg").read_text().startswith("<svg")
    assert site.read_bytes() == before


def test_an_audit_without_a_grade_says_why_it_cannot_be_accepted(site, ask, tmp_path):
    few = tmp_path / "few.csv"
    few.write_text("x_m,y_m,value\n0,0,30\n3,0,31\n0,3,9\n3,3,30\n1.5,1.5,30\n")
    done = ask("cups", site, "front-lawn", few, *HOW)
    assert done.exit_code == 0
    assert "too few cups for a grade" in done.stdout
    assert "5 cups earn no uniformity grade" in done.stdout
    refused = ask("accept", site, "front-lawn", few, *HOW, "--agree")
    assert refused.exit_code == 2


def test_numbers_are_written_together_only_when_a_person_agrees(site, ask, cups):
    text = site.read_text()
    refused = ask("accept", site, "front-lawn", cups, *HOW)
    assert refused.exit_code == 2
    assert "nothing was written" in refused.stderr
    assert site.read_text() == text
    assert ask("accept", site, "front-lawn", cups, *HOW, "--agree").exit_code == 0
    zone = tomllib.loads(site.read_text())["zone"][0]
    assert zone["application_rate"] == "27.4 mm/h"  # 600 x 26/(6 x 95.03)
    assert zone["efficiency"] == 0.723  # 0.4 + 0.6 x 14/26
    assert "distribution_uniformity" not in zone
    assert {line for line in text.splitlines() if "[[zone]]" in line} <= set(site.read_text().splitlines())
    assert list(site.parent.glob(".*")) == []


def test_nonsense_in_a_table_or_an_option_writes_nothing(site, ask, cups):
    text = site.read_text()
    for words, said in (
        (("--minutes", "0.1", "--cup-mouth", "11 cm"), "minutes: 0.1 cannot be"),
        (("--minutes", "6", "--cup-mouth", "11"), 'cup mouth: "11" is none'),
        (("--minutes", "6", "--cup-mouth", "3 m"), "cup mouth"),
        (("--minutes", "6", "--cup-mouth", "11 cm", "--wind", "4"), "at most 2.2 m/s"),
        (("--unit", "mm", "--minutes", "1"), "at most 400 mm/h"),
    ):
        done = ask("accept", site, "front-lawn", cups, *words, "--agree")
        assert done.exit_code == 2, words
        assert said in done.stderr
    assert site.read_text() == text


def test_a_mouth_is_a_diameter_or_an_area():
    assert mouth_cm2("11 cm") == pytest.approx(95.03, abs=0.01)
    assert mouth_cm2("95 cm2") == 95.0
    assert mouth_cm2("14.5 in2") == pytest.approx(93.55, abs=0.01)
    assert mouth_cm2(None) is None


def test_drip_is_judged_from_its_own_table(ask, tmp_path):
    table = tmp_path / "drip.csv"
    rows = [f"1,{place},{ml}" for place, ml in [("start", 40)] * 4 + [("middle", 40)] * 4 + [("end", 32)] * 4]
    table.write_text("line,place,ml\n" + "\n".join(rows) + "\n")
    done = ask("drip", table, "--seconds", "60", "--filter-kpa", "250", "200", "--flush", "dirty")
    assert done.exit_code == 0
    for said in ("12 emitters, mean 2.24 L/h", "ends of lines give 1.92", "the filter takes 50 kPa", "was dirty"):
        assert said in done.stdout
    assert ask("drip", table, "--seconds", "1").exit_code == 2
