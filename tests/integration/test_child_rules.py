"""Rules that misbehave, in real child processes: each ends in a word for the brain, and nothing is left behind."""

from __future__ import annotations

import threading
from datetime import UTC, datetime
from pathlib import Path

import pytest
from rule_package import write_rules
from sites import site, zone
from small_world import SmallWorld

from dewpond.adapters.rules.child_rules import ChildRules
from dewpond.model.commands import AskRule
from dewpond.model.events import Now

RULES = """
import os, subprocess, sys, time
from pathlib import Path

HERE = Path(__file__).parent

def good(question):
    print("a rule may print", flush=True)
    os.write(1, b"even so\\n")
    return {zone.id: (0.5 * zone.depletion_mm, "half will do") for zone in question.zones}

def raising(question):
    raise ValueError("no idea")

def sleeping(question):
    grandchild = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"])
    (HERE / "pids").write_text(f"{os.getpid()} {grandchild.pid}")
    time.sleep(60)

def greedy(question):
    return {"lawn": len(bytearray(2**33))}

def dying(question):
    os._exit(3)

def leaving(question):
    sys.exit("enough")

def mute(question):
    os.closerange(3, 64)
    time.sleep(60)

def forking(question):
    os.fork()
    return {"lawn": 2.0}

def nonsense(question):
    return {"lawn": float("nan")}

def talkative(question):
    return {"lawn": (1.0, "x" * 4_000_000)}

def numbers(question):
    import numpy as np
    return {"lawn": np.float64(np.ones(1000).sum() / 1000.0)}
"""
NAMES = (
    "good", "raising", "sleeping", "greedy", "dying", "leaving", "mute", "forking", "nonsense", "talkative", "numbers"
)  # fmt: skip
NOW = Now(wall=datetime(2026, 6, 1, 12, tzinfo=UTC), elapsed_s=0.0)


class HeldClock:
    """Counts holds and tells a waiting test when it is woken."""

    def __init__(self) -> None:
        self.held, self.woken = 0, threading.Event()

    def hold(self) -> None:
        self.held += 1

    def unhold(self) -> None:
        self.held -= 1

    def wake(self) -> None:
        self.woken.set()

    def now(self) -> Now:
        return NOW

    def wait(self, until_elapsed_s: float) -> None:
        raise AssertionError("nobody waits here")


class Put:
    """A rules port that keeps the question for the test to put."""

    def __init__(self) -> None:
        self.asked: list[AskRule] = []

    def ask(self, command, now) -> None:
        self.asked.append(command)

    def drain(self, now):
        return []


@pytest.fixture(scope="module")
def package(tmp_path_factory) -> Path:
    return write_rules(tmp_path_factory.mktemp("rules"), RULES, *NAMES)


@pytest.fixture(scope="module")
def question():
    """The question of a real night."""
    world, port = SmallWorld(site(zone(rule="good"))), Put()
    object.__setattr__(world.runner.ports, "rules", port)
    world.until(20.8)
    world.plan()
    return port.asked[0].question


def answered(package, question, monkeypatch, rule, timeout_s=5.0):
    monkeypatch.setenv("PYTHONPATH", str(package))
    clock = HeldClock()
    rules = ChildRules(clock, timeout_s=timeout_s)
    rules.ask(AskRule(request_id="one", rule=rule, question={**question, "rule": rule}), NOW)
    assert clock.woken.wait(20.0)
    assert clock.held == 0
    (event,) = rules.drain(NOW)
    assert event.request_id == "one"
    return event


def test_a_good_rule_is_heard_whatever_it_prints(package, question, monkeypatch):
    event = answered(package, question, monkeypatch, "good")
    (lawn,) = question["zones"]
    assert event.failure == ""
    assert event.net_mm == {"lawn": pytest.approx(0.5 * lawn["depletion_mm"])}
    assert event.notes["said"] == {"lawn": "half will do"}


@pytest.mark.parametrize(
    ("rule", "failure"),
    [
        ("raising", "failed (ValueError: no idea)"),
        ("greedy", "took more memory than a rule may have"),
        ("dying", "ended with 3 without an answer"),
        ("leaving", "left by itself (exit enough) instead of answering"),
        ("not-there", "failed (LookupError: no rule of this name is installed under dewpond.rules)"),
    ],
)
def test_a_rule_that_fails_says_how(package, question, monkeypatch, rule, failure):
    assert answered(package, question, monkeypatch, rule).failure == failure


def test_a_rule_that_hangs_is_ended_with_what_it_started(package, question, monkeypatch):
    event = answered(package, question, monkeypatch, "sleeping", timeout_s=1.5)
    assert event.failure == "did not answer within 1.5 s (it was ended)"
    for pid in (package / "pids").read_text().split():
        for _ in range(500):  # the system takes a moment to bury what was killed
            if not _runs(int(pid)):
                break
            threading.Event().wait(0.02)
        assert not _runs(int(pid))


def test_a_rule_that_closes_every_door_is_ended(package, question, monkeypatch):
    assert answered(package, question, monkeypatch, "mute").failure == "ended by signal 9 without an answer"


def test_nonsense_is_told_by_zone(package, question, monkeypatch):
    event = answered(package, question, monkeypatch, "nonsense")
    assert (event.failure, dict(event.net_mm)) == ("", {})
    assert event.notes["refused"] == {"lawn": "it asked for nan mm"}


@pytest.mark.parametrize(("rule", "mm"), [("forking", 2.0), ("talkative", 1.0), ("numbers", 1.0)])
def test_odd_but_harmless_rules_are_heard(package, question, monkeypatch, rule, mm):
    event = answered(package, question, monkeypatch, rule)
    assert (event.failure, dict(event.net_mm)) == ("", {"lawn": mm})


def test_garbage_without_end_is_cut_off(question, monkeypatch, tmp_path):
    babble = tmp_path / "babble"
    babble.write_text("#!/bin/sh\nexec tr '\\n\\0' 'xx' < /dev/zero\n", encoding="utf-8")
    babble.chmod(0o755)
    clock = HeldClock()
    rules = ChildRules(clock, command=(str(babble),))
    rules.ask(AskRule(request_id="one", rule="good", question=question), NOW)
    assert clock.woken.wait(20.0)
    (event,) = rules.drain(NOW)
    assert event.failure == "answered with more than 1 MB (it was ended)"


def test_stopping_ends_a_rule_and_starts_no_other(package, question, monkeypatch):
    monkeypatch.setenv("PYTHONPATH", str(package))
    (package / "pids").unlink(missing_ok=True)
    clock = HeldClock()
    rules = ChildRules(clock)
    command = AskRule(request_id="one", rule="sleeping", question={**question, "rule": "sleeping"})
    rules.ask(command, NOW)
    while not (package / "pids").exists():
        pass
    rules.stop()
    assert clock.woken.wait(20.0)
    assert [event.failure for event in rules.drain(NOW)] == ["ended by signal 9 without an answer"]
    clock.woken.clear()
    rules.ask(command, NOW)
    assert clock.woken.wait(20.0)
    assert [event.failure for event in rules.drain(NOW)] == ["was not asked, the service is stopping"]


def _runs(pid: int) -> bool:
    """Whether a process is alive; a zombie that its new parent has not collected yet is not."""
    stat = Path(f"/proc/{pid}/stat")
    try:
        return stat.read_text().rpartition(")")[2].split()[0] not in "ZX"
    except (FileNotFoundError, ProcessLookupError):
        return False


def test_the_loop_goes_on_while_a_child_thinks_and_takes_its_answer_up(package, monkeypatch):
    monkeypatch.setenv("PYTHONPATH", str(package))
    world, clock = SmallWorld(site(zone(rule="good"))), HeldClock()
    object.__setattr__(world.runner.ports, "rules", ChildRules(clock))
    world.until(20.8)
    world.plan()
    assert "Provisional" in " ".join(world.state.reasons["lawn"].limits)
    assert clock.woken.wait(20.0)
    world.runner.pass_once()
    (said,) = world.state.reasons["lawn"].limits
    assert said.startswith('The rule "good" asked for')
    assert said.endswith("half will do")
