"""The pipe watch on logs with a known truth, and on small logs made by hand."""

from __future__ import annotations

import csv
import gzip
import json
import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from dewpond.brain.pipes import (
    MeterRow,
    MeterSettings,
    Verdict,
    WatchSettings,
    WatchState,
    accepted,
    columns_of_block,
    first,
    knows,
    rows_of_log,
    step,
    step_block,
)
from dewpond.brain.pipes.settings import ZoneLimits
from dewpond.model.codec import from_plain, to_plain

DATA = Path(__file__).parents[3] / "data" / "flow_cases"
CASES = json.loads((DATA / "cases.json").read_text(encoding="utf-8"))
DAY_S = 86_400.0
METER = MeterSettings(pulse_l=1.0, q1_l_min=0.3, q3_l_min=60.0)
SETTINGS = WatchSettings(meter=METER)


def settings_of(case: dict[str, Any]) -> WatchSettings:
    return WatchSettings(
        meter=MeterSettings(
            pulse_l=case["pulse_l"],
            q1_l_min=case["q1_lpm"],
            q3_l_min=case["q3_lpm"],
            shared=case["shared_meter"],
            row_s=case["row_s"],
        )
    )


def rows_of(case: dict[str, Any]) -> tuple[MeterRow, ...]:
    with gzip.open(DATA / f"{case['case']}.csv.gz", "rt", encoding="utf-8", newline="") as text:
        lines = [
            (float(r["t_s"]), float(r["pulses"]), float(r["p_kpa"]) if r["p_kpa"] else None, int(r["cmd"]))
            for r in csv.DictReader(text)
        ]
    return rows_of_log(lines, case["pulse_l"], case["row_s"])


def told(settings: WatchSettings, rows: tuple[MeterRow, ...]) -> list[Verdict]:
    return [verdict for verdict in step(settings, first(settings), rows)[1] if not verdict.over]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["case"])
def test_each_fault_is_told_in_time_by_its_kind_and_zone_and_nothing_else_is(case):
    verdicts, truth = told(settings_of(case), rows_of(case)), case["truth"]
    if truth is None:
        assert verdicts == []
        return
    assert [verdict for verdict in verdicts if verdict.kind not in truth["accept_kinds"]] == []
    assert truth["t_phys_s"] <= verdicts[0].time_s <= truth["t_due_s"]
    assert truth["zone"] is None or verdicts[0].zone == str(truth["zone"])
    assert verdicts[0].what
    assert verdicts[0].next_step


def test_a_log_cut_after_a_verdict_gives_the_same_verdicts_up_to_there():
    case = next(case for case in CASES if case["case"] == "terrace-burst")
    settings, rows = settings_of(case), rows_of(case)
    whole = told(settings, rows)
    cut = tuple(row for row in rows if row.time_s <= whole[0].time_s)
    assert told(settings, cut) == whole[:1]


def test_names_of_case_and_site_and_the_length_of_the_log_are_never_read():
    case = next(case for case in CASES if case["case"] == "terrace-stuck-open")
    renamed = {key: value for key, value in case.items() if key not in ("case", "site", "rows", "days")}
    assert told(settings_of({**renamed, "case": "x"}), rows_of(case)) == told(settings_of(case), rows_of(case))


def test_a_watch_restored_from_its_snapshot_goes_on_as_if_nothing_had_happened():
    case = next(case for case in CASES if case["case"] == "terrace-main-leak")
    settings, rows = settings_of(case), rows_of(case)
    half = len(rows) // 2
    state, before = step(settings, first(settings), rows[:half])
    restored = from_plain(WatchState, json.loads(json.dumps(to_plain(state))))
    assert restored == state
    _, after = step(settings, restored, rows[half:])
    assert (*before, *after) == step(settings, first(settings), rows)[1]


# A site made by hand: zone 1 passes 18 L/min (3 L a row), refill 6 L, runs of ten minutes; 1 L a pulse, no pressure.


def run(start_s: float, row_l: float = 3.0, zone: str = "1", refill_l: float = 6.0) -> Iterator[MeterRow]:
    yield MeterRow(start_s, row_l, 10.0, None, (zone,))
    yield MeterRow(start_s + 10.0, row_l + refill_l, 10.0, None, (zone,))
    for place in range(2, 60):
        yield MeterRow(start_s + 10.0 * place, row_l, 10.0, None, (zone,))
    for place in range(60, 67):
        yield MeterRow(start_s + 10.0 * place, 1.0 if place == 60 else 0.0, 10.0, None, ())


def quiet(from_s: float, to_s: float, litres: float = 0.0) -> Iterator[MeterRow]:
    at_s = from_s
    while at_s < to_s:
        at_s = min(at_s + 300.0, to_s)
        yield MeterRow(at_s, litres, 300.0, None, ())


def days(count: int, first_day: int = 0) -> Iterator[MeterRow]:
    for day in range(first_day, first_day + count):
        yield from run(day * DAY_S + 10_000.0)
        yield from quiet(day * DAY_S + 10_660.0, (day + 1) * DAY_S + 9_990.0)


def after_days(count: int) -> WatchState:
    state, verdicts = step(SETTINGS, first(SETTINGS), tuple(days(count)))
    assert verdicts == ()
    return state


def test_it_is_not_watching_before_three_runs_are_known():
    assert not knows(SETTINGS, after_days(2), "1")
    assert knows(SETTINGS, after_days(3), "1")
    _, verdicts = step(SETTINGS, after_days(2), tuple(run(2 * DAY_S + 10_000.0, row_l=9.0)))
    assert verdicts == ()


def test_a_refill_as_usual_is_no_break_but_flow_that_stays_is():
    state = after_days(5)
    assert step(SETTINGS, state, tuple(run(5 * DAY_S + 10_000.0)))[1] == ()
    _, verdicts = step(SETTINGS, state, tuple(run(5 * DAY_S + 10_000.0, row_l=8.0)))
    assert [(verdict.kind, verdict.zone) for verdict in verdicts] == [("lateral_break", "1")]
    assert verdicts[0].time_s <= 5 * DAY_S + 10_060.0
    assert verdicts[0].action == "stop zone"
    assert "wet ground" in verdicts[0].next_step


def test_a_zone_that_stays_dry_is_told_before_a_minute_is_over_and_called_shut():
    dry = tuple(run(5 * DAY_S + 10_000.0, row_l=0.0, refill_l=0.0))
    _, verdicts = step(SETTINGS, after_days(5), dry)
    assert [(verdict.kind, verdict.zone) for verdict in verdicts] == [("no_flow", "1")]
    assert verdicts[0].time_s <= 5 * DAY_S + 10_060.0


def test_a_valve_that_does_not_close_is_told_at_once_and_is_over_when_the_water_stops():
    rows = [row for row in run(5 * DAY_S + 10_000.0) if row.open_zones]
    end_s = rows[-1].time_s
    rows += [MeterRow(end_s + 10.0 * place, 3.0, 10.0, None, ()) for place in range(1, 30)]
    rows += list(quiet(rows[-1].time_s, rows[-1].time_s + 1500.0))
    _, verdicts = step(SETTINGS, after_days(5), tuple(rows))
    assert [(verdict.kind, verdict.zone, verdict.over) for verdict in verdicts] == [
        ("stuck_open", "1", False),
        ("stuck_open", "1", True),
    ]
    assert verdicts[0].time_s <= end_s + 45.0


def test_one_pulse_with_all_valves_closed_is_nothing_and_a_second_soon_after_is_a_flow():
    at_s = 5 * DAY_S + 50_000.0
    state, nothing = step(SETTINGS, after_days(5), (MeterRow(at_s, 1.0, 100.0, None, ()),))
    assert nothing == ()
    _, verdicts = step(SETTINGS, state, (MeterRow(at_s + 60.0, 1.0, 60.0, None, ()),))
    assert [(verdict.kind, verdict.zone) for verdict in verdicts] == [("idle_flow", None)]
    _, later = step(SETTINGS, state, (*quiet(at_s, at_s + 3600.0), MeterRow(at_s + 3700.0, 1.0, 100.0, None, ())))
    assert later == ()


def test_a_great_idle_flow_is_a_broken_main():
    _, verdicts = step(SETTINGS, after_days(5), (MeterRow(5 * DAY_S + 50_000.0, 12.0, 10.0, None, ()),))
    assert [(verdict.kind, verdict.action) for verdict in verdicts] == [("main_break", "close the master valve")]


def test_a_fault_is_told_once_and_again_only_after_it_was_over():
    state = after_days(5)
    broken = tuple(run(5 * DAY_S + 10_000.0, row_l=8.0))
    state, verdicts = step(SETTINGS, state, broken)
    assert len(verdicts) == 1
    state, verdicts = step(SETTINGS, state, tuple(run(5 * DAY_S + 20_000.0, row_l=8.0)))
    assert verdicts == ()
    state, verdicts = step(SETTINGS, state, tuple(run(5 * DAY_S + 30_000.0)))
    assert [verdict.over for verdict in verdicts] == [True]
    _, verdicts = step(SETTINGS, state, tuple(run(5 * DAY_S + 40_000.0, row_l=8.0)))
    assert [verdict.over for verdict in verdicts] == [False]


def test_a_broken_run_teaches_nothing_until_a_person_takes_it_as_usual():
    state, _ = step(SETTINGS, after_days(5), tuple(run(5 * DAY_S + 10_000.0, row_l=8.0)))
    assert state.flows["1"] == after_days(5).flows["1"]
    state = accepted(state, "1")
    assert state.incidents == ()
    assert not knows(SETTINGS, state, "1")


def test_a_slow_clog_is_told_although_no_single_run_is_far_off():
    state, kinds = after_days(12), []
    for day in range(12, 40):
        row_l = 3.0 * 0.985 ** (day - 11)
        state, verdicts = step(SETTINGS, state, tuple(run(day * DAY_S + 10_000.0, row_l=row_l)))
        kinds += [(verdict.kind, row_l) for verdict in verdicts if not verdict.over]
        if kinds:
            break
    assert kinds[0][0] == "low_flow"
    assert kinds[0][1] > 3.0 * 0.88


def following(share: Callable[[int], float], count: int) -> list[tuple[int, str, bool]]:
    """Day, kind and whether it is over, of what is told on days with this share of the usual flow."""
    state, told = after_days(14), []
    for day in range(count):
        begin_s = (14 + day) * DAY_S + 10_000.0
        rows = (*run(begin_s, row_l=3.0 * share(day)), *quiet(begin_s + 660.0, begin_s + DAY_S - 10.0))
        state, verdicts = step(SETTINGS, state, rows)
        told += [(day, verdict.kind, verdict.over) for verdict in verdicts]
    return told


@pytest.mark.parametrize(
    ("share", "kind"),
    [
        (lambda _: 0.95, "low_flow"),
        (lambda _: 1.05, "high_flow"),
        (lambda day: 0.985**day, "low_flow"),
        (lambda day: 1.006**day, "high_flow"),
    ],
)
def test_a_change_that_stays_is_one_incident_that_no_run_like_it_ends(share, kind):
    assert [(told, over) for _, told, over in following(share, 40)] == [(kind, False)]


def test_a_small_change_that_is_mended_is_over_with_a_run_as_usual():
    told = following(lambda day: 0.95 if day < 10 else 1.0, 16)
    assert [(kind, over) for _, kind, over in told] == [("low_flow", False), ("low_flow", True)]
    assert told[-1][0] <= 13, "a run or two as usual are enough"


def test_a_crack_that_grows_to_a_break_is_told_as_one_and_takes_the_place_of_the_crack():
    told = following(lambda day: 1.2 if day < 3 else 2.2, 6)
    assert told == [(0, "high_flow", False), (3, "high_flow", True), (3, "lateral_break", False)]


def test_a_clock_that_leaps_drops_what_was_counted_and_says_so_once():
    rows = (
        MeterRow(5 * DAY_S + 50_000.0, 1.0, 100.0, None, ()),
        MeterRow(5 * DAY_S + 46_000.0, 0.0, -4000.0, None, ()),
        MeterRow(5 * DAY_S + 46_060.0, 1.0, 60.0, None, ()),
    )
    _, verdicts = step(SETTINGS, after_days(5), rows)
    assert [verdict.kind for verdict in verdicts] == ["clock_jump"]


def test_on_a_shared_meter_water_in_a_quiet_house_is_no_leak_but_water_without_a_pause_is():
    shared = WatchSettings(meter=replace(METER, shared=True))
    house = []
    for day in range(3):
        for hour in range(24):
            start_s = day * DAY_S + hour * 3600.0
            house += [MeterRow(start_s + 10.0 * place, 1.0, 10.0, None, ()) for place in range(1, 61)]
            house += list(quiet(start_s + 600.0, start_s + 3600.0))
    state, verdicts = step(shared, first(shared), tuple(house))
    assert verdicts == ()
    leak = [MeterRow(3 * DAY_S + 60.0 * place, 1.0, 60.0, None, ()) for place in range(1, 200)]
    _, verdicts = step(shared, state, tuple(leak))
    assert [verdict.kind for verdict in verdicts] == ["idle_flow"]
    assert verdicts[0].time_s - 3 * DAY_S >= 7200.0


def limited(**limits: float) -> WatchSettings:
    return WatchSettings(meter=METER, limits={"1": ZoneLimits(**limits)})


def test_what_counts_as_broken_is_the_share_that_the_owner_has_set():
    rows = tuple(run(5 * DAY_S + 10_000.0, row_l=4.0))  # a third more than usual
    kinds = {}
    for factor in (1.2, 1.5, 4.0):
        _, verdicts = step(limited(break_factor=factor), after_days(5), rows)
        kinds[factor] = [(verdict.kind, verdict.action) for verdict in verdicts]
    assert kinds[1.2] == [("lateral_break", "stop zone")]
    assert kinds[1.5] == kinds[4.0] == [("high_flow", "none")]


@pytest.mark.parametrize("at_once", [False, True])
def test_within_the_seconds_of_grace_nothing_is_called_too_much(at_once):
    begin_s = 5 * DAY_S + 10_000.0
    rows = [row for row in run(begin_s, row_l=8.0) if row.open_zones]

    def told_at_s(settings: WatchSettings) -> float:
        if not at_once:
            return step(settings, after_days(5), rows)[1][0].time_s
        columns = [np.array([getattr(row, name) for row in rows]) for name in ("time_s", "litres", "window_s")]
        opened = [("1", begin_s - 5.0, math.inf)]
        return step_block(settings, after_days(5), columns_of_block(*columns, None), opened)[1][0].time_s

    assert told_at_s(limited(grace_s=0.0)) <= begin_s + 60.0
    assert told_at_s(limited(grace_s=240.0)) == begin_s + 240.0


def test_there_is_no_grace_beyond_the_overload_flow_of_the_meter():
    begin_s = 5 * DAY_S + 10_000.0  # Q3 is 60 L/min, its overload flow 75: 14 L a row and more
    _, verdicts = step(limited(grace_s=240.0), after_days(5), tuple(run(begin_s, row_l=15.0)))
    assert verdicts[0].time_s <= begin_s + 60.0
