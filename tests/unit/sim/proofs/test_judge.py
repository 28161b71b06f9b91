"""Every broken promise must be seen: a judge that cannot condemn proves nothing."""

from __future__ import annotations

import pytest

from dewpond_sim.proofs import judge
from dewpond_sim.proofs.judge import Case


def words(**told) -> list[str]:
    plain = {"asked_s": 600.0, "promised": True, "given_s": 600.0, "booked_s": 600.0}
    return [text.split(":")[0] for text in judge.verdicts(Case(**{**plain, **told}))]


def test_a_run_given_whole_is_right():
    assert words() == []
    assert words(given_s=605.0, booked_s=600.0) == []  # the overrun of a lease


def test_a_run_given_twice_is_doubled_whatever_the_record_says():
    assert words(given_s=1200.0, booked_s=1200.0) == ["doubled"]
    assert words(given_s=1200.0, booked_s=600.0) == ["doubled", "unbooked"]


def test_a_run_cut_short_is_lost_unless_the_record_says_why():
    assert words(given_s=100.0, booked_s=100.0) == ["lost"]
    assert words(given_s=100.0, booked_s=100.0, reasons=["interrupted"]) == []


def test_nobody_was_promised_what_was_not_answered():
    assert words(promised=False, given_s=0.0, booked_s=0.0) == []
    assert words(promised=False, given_s=1200.0, booked_s=1200.0) == ["doubled"]


def test_water_that_no_record_knows_of_is_unbooked_and_water_counted_on_doubt_is_not():
    assert words(given_s=600.0, booked_s=0.0) == ["unbooked"]
    assert words(given_s=500.0, booked_s=600.0, reasons=["how long is not known"]) == []


@pytest.mark.parametrize(("trials", "rate"), [(1000, 0.003), (100, 0.03), (0, 1.0)])
def test_the_rule_of_three(trials, rate):
    assert judge.rate_below(trials) == pytest.approx(rate)
    if trials:
        # (1 - rate) ** n is the chance of no failure at that rate; the rule keeps it below 5 %.
        assert (1.0 - rate) ** trials < 0.05
