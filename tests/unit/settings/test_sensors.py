"""Sensors: what the schema and what the decoder have to say is told in one run."""

from __future__ import annotations

import pytest

SENSOR = """
[[sensor]]
id = "gauge"
kind = "rian"
topic = "garden/rain"
decode = "jsn"
pointer = "rain"
unit_in = "millimeters of rain"
accumulation = "total"
"""
OTHERS = {"decode", "pointer", "unit_in", "accumulation"}


def test_a_wrong_kind_hides_no_other_fault_of_the_table(load, whole):
    assert {problem.key for problem in load(whole + SENSOR).errors} == {"kind", *OTHERS}


@pytest.mark.parametrize("line", ['kind = "rian"\n', 'id = "gauge"\n', 'topic = "garden/rain"\n'])
def test_nor_does_a_missing_key(load, whole, line):
    key = line.partition(" ")[0]
    assert {problem.key for problem in load(whole + SENSOR.replace(line, "")).errors} == {"kind", key, *OTHERS}


def test_every_fault_is_told_once(load, whole):
    text = SENSOR + 'zone = "nowhere"\ncolour = "red"\n'
    keys = [problem.key for problem in load(whole + text).errors]
    assert sorted(keys) == sorted({"kind", "zone", "colour", *OTHERS})


def test_a_unit_is_not_held_against_a_kind_that_is_not_known(load, whole):
    text = (
        '[[sensor]]\nid = "gauge"\nkind = "rian"\ntopic = "garden/rain"\nunit_in = "mm"\naccumulation = "cumulative"\n'
    )
    assert [problem.key for problem in load(whole + text).errors] == ["kind"]


def test_no_finding_is_made_of_a_sensor_that_is_refused(load, whole):
    bare = '[[sensor]]\nid = "probe"\nkind = "temprature"\ntopic = "garden/air"\n'
    assert not [found for found in load(whole + bare).findings if found.table == 'sensor "probe"']
