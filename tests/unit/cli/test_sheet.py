"""``dewpond sheet``: a page that fits 80 columns, in the site's units, with its sources."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from dewpond.cli.main import main

DATA = Path(__file__).parents[2] / "data"
SITE = Path(__file__).parents[3] / "deploy" / "sites" / "small-garden.toml"
SEASON = DATA / "seasons" / "newark-nj-2013"


@pytest.fixture
def run(tmp_path, monkeypatch):
    monkeypatch.setenv("DEWPOND_STATE_DIR", str(tmp_path / "state"))
    return lambda *arguments: CliRunner().invoke(main, ["sheet", *(str(argument) for argument in arguments)])


def test_a_season_gives_both_columns_within_80(run):
    result = run(SITE, "--season", SEASON)
    assert result.exit_code == 0, result.output
    assert max(len(line.rstrip()) for line in result.stdout.splitlines()) <= 80
    assert "with rain" in result.stdout
    assert "Local watering rules win" in " ".join(result.stdout.split())


def test_without_weather_it_says_what_it_assumed(run, tmp_path):
    result = run(SITE)
    assert result.exit_code == 0, result.output
    assert "assumed: days of 10 to 25 degC at this latitude" in " ".join(result.stdout.split())
    assert "with rain" not in result.stdout


def test_json_holds_every_zone_and_month(run):
    body = json.loads(run(SITE, "--season", SEASON, "--json").stdout)
    assert len(body["weather"]) == 12
    assert all(len(zone["rows"]) == 12 for zone in body["zones"])
    assert all(sum(row["peak"] for row in zone["rows"]) == 1 for zone in body["zones"])


def test_us_units_are_shown_where_the_site_has_them(run, tmp_path):
    path = tmp_path / "us.toml"
    text = SITE.read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if not line.startswith("units")]
    lines.insert(lines.index("[site]") + 1, 'units = "us"')
    path.write_text("\n".join(lines), encoding="utf-8")
    result = run(path)
    assert "in/d" in result.stdout
    assert "gal" in result.stdout


def test_a_folder_that_is_no_season_is_bad_input(run, tmp_path):
    assert run(SITE, "--season", tmp_path).exit_code == 2
