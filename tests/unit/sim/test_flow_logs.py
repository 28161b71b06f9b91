"""Fresh logs of the project's own simulator: they hold what they claim, and the pipe watch finds it."""

from __future__ import annotations

import math

import pytest

from dewpond_sim.flow_logs import make_log
from dewpond_sim.flow_trial import outcome

# (kind, seed, with pressure): a small sample. Seed 7 breaks the main while a zone runs: one meter then first sees that
# zone take too much, and the main only by the next zone; it has a test of its own.
SAMPLE = [
    ("lateral_break", 1, True),
    ("lateral_break", 2, False),
    ("clogged", 4, True),
    ("main_leak", 6, True),
    ("main_break", 9, False),
    ("supply_low", 8, True),
]


def test_a_seed_gives_the_same_log_again_and_another_seed_another_site():
    assert make_log(11, "weep").rows == make_log(11, "weep").rows
    assert make_log(11).place.flows_l_min.tolist() != make_log(12).place.flows_l_min.tolist()


def test_a_log_and_its_twin_are_the_same_before_the_fault_and_differ_after():
    broken, sound = make_log(13, "main_leak"), make_log(13)
    assert broken.fault is not None
    before_s = broken.fault.on_s
    assert [row for row in broken.rows if row[0] < before_s] == [row for row in sound.rows if row[0] < before_s]
    assert before_s <= broken.phys_s < math.inf


@pytest.mark.parametrize(("kind", "seed", "pressure"), SAMPLE)
def test_the_watch_finds_a_fresh_fault_names_it_and_says_nothing_before(kind, seed, pressure):
    result = outcome(make_log(seed, kind, pressure=pressure))
    assert result.false_alarms == ()
    assert result.wrong == ()
    assert result.hit is not None
    assert not result.wrong_zone
    assert result.delay_s is not None
    assert result.delay_s <= 300.0


@pytest.mark.parametrize(("seed", "pressure"), [(22, False)])
def test_the_watch_stays_silent_on_a_fresh_sound_site(seed, pressure):
    assert outcome(make_log(seed, pressure=pressure)).false_alarms == ()


def test_a_main_that_breaks_while_a_zone_runs_is_told_as_the_main_by_the_next_zone():
    result = outcome(make_log(7, "main_break", pressure=False))
    assert [verdict.kind for verdict in result.wrong] == ["high_flow"]
    assert result.hit is not None
    assert result.hit.kind == "main_break"
