"""``dewpond replay`` with wrong arguments: what, where, limit and remedy, and nothing left out in silence."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from dewpond_sim.replay.command import replay

DATA = Path(__file__).parents[2] / "data"
SITE = DATA / "sites" / "example-commons.toml"


@pytest.fixture
def season(tmp_path: Path) -> Path:
    """Three days of a recorded season, to be changed."""
    folder = tmp_path / "season"
    folder.mkdir()
    whole = DATA / "seasons" / "newark-nj-2013"
    shutil.copy(whole / "station.json", folder)
    lines = (whole / "daily.csv").read_text().splitlines()
    (folder / "daily.csv").write_text("\n".join([lines[0], *lines[151:154]]) + "\n")
    return folder


def run(season: Path, out: Path, *more: str):
    return CliRunner().invoke(replay, [str(season), "--site", str(SITE), "--out", str(out), *more])


def test_readings_of_a_sensor_that_the_site_lacks_are_named_on_stderr(season, tmp_path):
    rows = "time_utc,sensor,value,unit\n2013-06-01T00:00:00Z,nobody,1,mm\n2013-06-01T01:00:00Z,nobody,1,mm\n"
    (season / "readings.csv").write_text(rows)
    done = run(season, tmp_path / "out")
    assert done.exit_code == 0
    assert "readings.csv: example-commons.toml has no sensor nobody, so its 2 readings are left out" in done.stderr


def test_an_out_folder_that_cannot_be_made_is_told_with_its_remedy(season, tmp_path):
    (tmp_path / "file").write_text("")
    done = run(season, tmp_path / "file" / "out")
    assert done.exit_code == 2
    assert f"--out {tmp_path}/file/out: cannot be made or written (Not a directory)" in done.stderr
    assert "Errno" not in done.stderr


def test_dates_in_the_wrong_order_are_told_as_such(season, tmp_path):
    done = run(season, tmp_path / "out", "--from", "2013-06-03", "--to", "2013-06-01")
    assert done.exit_code == 2
    assert "--from 2013-06-03 --to 2013-06-01: the first date is after the last; exchange the two" in done.stderr
    assert not (tmp_path / "out").exists()


def test_a_value_of_the_season_that_cannot_be_is_named_on_stderr(season, tmp_path):
    lines = (season / "daily.csv").read_text().splitlines()
    cells = lines[1].split(",")
    cells[1] = "500"
    (season / "daily.csv").write_text("\n".join([lines[0], ",".join(cells), *lines[2:]]) + "\n")
    done = run(season, tmp_path / "out")
    assert f"row of {cells[0]}: t_min_c 500 degC refused (limits -90 to 45)" in done.stderr
