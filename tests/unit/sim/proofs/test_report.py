"""Results are kept once each, and told with what they prove."""

from __future__ import annotations

from dewpond_sim.proofs.report import lines
from dewpond_sim.proofs.results import Book, Result


def result(seed: int, wrong: list[str] | None = None, open_s: float = 12.0) -> Result:
    figures = {"open_after_fault_s": open_s}
    return Result(proof="crash points", kind="open-sent", seed=seed, wrong=wrong or [], figures=figures)


def test_a_trial_that_was_repeated_counts_once_by_its_last_result(tmp_path):
    book = Book(tmp_path)
    book.add(result(1, ["lost: all of it"]))
    book.add(result(2))
    book.add(result(1))
    assert Book(tmp_path).done() == {("crash points", "open-sent", 1), ("crash points", "open-sent", 2)}
    assert [found.wrong for found in book.all()] == [[], []]


def test_the_report_counts_faults_and_says_what_they_prove():
    told = list(lines([result(seed, open_s=float(seed)) for seed in range(100)]))
    assert told[1].split()[-7:] == ["100", "0", "0", "0", "99.0", "s", "-"]
    assert "rules out, at 95 %, a rate of 3.00%" in told[2]


def test_the_report_of_a_failed_proof_claims_nothing():
    told = list(lines([result(1, ["doubled: much"]), result(2, ["lost: all", "open: long"]), result(3)]))
    assert told[1].split()[-7:-3] == ["3", "1", "1", "1"]
    assert told[2] == "crash points: 2 of 3 trials failed"
