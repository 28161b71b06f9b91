from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from dewpond.upkeep.cautions import CAUTIONS, MEMORY, PRACTICE, cautions, not_ticked, tick_fault

PUBLISHED = Path(__file__).parents[2] / "data" / "reference" / "landscape_practice.json"


def test_every_topic_of_the_published_cautions_stands_in_the_table():
    topics = {row["topic"] for row in json.loads(PUBLISHED.read_text())["cautions"]} - {"lightning"}
    assert topics <= {caution.topic for caution in CAUTIONS.values()}


@pytest.mark.parametrize("caution", CAUTIONS.values(), ids=lambda caution: caution.key)
def test_every_caution_says_one_thing_and_where_it_was_read(caution):
    assert caution.text.endswith(".")
    assert caution.source
    assert len(caution.text) < 220


def test_the_limits_of_air_are_those_of_the_published_row():
    published = next(row for row in json.loads(PUBLISHED.read_text())["cautions"] if "psi" in row["caution"])
    psi = re.findall(r"(\d+) psi", CAUTIONS["blow-out-pressure"].text)
    assert psi == re.findall(r"(\d+) psi", published["caution"])
    kpa = re.findall(r"\((\d+) kPa\)", CAUTIONS["blow-out-pressure"].text)
    assert [round(int(number) * 6.894757) for number in psi] == [int(number) for number in kpa]


def test_a_step_is_open_until_each_of_its_cautions_is_ticked():
    keys = ["valve-box", "valve-snug"]
    assert [caution.key for caution in not_ticked(keys, ["valve-box"])] == ["valve-snug"]
    assert tick_fault(keys, ["valve-box"]).startswith("cautions: 1 not ticked; read and tick them first. valve-snug:")
    assert tick_fault(keys, keys) == ""
    assert "vale-box is no caution here; tick valve-box, valve-snug" in tick_fault(keys, ["vale-box"])


def test_an_unknown_caution_is_a_mistake_of_the_program():
    with pytest.raises(KeyError):
        cautions(["stand-clear-of-comets"])


def test_what_has_no_published_source_says_so():
    assert CAUTIONS["valve-snug"].source == PRACTICE
    assert CAUTIONS["lightning"].source == MEMORY
