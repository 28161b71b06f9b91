"""``dewpond eto`` and ``dewpond feed`` as a person or a script calls them."""

from __future__ import annotations

import csv
import io
import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from dewpond.cli.weather import eto, feed

DATA = Path(__file__).resolve().parents[2] / "data"


def _eto(*arguments: Any) -> Result:
    return CliRunner().invoke(eto, [str(argument) for argument in arguments])


def _feed(*arguments: Any) -> Result:
    return CliRunner().invoke(feed, [str(argument) for argument in arguments])


def _rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


@pytest.fixture
def durable(tmp_path: Path) -> Path:
    """A copy of the De Bilt folder to change."""
    return Path(shutil.copytree(DATA / "seasons" / "de-bilt-nl-2017-2019", tmp_path / "season"))


def test_one_row_a_day_with_date_eto_and_method(durable: Path, tmp_path: Path) -> None:
    done = _eto(durable / "daily.csv", "--station", durable / "station.json", "--out", tmp_path / "out.csv")
    assert done.exit_code == 0
    assert done.stdout == ""
    rows = _rows((tmp_path / "out.csv").read_text())
    assert list(rows[0]) == ["date", "eto_mm", "method"]
    assert len(rows) == 1095
    assert sum(float(row["eto_mm"]) for row in rows if row["date"].startswith("2018")) == pytest.approx(792, rel=0.01)
    assert "1095 of 1095 days" in done.stderr


def test_methods_of_complete_days_differ_from_all_others(durable: Path) -> None:
    path = durable / "daily.csv"
    lines = path.read_text().splitlines()
    cells = [line.split(",") for line in lines[:8]]
    for row, columns in zip(cells[2:], ((5,), (6,), (3, 4), (5, 6), (3, 4, 5, 6), (1, 2)), strict=True):
        for column in columns:
            row[column] = ""
    path.write_text("\n".join(",".join(row) for row in cells) + "\n")
    rows = _rows(_eto(path, "--station", durable / "station.json").stdout)
    assert len({row["method"] for row in rows}) == 7
    assert [row["eto_mm"] == "" for row in rows] == [False] * 6 + [True]


def test_json_goes_to_stdout_and_words_to_stderr(durable: Path) -> None:
    done = _eto(durable / "daily.csv", "--station", durable / "station.json", "--json")
    days = json.loads(done.stdout)
    assert set(days[0]) == {"date", "eto_mm", "method", "sd_mm"}
    assert len(days) == 1095


def test_a_file_of_one_day_works(durable: Path) -> None:
    (durable / "daily.csv").write_text("date,t_min_c,t_max_c\n2027-07-06,12.3,21.5\n")
    (row,) = _rows(_eto(durable / "daily.csv", "--station", durable / "station.json").stdout)
    assert float(row["eto_mm"]) > 3.0
    assert "Hargreaves" in row["method"]


def test_a_mix_up_of_units_is_named_with_its_remedy(durable: Path) -> None:
    (durable / "daily.csv").write_text("date,t_min_c,t_max_c,solar_mj_m2\n2027-07-06,12.3,21.5,255\n")
    done = _eto(durable / "daily.csv", "--station", durable / "station.json")
    assert done.exit_code == 0
    assert "looks like a mean in W/m2" in done.stderr


def test_a_day_without_a_value_is_told_with_its_row_and_reason(durable: Path) -> None:
    (durable / "daily.csv").write_text("date,t_min_c,t_max_c\n2027-07-06,30,10\n2027-07-07,500,20\n")
    done = _eto(durable / "daily.csv", "--station", durable / "station.json")
    assert "row of 2027-07-06: t_min_c and t_max_c taken as swapped" in done.stderr
    assert "row of 2027-07-07: t_min_c 500 degC refused (limits -90 to 45)" in done.stderr


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("daily.csv", "date,t_min_c\n2027-07-06,3\n"),
        ("daily.csv", "date,t_min_c,t_max_c\n2027-07-06,3,warm\n"),
        ("daily.csv", ""),
        ("station.json", '{"latitude": 523, "elevation_m": 3}'),
        ("station.json", "not json"),
    ],
)
def test_bad_input_is_one_line_and_exit_2(durable: Path, name: str, text: str) -> None:
    (durable / name).write_text(text)
    done = _eto(durable / "daily.csv", "--station", durable / "station.json")
    assert done.exit_code == 2
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1
    assert name in done.stderr


def test_an_absent_file_or_an_unwritable_out_is_one_line_and_exit_2(durable: Path, tmp_path: Path) -> None:
    absent = _eto(tmp_path / "none.csv", "--station", durable / "station.json")
    unwritable = _eto(
        durable / "daily.csv", "--station", durable / "station.json", "--out", tmp_path / "no" / "out.csv"
    )
    for done in (absent, unwritable):
        assert done.exit_code == 2
        assert done.stderr.splitlines()[-1].startswith("error: ")


@pytest.mark.parametrize(
    ("kind", "name"),
    [("open-meteo", "openmeteo_forecast_sample"), ("met-norway", "metno_locationforecast_compact_sample")],
)
def test_feed_prints_the_keys_of_the_expected_answer(kind: str, name: str) -> None:
    done = _feed(kind, DATA / "feeds" / f"{name}.json", "--json")
    expected = json.loads((DATA / "feeds" / f"{name}.expected.json").read_text())
    found = json.loads(done.stdout)
    assert done.exit_code == 0
    assert set(expected) - set(found) <= {"http_headers_example"}
    assert found["rain_total_mm"] == expected["rain_total_mm"]
    assert all({"start", "end", "rain_mm", "probability"} <= set(interval) for interval in found["rain_intervals_utc"])


def test_feed_shows_a_table_to_people() -> None:
    done = _feed("open-meteo", DATA / "feeds" / "openmeteo_forecast_sample.json")
    assert "rain 8 mm" in done.stdout
    assert "reference ET 13.83 mm" in done.stdout


def test_feed_reads_a_logger_file_by_its_options(tmp_path: Path) -> None:
    path = tmp_path / "logger.csv"
    path.write_text("Zeit;Regen\n14.05.2027 01:00;0,5\n14.05.2027 02:00;x\n")
    done = _feed(
        "csv", path, "--json", "--delimiter", ";", "--decimal", ",", "--time-column", "Zeit", "--time-format",
        "%d.%m.%Y %H:%M", "--rain-column", "Regen", "--sentinel", "x", "--zone", "Europe/Berlin", "--stamp", "start",
    )  # fmt: skip
    found = json.loads(done.stdout)
    assert (found["rain_total_mm"], found["rain_missing_hours"]) == (0.5, 1)
    assert found["covered_from"] == "2027-05-13T23:00:00Z"


def test_feed_rejects_dates_far_from_the_time_it_was_received() -> None:
    path = DATA / "feeds" / "openmeteo_forecast_sample.json"
    done = _feed("open-meteo", path, "--json", "--received-at", "2027-05-14T06:00:00Z")
    assert len(json.loads(done.stdout)["rejected"]) == 72
    assert "far from 2027-05-14" in done.stderr


@pytest.mark.parametrize(
    ("text", "said"),
    [("{", "not the form of open-meteo"), ("[]", "is not one JSON object"), ('{"error": true}', "error")],
)
def test_feed_refuses_other_documents_in_one_line_with_exit_2(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "answer.json"
    path.write_text(text)
    done = _feed("open-meteo", path)
    assert done.exit_code == 2
    assert done.stderr.count("\n") == 1
    assert said in done.stderr


def test_feed_refuses_a_time_without_offset() -> None:
    path = DATA / "feeds" / "openmeteo_forecast_sample.json"
    assert _feed("open-meteo", path, "--received-at", "2027-05-14T06:00:00").exit_code == 2
