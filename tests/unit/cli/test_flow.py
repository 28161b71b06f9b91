"""``dewpond flow``: files in, alarms out, and plain words for what cannot be used."""

from __future__ import annotations

import gzip
import json
from pathlib import Path

from click.testing import CliRunner, Result

from dewpond.cli.flow import flow

DATA = Path(__file__).parents[2] / "data" / "flow_cases"
CASES = {case["case"]: case for case in json.loads((DATA / "cases.json").read_text(encoding="utf-8"))}


def review(folder: Path, log: str, case: object) -> tuple[Result, Path]:
    (folder / "log.csv").write_text(log, encoding="utf-8")
    (folder / "case.json").write_text(json.dumps(case), encoding="utf-8")
    out = folder / "alarms.json"
    asked = [str(folder / "log.csv"), "--case", str(folder / "case.json"), "--out", str(out)]
    return CliRunner().invoke(flow, asked), out


def log_of(name: str) -> str:
    return gzip.decompress((DATA / f"{name}.csv.gz").read_bytes()).decode()


def test_a_fault_gives_one_alarm_with_all_a_person_needs_and_exit_1(tmp_path):
    result, out = review(tmp_path, log_of("terrace-stuck-open"), CASES["terrace-stuck-open"])
    alarms = json.loads(out.read_text(encoding="utf-8"))
    assert result.exit_code == 1
    assert [(alarm["kind"], alarm["zone"]) for alarm in alarms] == [("stuck_open", 5)]
    assert alarms[0]["case"] == "terrace-stuck-open"
    assert alarms[0]["lost_l"] > 0.0
    assert {"expected_l_min", "seen_l_min", "sure", "action", "what", "next_step"} <= set(alarms[0])


def test_silence_is_an_empty_list_and_exit_0(tmp_path):
    result, out = review(tmp_path, log_of("terrace-calm-blind"), CASES["terrace-calm-blind"])
    assert (result.exit_code, json.loads(out.read_text(encoding="utf-8"))) == (0, [])


def test_a_case_with_a_number_missing_is_refused_with_its_key(tmp_path):
    result, out = review(tmp_path, "t_s,pulses,p_kpa,cmd\n", {"q1_lpm": 1.0, "q3_lpm": 60.0, "row_s": 10})
    assert (result.exit_code, out.exists()) == (2, False)
    assert "pulse_l is None" in result.output


def test_a_list_of_cases_is_refused(tmp_path):
    result, _ = review(tmp_path, "t_s,pulses,p_kpa,cmd\n", list(CASES.values()))
    assert result.exit_code == 2
    assert "one entry" in result.output


def test_a_row_that_is_no_number_is_refused_with_its_line(tmp_path):
    result, _ = review(tmp_path, "t_s,pulses,p_kpa,cmd\n10,1,,0\n20,many,,0\n", CASES["terrace-burst"])
    assert result.exit_code == 2
    assert "line 3" in result.output


def test_a_missing_column_is_refused_by_name(tmp_path):
    result, _ = review(tmp_path, "t_s,pulses,cmd\n10,1,0\n", CASES["terrace-burst"])
    assert result.exit_code == 2
    assert "p_kpa" in result.output
