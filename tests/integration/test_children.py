"""Processes of the demonstration are ready when they say so, and never outlive it."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from dewpond_sim.children import Child, ChildFailed

PROGRAM = """
import signal, sys, time
signal.signal(signal.SIGTERM, lambda *_: sys.exit(7))
print("already here", flush=True)
{then}
"""


@pytest.fixture
def make_child(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    def make(then: str) -> Child:
        (tmp_path / "small_program.py").write_text(PROGRAM.format(then=then))
        environment = {**os.environ, "PYTHONPATH": str(tmp_path)}
        return Child("helper", ["small_program"], environment, tmp_path / "helper.log")

    return make


def test_a_child_is_ready_when_it_says_the_word_and_ends_when_asked(make_child, tmp_path: Path):
    with make_child('print("now ready: 3", flush=True); time.sleep(60)') as child:
        child.wait_ready(20.0)
        child.check()
    assert child.stop() == 7
    assert (tmp_path / "helper.log").read_text() == "already here\nnow ready: 3\n"


def test_a_child_that_ends_early_is_told_with_its_last_words(make_child):
    with (
        make_child('print("the shed is locked"); sys.exit(3)') as child,
        pytest.raises(ChildFailed, match=r"(?s)helper ended before it was ready.*shed is locked"),
    ):
        child.wait_ready(20.0)


def test_a_child_that_says_nothing_is_not_waited_for_for_ever(make_child):
    with make_child("time.sleep(60)") as child, pytest.raises(ChildFailed, match=r"not ready within 0\.5 s"):
        child.wait_ready(0.5)


def test_a_child_that_ends_later_is_noticed(make_child):
    with make_child('print("ready", flush=True); sys.exit(4)') as child:
        child.wait_ready(20.0)
        child.stop()
        with pytest.raises(ChildFailed, match="helper ended with exit code"):
            child.check()
