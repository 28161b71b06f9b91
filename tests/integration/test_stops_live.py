"""Stops and ends of real processes: what a person shut stays shut, and whatever ends a process leaves no valve open."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from tests.integration.live_site import SITE, LiveSite, within

WITH_MASTER = SITE.replace('meter = "main-meter"', 'meter = "main-meter"\nmaster = "relays:3"')
ALL = (1, 2, 3)


@pytest.fixture
def begin(tmp_path: Path) -> Iterator[Callable[[str], LiveSite]]:
    """Starts a site that waters by hand."""
    begun = []

    def begin(text: str = SITE) -> LiveSite:
        live = LiveSite(tmp_path, site=text)
        begun.append(live)
        live.start("keeper")
        live.start("run")
        assert within(20, lambda: live.status()["keeper"] == "ready")
        assert live.call("water", "north-lawn", "5").returncode == 0
        assert within(25, lambda: live.is_on(1))
        return live

    yield begin
    for live in begun:
        live.close()


def nothing_is_on(live: LiveSite) -> bool:
    return not any(live.is_on(output) for output in ALL)


@pytest.mark.parametrize(("text", "words"), [(SITE, ("stop",)), (WITH_MASTER, ("stop", "north-lawn"))])
def test_what_was_stopped_while_the_daemon_hung_stays_shut(begin, text, words):
    watering = begin(text)
    os.kill(watering.pid("run"), signal.SIGSTOP)
    done = watering.call(*words)
    assert nothing_is_on(watering)
    os.kill(watering.pid("run"), signal.SIGCONT)
    assert done.returncode == 0
    moves = len(watering.relay_log())
    assert within(25, lambda: watering.status()["zones"][0]["valve"] == "closed")
    assert not within(4, lambda: not nothing_is_on(watering))
    assert not any(word == "on" for _, _, word in watering.relay_log()[moves:])


@pytest.mark.parametrize(("text", "words"), [(WITH_MASTER, ("stop",)), (SITE, ("stop", "north-lawn"))])
def test_what_was_stopped_while_the_daemon_was_dead_stays_shut(begin, text, words):
    watering = begin(text)
    watering.stop("run", signal.SIGKILL)
    done = watering.call(*words)
    assert done.returncode == 0 and nothing_is_on(watering)
    assert "leaves them shut" in done.stdout
    watering.start("run")
    assert within(20, lambda: watering.status()["keeper"] == "ready")
    assert not within(4, lambda: not nothing_is_on(watering))
    assert watering.status()["zones"][0]["valve"] == "closed"


def test_without_a_keeper_stop_switches_every_output_off_itself(begin):
    watering = begin()
    watering.stop("keeper", signal.SIGKILL)
    assert watering.is_on(1), "this relay stays as it was"
    done = watering.call("stop")
    assert done.returncode == 0 and "switched off, without a keeper" in done.stdout, done
    assert nothing_is_on(watering)
    watering.start("keeper")
    assert within(30, lambda: watering.status()["keeper"] == "ready")
    assert not within(4, lambda: not nothing_is_on(watering))


def test_a_closed_terminal_leaves_no_valve_open(begin):
    watering = begin()
    assert watering.stop("keeper", signal.SIGHUP) == 0
    assert nothing_is_on(watering)
    assert watering.stop("run", signal.SIGHUP) == 0


def test_a_daemon_that_is_ended_before_it_is_ready_shuts_what_was_open(begin):
    watering = begin()
    watering.stop("run", signal.SIGKILL)
    watering.start("run", ready=False)
    assert within(20, lambda: obeys(watering.pid("run"), signal.SIGTERM))
    assert watering.stop("run") == 0
    assert nothing_is_on(watering)


def obeys(pid: int, number: int) -> bool:
    """Whether a process catches a signal, by proc_pid_status(5)."""
    rows = Path(f"/proc/{pid}/status").read_text().splitlines()
    caught = next(row.split()[1] for row in rows if row.startswith("SigCgt"))
    return bool(int(caught, 16) >> (number - 1) & 1)
