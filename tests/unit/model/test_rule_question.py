"""What a plug-in may answer, and what of it is taken."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dewpond.model.rule_question import LONGEST_NOTE, AnswerRefused, check_answer

TAW_MM = {"lawn": 22.5, "bed": 30.0}


def test_takes_depths_and_sentences():
    checked = check_answer(TAW_MM, {"lawn": 5, "bed": (7.5, "the roses\nasked")})
    assert checked.net_mm == {"lawn": 5.0, "bed": 7.5}
    assert checked.notes == {"bed": "the roses asked"}
    assert checked.refused == {}


def test_takes_numbers_of_other_libraries():
    assert check_answer(TAW_MM, {"lawn": np.float32(2.5), "bed": np.int64(3)}).net_mm == {"lawn": 2.5, "bed": 3.0}


def test_long_sentences_are_cut():
    assert len(check_answer(TAW_MM, {"lawn": (1.0, "x" * 999), "bed": 0.0}).notes["lawn"]) == LONGEST_NOTE


@pytest.mark.parametrize(
    ("depth", "why"),
    [
        (math.nan, "asked for nan mm"),
        (math.inf, "asked for inf mm"),
        (-0.1, "negative"),
        (22.6, "more than the 22.5 mm the root zone holds"),
        ("5", "a str where a depth in mm was expected"),
        (True, "a bool where a depth in mm was expected"),
        (None, "nothing where a depth in mm was expected"),
        (10**400, "where a depth in mm was expected"),
    ],
)
def test_refuses_nonsense_for_one_zone_and_keeps_the_other(depth, why):
    checked = check_answer(TAW_MM, {"lawn": depth, "bed": 4.0})
    assert checked.net_mm == {"bed": 4.0}
    assert why in checked.refused["lawn"]


def test_a_zone_without_an_answer_is_refused_by_itself():
    checked = check_answer(TAW_MM, {"bed": 4.0})
    assert checked.refused == {"lawn": "it did not answer for this zone"}


def test_refuses_an_answer_for_zones_that_were_not_asked_about():
    with pytest.raises(AnswerRefused, match="lwan, which it was not asked about"):
        check_answer(TAW_MM, {"lwan": 4.0, "lawn": 1.0, "bed": 1.0})


@pytest.mark.parametrize("answer", [None, 5.0, [1.0, 2.0], "lawn"])
def test_refuses_what_is_no_mapping(answer):
    with pytest.raises(AnswerRefused, match="instead of a mapping"):
        check_answer(TAW_MM, answer)
