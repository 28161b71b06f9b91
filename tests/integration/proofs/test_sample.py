"""A short sample of the proofs of the valves; `dewpond proof all` is the long version."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from dewpond_sim.proofs import crash, kills, suites
from dewpond_sim.proofs.engine import Run
from dewpond_sim.proofs.paced import PacedPlace, paced_place
from dewpond_sim.proofs.results import Book

pytestmark = pytest.mark.skipif(
    shutil.which("mosquitto", path="/usr/sbin:/usr/bin:/usr/local/sbin") is None, reason="mosquitto is not installed"
)
SAMPLE = (
    "intent-durable",
    "open-sent",
    "opened-decided",
    "renew-due",
    "close-answered",
    "closed-decided",
    "start-stepped",
)


@pytest.fixture(scope="module")
def place(tmp_path_factory) -> Iterator[PacedPlace]:
    with paced_place(tmp_path_factory.mktemp("p") / "place") as place:
        yield place


@pytest.mark.parametrize("point", SAMPLE)
def test_a_daemon_killed_at_a_named_point_doubles_and_loses_nothing(place, point):
    result = crash.trial(place, point, seed=1)
    assert result.wrong == []
    assert result.figures["openings"] >= 1


def test_random_kills_double_and_lose_nothing(tmp_path):
    with paced_place(tmp_path / "place", programs=True) as place:
        result = kills.trial(place, seed=1, count=5)
    assert result.wrong == []
    assert result.figures["runs"] > 5


def test_a_proof_that_was_ended_goes_on_where_it_was_and_repeats_nothing(tmp_path):
    said: list[str] = []
    suite = suites.crash_points(("closed-durable",), range(1), cold=False)
    for _ in range(2):
        suite.run(Run(out=tmp_path, lane=0, lanes=1, say=said.append))
    assert [result.wrong for result in Book(tmp_path).all()] == [[]]
    assert len((tmp_path / "results.jsonl").read_text().splitlines()) == 1
    assert said == []
    assert not [path for path in Path(tmp_path).iterdir() if path.is_dir()]  # a place is kept only where it failed


def test_a_trial_that_goes_wrong_is_told_with_the_command_that_repeats_it(tmp_path):
    said: list[str] = []
    suite = suites.crash_points(("renew-sent",), range(3, 4), cold=False)
    run = Run(out=tmp_path, lane=0, lanes=1, say=said.append)
    (trial,) = suite.trials
    assert not run.keep(trial, lambda: suites._raise(suites.ProofBroken("the daemon is not well")), suite.again)
    assert run.failed
    assert said[-1].strip() == "again: dewpond proof crash --point renew-sent --trials 1 --seed 3 --out again"
