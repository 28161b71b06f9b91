"""Seasons drawn with their faults: a slice of `dewpond proof seasons`, and that it finds what is planted."""

from __future__ import annotations

from dataclasses import replace

import pytest
from planted import PLANTED, found_by, planted

from dewpond_sim.ordeal.draw import draw
from dewpond_sim.ordeal.faults import KINDS, Deed, Fault
from dewpond_sim.ordeal.run import of_seed, put_through, shrunk, told

SLICE = range(5000, 5006)


@pytest.mark.parametrize("seed", SLICE)
def test_a_season_full_of_faults_breaks_no_promise(seed):
    verdict = of_seed(seed, days=5)
    assert not verdict.wrong, "\n".join(
        [*told(verdict), f"again: dewpond proof seasons --trials 1 --seed {seed} --days 5"]
    )


def test_the_same_seed_gives_the_same_journal_ten_times():
    assert len({of_seed(5001, days=2).digest for _ in range(10)}) == 1


def test_seeds_draw_every_kind_of_fault():
    drawn = {fault.kind for seed in range(200) for fault in draw(seed).faults}
    assert drawn == set(KINDS)


@pytest.mark.parametrize(
    "name",
    ["locks are not looked at", "a valve opens before its intent is durable", "closed runs are booked as nothing"],
)
def test_a_planted_bug_is_found(name):
    assert found_by(PLANTED[name], range(1, 3)) is not None


def test_a_season_that_fails_is_shrunk_to_what_it_takes():
    drawn = draw(1, days=2)
    deeds = (Deed(at_s=600.0, action="winter", name="w"), Deed(at_s=900.0, action="hold", zone="z1", name="h"))
    faults = tuple(Fault(kind="daemon killed", at_s=at_s, until_s=at_s + 30.0) for at_s in (7000.0, 50_000.0))
    with planted(PLANTED["locks are not looked at"]):
        fewest = shrunk(replace(drawn, deeds=deeds, faults=faults))
        assert put_through(fewest).wrong
    assert [deed.action for deed in fewest.deeds] == ["winter"]
    assert fewest.faults == ()
