"""Fresh logs of the project's own simulator: they hold what they claim, and the same seed makes the same log."""

from __future__ import annotations

import csv
import gzip
import json
import math

import numpy as np
import pytest

from dewpond_sim.flow_faults import KINDS, days_of, make_fault
from dewpond_sim.flow_logs import HEARTBEAT_S, make_log
from dewpond_sim.flow_sites import DAY_S, make_place, schedule
from dewpond_sim.flow_trial import HEADER, log_of, outcome, repeats, table, write
from dewpond_sim.flow_truth import truth_of


def test_a_seed_gives_the_same_log_again_and_another_seed_another_site():
    assert make_log(11, None, days=3).rows == make_log(11, None, days=3).rows
    assert make_log(11, None, days=1).place.static_kpa != make_log(12, None, days=1).place.static_kpa


def test_a_log_and_its_twin_are_the_same_before_the_fault_and_differ_after():
    log = make_log(13, "main_leak")
    assert log.fault is not None
    assert log.dense is not None
    assert log.twin is not None
    before = log.dense.time_s < log.fault.on_s
    assert (log.dense.litres[before] == log.twin.litres[before]).all()
    assert (log.dense.pressure_kpa[before] == log.twin.pressure_kpa[before]).all()
    event = truth_of(log)["event"]
    assert event["t_on_s"] <= event["t_phys_s"] <= event["t_due_s"] < math.inf


def test_pulses_never_lose_water_and_a_silent_meter_still_sends_a_heartbeat():
    log = make_log(14, None, days=4)
    assert log.dense is not None
    counted_l = sum(row[1] for row in log.rows) * log.place.pulse_l
    true_l = float(log.dense.true_l_min.sum()) * log.place.row_s / 60.0
    refill_l = float(log.place.refill_l.sum()) * 2.5 * log.scenario.days
    assert 0.99 * true_l <= counted_l <= true_l + refill_l
    assert max(np.diff([row[0] for row in log.rows])) <= HEARTBEAT_S


def test_a_meter_fault_loses_no_water_and_a_break_does():
    assert {knot[1] for knot in truth_of(make_log(15, "meter_high"))["event"]["loss_curve_l"]} == {0.0}
    assert truth_of(make_log(13, "main_leak"))["event"]["loss_curve_l"][-1][1] > 100.0


def test_a_leak_below_the_meters_start_is_not_visible_and_silence_about_it_is_right():
    event = truth_of(make_log(16, "weep_hidden"))["event"]
    assert not event["visible"]
    assert event["accept_kinds"] == []


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_fault_comes_after_each_zone_ran_three_times(kind):
    rng = np.random.default_rng(KINDS.index(kind))
    place = make_place(rng, pressure=True, shared=False)
    runs = schedule(place, rng, 60)
    fault = make_fault(rng, place, runs, kind)
    for zone in range(place.zones):
        assert sum(run[2] == zone and run[1] <= fault.on_s for run in runs) >= 3
    assert fault.on_s < days_of(fault, runs) * DAY_S
    assert fault.zone != fault.other


def test_logs_written_are_what_the_offline_review_reads(tmp_path):
    log = log_of(3, "lateral_break")
    write(tmp_path, [log])
    (case,) = json.loads((tmp_path / "cases.json").read_text())
    (truth,) = json.loads((tmp_path / "truth.json").read_text())
    assert case["case"] == truth["case"] == "3-lateral_break"
    with gzip.open(tmp_path / "3-lateral_break.csv.gz", "rt") as text:
        lines = list(csv.DictReader(text))
    assert len(lines) == case["rows"]
    assert [float(line["pulses"]) for line in lines] == [row[1] for row in log.rows]


def test_the_table_counts_and_a_wrong_log_names_the_command_that_repeats_it():
    item = outcome(log_of(3, "weep_hidden"))
    lines = table([item])
    assert lines[0] == HEADER
    assert lines[1][:3] == ("weep_hidden", "1", "0")
    assert repeats(item) == "python -m dewpond_sim.flow_trial --seeds 3 --kind weep_hidden"
