"""Timed catch at emitters: emission uniformity, ends, filter and flush."""

from __future__ import annotations

import pytest

from dewpond.upkeep.cups import AuditRefused, DripRound, Emitter, judge_drip, read_emitters

L_PER_GAL = 3.785411784


def emitters(starts=(20.0,) * 4, middles=(20.0,) * 4, ends=(20.0,) * 4):
    return tuple(
        Emitter(line="1", place=place, ml=ml)
        for place, row in (("start", starts), ("middle", middles), ("end", ends))
        for ml in row
    )


def test_emission_uniformity_is_the_low_quarter_over_the_mean():
    """UC Cooperative Extension Sonoma: mean of the 25 % of emitters with the least discharge over the mean of all."""
    found = judge_drip(emitters(ends=(20.0, 14.0, 15.0, 16.0)), 60.0)
    assert found.emission_uniformity == pytest.approx(15.0 / (225.0 / 12))
    assert found.word == "good"
    assert found.by_place_l_h["end"] == pytest.approx(65 / 4 * 0.06)


def test_a_half_gallon_emitter_fills_15_8_ml_in_thirty_seconds():
    """UC ANR, drip emitter evaluation: 30-second catches; 0.5 gph is 0.5 x 3785.4 / 120 mL."""
    found = judge_drip(emitters((15.77,) * 4, (15.77,) * 4, (15.77,) * 4), 30.0)
    assert found.mean_l_h / L_PER_GAL == pytest.approx(0.5, abs=0.001)
    assert (found.emission_uniformity, found.word, found.findings) == (pytest.approx(1.0), "excellent", ())


def codes(catch, seconds=60.0, **seen):
    return [finding.code for finding in judge_drip(catch, seconds, DripRound(**seen)).findings]


def test_weak_ends_clogged_emitters_dirty_filter_and_lines_are_found():
    assert codes(emitters(ends=(16.0,) * 4)) == ["weak_ends"]
    assert codes(emitters(middles=(20.0, 2.0, 20.0, 20.0))) == ["clogged"]
    assert codes(emitters(), filter_before_kpa=250.0, filter_after_kpa=200.0) == ["dirty_filter"]
    assert codes(emitters(), filter_before_kpa=250.0, filter_after_kpa=230.0) == []
    assert codes(emitters(), flush="dirty") == ["dirty_lines"]
    assert codes(emitters(), start_kpa=120.0, end_kpa=70.0) == ["low_end_pressure"]
    assert codes(emitters(), rated_kpa=100.0, end_kpa=85.0) == []
    assert codes(emitters(), rated_l_h=1.6) == ["not_as_rated"]


@pytest.mark.parametrize(
    ("catch", "seconds", "seen", "said"),
    [
        (emitters()[:5], 60.0, {}, "emitters: 5 caught; at least 12"),
        (emitters((20.0,) * 8, (20.0,) * 8, ()), 60.0, {}, "none stands at the end"),
        (emitters(), 2.0, {}, "seconds: 2 cannot be"),
        (emitters(ends=(-1.0,) * 4), 60.0, {}, "emitter 9: -1 mL"),
        (emitters(ends=(9000.0,) * 4), 60.0, {}, "at most 2000 mL, 120 L/h"),
        (emitters((0.0,) * 4, (0.0,) * 4, (0.0,) * 4), 60.0, {}, "all are dry"),
        (emitters(), 60.0, {"end_kpa": -5.0}, "end_kpa: -5 kPa cannot be"),
        (emitters(), 60.0, {"flush": "pink"}, 'flush: "pink" is not known'),
    ],
)
def test_nonsense_is_refused(catch, seconds, seen, said):
    with pytest.raises(AuditRefused, match=said):
        judge_drip(catch, seconds, DripRound(**seen))


def test_tables_of_emitters_are_read_and_bad_rows_named():
    assert read_emitters("line,place,ml\nA,End,12\n") == (Emitter(line="A", place="end", ml=12.0),)
    with pytest.raises(AuditRefused, match=r'line 3: place "corner" is not known.*\n.*line 3: ml'):
        read_emitters("line,place,ml\nA,end,12\nA,corner,x\n")
    with pytest.raises(AuditRefused, match="no column place, ml"):
        read_emitters("line\nA\n")
