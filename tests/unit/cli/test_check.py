"""``dewpond check``: readable, complete, with the right exit code."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from dewpond.cli.check import check

SITES = Path(__file__).parents[3] / "deploy" / "sites"
BAD = '[site]\nname = "x"\nlatitude = 91\nlongitude = 0\ntimezone = "UTC"\nunit = "us"\n[[supply]]\nid = "main"\n'


@pytest.fixture
def run():
    def ran(*arguments):
        return CliRunner().invoke(check, [str(argument) for argument in arguments])

    return ran


@pytest.fixture
def bad(tmp_path):
    path = tmp_path / "bad.toml"
    path.write_text(BAD)
    return path


def test_findings_alone_are_no_fault(run):
    result = run(SITES / "small-garden.toml")
    assert result.exit_code == 0
    assert "small-garden.toml: Alder Row, 4 zones on 1 supply, no errors" in result.stdout
    assert "no meter: dewpond is not watching these pipes" in result.stdout


def test_errors_are_bad_input(run, bad):
    result = run(bad)
    assert result.exit_code == 2
    assert "bad.toml: 2 errors, the site cannot run" in result.stdout
    assert 'line 6, unit: unknown key; was "units" meant?' in result.stdout


def test_the_output_fits_eighty_columns(run, bad):
    for path in (bad, *SITES.glob("*.toml")):
        assert max(len(line) for line in run(path).stdout.splitlines()) <= 80


def test_json_has_errors_and_findings_apart(run, bad):
    plain = json.loads(run(bad, "--json").stdout)
    assert plain["site"] == str(bad)
    assert {error["key"] for error in plain["errors"]} == {"latitude", "unit"}
    assert set(plain["errors"][0]) >= {"file", "table", "key", "what", "limit", "remedy", "line", "text"}
    assert {finding["key"] for finding in plain["findings"]} == {"capacity", "meter"}


def test_json_of_a_good_site_ends_with_0(run):
    result = run(SITES / "withy-hollow.toml", "--json")
    assert result.exit_code == 0
    assert json.loads(result.stdout)["errors"] == []


def test_a_missing_file_is_one_clear_line(run, tmp_path):
    result = run(tmp_path / "nowhere.toml")
    assert result.exit_code == 2
    assert result.stdout.strip().endswith(
        "nowhere.toml: cannot be read: No such file or directory; check the name and who may read it."
    )
    assert len(result.stdout.strip().splitlines()) == 1
