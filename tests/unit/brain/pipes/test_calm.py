"""Rows taken by the stretch and rows taken one by one come to the same."""

from __future__ import annotations

import csv
import gzip
import json
import math
from pathlib import Path

import numpy as np
import pytest

from dewpond.brain.pipes import MeterSettings, WatchSettings, first, rows_of_log, step, step_block
from dewpond.brain.pipes.columns import Columns, stretches

CASES = Path(__file__).parents[3] / "data" / "flow_cases"
NAMES = (
    "terrace-calm-blind",
    "terrace-burst",
    "terrace-clog",
    "terrace-main-leak",
    "terrace-stuck-open",
    "school-supply-lost",
)


def case(name: str):
    entry = next(item for item in json.loads((CASES / "cases.json").read_text()) if item["case"] == name)
    with gzip.open(CASES / f"{name}.csv.gz", "rt", encoding="utf-8") as text:
        lines = [
            (float(r["t_s"]), float(r["pulses"]), float(r["p_kpa"]) if r["p_kpa"] else None, int(r["cmd"]))
            for r in csv.DictReader(text)
        ]
    meter = MeterSettings(
        pulse_l=entry["pulse_l"], q1_l_min=entry["q1_lpm"], q3_l_min=entry["q3_lpm"], row_s=entry["row_s"]
    )
    return WatchSettings(meter=meter), rows_of_log(lines, meter.pulse_l, meter.row_s)


def openings_of(rows):
    found, since, before_s = [], {}, rows[0].time_s - 1.0
    for row in rows:
        for zone in [zone for zone in since if zone not in row.open_zones]:
            found.append((zone, since.pop(zone), before_s))
        for zone in row.open_zones:
            since.setdefault(zone, before_s)
        before_s = row.time_s
    return found + [(zone, from_s, math.inf) for zone, from_s in since.items()]


def columns_of(rows) -> Columns:
    return Columns(
        time_s=np.array([row.time_s for row in rows]),
        litres=np.array([row.litres for row in rows]),
        window_s=np.array([row.window_s for row in rows]),
        pressure_kpa=np.array([math.nan if row.pressure_kpa is None else row.pressure_kpa for row in rows]),
    )


@pytest.mark.parametrize("name", NAMES)
def test_a_whole_log_at_once_gives_the_verdicts_of_its_rows(name):
    settings, rows = case(name)
    state, told = step(settings, first(settings), rows)
    block_state, block_told = step_block(settings, first(settings), columns_of(rows), openings_of(rows))
    assert [(v.time_s, v.kind, v.zone, v.over) for v in block_told] == [
        (v.time_s, v.kind, v.zone, v.over) for v in told
    ]
    assert block_state.flows.keys() == state.flows.keys()
    for key, flow in state.flows.items():
        assert block_state.flows[key].level == pytest.approx(flow.level, abs=1e-9)
        assert block_state.flows[key].runs == flow.runs


def test_stretches_end_where_a_valve_moves():
    times_s = np.arange(10.0, 110.0, 10.0)
    openings = [("a", 15.0, 40.0), ("b", 40.0, math.inf)]
    assert list(stretches(times_s, openings)) == [(0, 1, ()), (1, 4, ("a",)), (4, 10, ("b",))]
