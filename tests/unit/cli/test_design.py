"""``dewpond design`` and what ``dewpond check`` tells of the same review."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from dewpond.cli.check import check
from dewpond.cli.design import design

ROOT = Path(__file__).parents[3]
SITE, HEADS = ROOT / "deploy" / "sites" / "withy-hollow.toml", ROOT / "deploy" / "sites" / "withy-hollow.heads.csv"
SEASON = ROOT / "tests" / "data" / "seasons" / "newark-nj-2013"


@pytest.fixture
def ask(tmp_path, monkeypatch):
    monkeypatch.setenv("DEWPOND_STATE_DIR", str(tmp_path / "state"))
    return lambda *words: CliRunner().invoke(design, [str(word) for word in words])


def test_a_review_with_plan_season_and_sketch(ask, tmp_path):
    done = ask(SITE, "--heads", HEADS, "--season", SEASON, "--sketch", tmp_path / "sketch.svg")
    assert done.exit_code == 0, done.stderr
    for said in (
        "hottest week of one year of Newark",
        "back-lawn: rotor (lines 18 and 20) heads stand 11.0 m apart",
        "front-lawn on 2 valves: 1) 6 spray heads, 31.2 L/min",
        "[1] ",
        "Local code and licensed practice come first.",
    ):
        assert said in done.stdout
    assert (tmp_path / "sketch.svg").read_text().startswith("<svg")


def test_json_has_number_limit_and_source_of_every_finding(ask):
    found = json.loads(ask(SITE, "--heads", HEADS, "--season", SEASON, "--json").stdout)
    assert {"code", "number", "limit", "source", "remedy", "text"} <= set(found["findings"][0])
    assert [each["zone"] for each in found["regroupings"]] == ["front-lawn", "back-lawn", "bank", "flower-beds"]


def test_a_site_that_never_ran_is_reviewed_with_an_assumed_week(ask):
    done = ask(SITE)
    assert done.exit_code == 0, done.stderr
    assert "8 mm a day assumed for a hot week" in done.stdout


def test_bad_plans_and_sketches_without_places_are_refused(ask, tmp_path):
    bad = tmp_path / "bad.csv"
    bad.write_text("zone,kind,radius_m\nfront-lawn,spray,-1\n")
    done = ask(SITE, "--heads", bad)
    assert done.exit_code == 2
    assert 'bad.csv, line 2: radius_m "-1" cannot be' in done.stderr
    assert ask(SITE, "--heads", tmp_path / "none.csv").exit_code == 2
    done = ask(SITE, "--season", SEASON, "--sketch", tmp_path / "s.svg")
    assert done.exit_code == 2
    assert "no head has a place" in done.stderr
    assert not (tmp_path / "s.svg").exists()


def test_check_tells_each_kind_of_finding_once_and_where_to_read_on():
    done = CliRunner().invoke(check, [str(SITE)])
    assert done.exit_code == 0
    assert "findings of the design review" in done.stdout
    assert done.stdout.count("reach heads rated") == 1
    assert "also bank, flower-beds, kitchen-garden, hedge, orchard" in done.stdout.replace("\n", " ").replace("  ", " ")
    assert "dewpond design withy-hollow.toml" in done.stdout
    plain = json.loads(CliRunner().invoke(check, [str(SITE), "--json"]).stdout)
    assert len([each for each in plain["design"] if each["code"] == "high_pressure"]) == 6
    assert "mixed_kinds" not in {each["code"] for each in plain["design"]}
