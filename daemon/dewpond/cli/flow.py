"""``dewpond flow``: a meter log reviewed offline, row by row, with the daemon's own pipe watch."""

from __future__ import annotations

import csv
import json
import math
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import click

from dewpond.brain.pipes import MeterSettings, Verdict, WatchSettings, first, rows_of_log, step
from dewpond.cli.answers import FAULTS, fail

COLUMNS = ("t_s", "pulses", "p_kpa", "cmd")
# Key of the case -> largest value that makes sense; all must be above 0. A wrong unit shows here.
NUMBERS = {"pulse_l": 10_000.0, "q1_lpm": 100_000.0, "q3_lpm": 1_000_000.0, "row_s": 300.0}
Line = tuple[float, float, float | None, int]


@click.command()
@click.argument("meter_csv", type=click.Path(path_type=Path))
@click.option("--case", "case_file", required=True, type=click.Path(path_type=Path), help="JSON: the meter of the log")
@click.option("--out", required=True, type=click.Path(path_type=Path), help="write the alarms to this JSON file")
def flow(meter_csv: Path, case_file: Path, out: Path) -> None:
    """Review a meter log offline with the daemon's own detectors.

    METER_CSV has the columns t_s, pulses, p_kpa, cmd. Exit 0 when nothing is wrong, 1 when there are alarms.
    """
    case = _case(case_file)
    settings = WatchSettings(
        meter=MeterSettings(
            pulse_l=case["pulse_l"],
            q1_l_min=case["q1_lpm"],
            q3_l_min=case["q3_lpm"],
            shared=bool(case.get("shared_meter", False)),
            row_s=case["row_s"],
        )
    )
    rows = rows_of_log(_lines(meter_csv), settings.meter.pulse_l, settings.meter.row_s)
    _, verdicts = step(settings, first(settings), rows)
    alarms = [_plain(case.get("case"), verdict) for verdict in verdicts if not (verdict.over or verdict.again)]
    _write(out, alarms)
    for verdict in verdicts:
        click.echo(_line(verdict), err=True)
    sys.exit(FAULTS if alarms else 0)


def _case(path: Path) -> dict[str, Any]:
    """The meter's data; exits with one line when they cannot be used."""
    try:
        case = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as problem:
        fail(f"{path}: cannot be read as JSON ({problem}); give one object with pulse_l, q1_lpm, q3_lpm, row_s")
    if not isinstance(case, dict):
        fail(f"{path}: holds a {type(case).__name__}, not one object; give one entry of the list")
    for key, limit in NUMBERS.items():
        value = case.get(key)
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0.0 < value <= limit:
            fail(f"{path}: {key} is {value!r}; it must be a number above 0 and at most {limit:g}")
    return case


def _lines(path: Path) -> Iterator[Line]:
    """The rows of a log as numbers; exits with one line at the first that cannot be used."""
    try:
        with path.open(encoding="utf-8", newline="") as text:
            reader = csv.DictReader(text)
            missing = [name for name in COLUMNS if name not in (reader.fieldnames or ())]
            if missing:
                fail(f"{path}, line 1: column {', '.join(missing)} is missing; the header must be {','.join(COLUMNS)}")
            for row in reader:
                yield _numbers(path, reader.line_num, row)
    except (OSError, UnicodeDecodeError, csv.Error) as problem:
        fail(f"{path}: cannot be read as CSV ({problem}); unpack it first if it is compressed")


def _numbers(path: Path, line: int, row: Mapping[str, str | None]) -> Line:
    try:
        at_s, pulses = float(row["t_s"] or ""), float(row["pulses"] or "")
        pressure_kpa = float(row["p_kpa"]) if row["p_kpa"] else None
        mask = int(row["cmd"] or "")
    except ValueError as problem:
        fail(f"{path}, line {line}: {problem}; t_s, pulses and cmd must be numbers, p_kpa a number or empty")
    if not math.isfinite(at_s) or not 0.0 <= pulses < math.inf or mask < 0 or not math.isfinite(pressure_kpa or 0.0):
        fail(f"{path}, line {line}: numbers must be finite, pulses and cmd not below 0; correct the row")
    return at_s, pulses, pressure_kpa, mask


def _plain(case: object, verdict: Verdict) -> dict[str, Any]:
    """One alarm of the file; zones are numbers there."""
    return {
        "case": case,
        "t_s": verdict.time_s,
        "kind": verdict.kind,
        "zone": None if verdict.zone is None else int(verdict.zone),
        "zones": [int(zone) for zone in verdict.zones],
        "lost_l": round(verdict.lost_l, 1),
        "expected_l_min": _rounded(verdict.expected_l_min),
        "seen_l_min": _rounded(verdict.seen_l_min),
        "sure": verdict.sure,
        "action": verdict.action,
        "what": verdict.what,
        "next_step": verdict.next_step,
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 3)


def _write(out: Path, alarms: list[dict[str, Any]]) -> None:
    try:
        out.write_text(json.dumps(alarms, indent=1) + "\n", encoding="utf-8")
    except OSError as problem:
        fail(f"{out}: cannot be written ({problem}); give a file in a folder you may write to")


def _line(verdict: Verdict) -> str:
    """One verdict as a line for the person at the terminal."""
    head = f"{verdict.time_s:.0f} s: {'over: ' if verdict.over else 'again: ' if verdict.again else ''}{verdict.kind}"
    return head if verdict.over else f"{head}. {verdict.what} {verdict.next_step}"
