"""A process killed at any moment leaves whole commits only, and every one it was told is durable."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from dewpond.adapters.store.journal import JournalReader
from dewpond.adapters.store.reader import StoreReader

EVENTS = 50
WRITER = Path(__file__).with_name("endless_writer.py")


@pytest.mark.parametrize("seed", range(4))
def test_a_kill_at_any_moment_loses_nothing_that_was_committed_and_keeps_no_half_commit(url, open_store, seed):
    with subprocess.Popen([sys.executable, WRITER, url, str(EVENTS)], stdout=subprocess.PIPE, text=True) as writer:
        first = writer.stdout.readline()
        time.sleep(random.Random(seed).uniform(0.0, 0.15))  # noqa: S311 - not a secret
        writer.send_signal(signal.SIGKILL)
        told = [first, *writer.stdout.readlines()]
    durable = int(told[-1] if told[-1].endswith("\n") else told[-2])
    store = open_store()
    assert list(store.faults()) == []
    steps = list(JournalReader(url).steps())
    assert len(steps) in (durable, durable + 1)
    assert [number for number, _, _ in steps] == list(range(1, len(steps) + 1))
    assert all(len(events) == EVENTS for _, _, events in steps)
    runs = StoreReader(url).runs(datetime(2027, 1, 1, tzinfo=UTC), datetime(2027, 1, 1, tzinfo=UTC) + timedelta(days=1))
    assert len(runs) == len(steps)
    store.append(store.last_step_no + 1, steps[-1][1], [], [])
    assert store.commit() is True
