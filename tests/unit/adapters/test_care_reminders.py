"""The calendar of care is asked once a local day, next door, and its answer becomes one event."""

from __future__ import annotations

import sys
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from dewpond.adapters.care_reminders import FIRST_AFTER_S, TIMEOUT_S, CareReminders
from dewpond.model.events import CareTold, FaultSeen, Now

NOON = datetime(2027, 6, 1, 12, tzinfo=UTC)
ANSWER = '{"notices": [{"duty": "start-up", "text": "Start-up is due today."}]}'


def now(elapsed_s, *, trusted=True, wall=NOON):
    return Now(wall=wall + timedelta(seconds=elapsed_s), elapsed_s=elapsed_s, trusted=trusted)


@pytest.fixture
def asked():
    """Reminders whose child runs a line of Python; ``heard`` waits for its answer."""
    made = []

    def make(code):
        reminders = CareReminders(Path("site.toml"), "UTC", now(0.0), (sys.executable, "-c", code))
        made.append(reminders)
        return reminders

    yield make
    for reminders in made:
        reminders.close()


def heard(reminders, at):
    for _ in range(1000):
        if events := reminders.drain(at):
            return events
        threading.Event().wait(0.01)
    return []


def test_it_is_asked_ten_minutes_after_the_start_and_once_a_day(asked):
    reminders = asked(f"print('''{ANSWER}''')")
    assert reminders.drain(now(FIRST_AFTER_S - 1.0)) == []
    at = now(FIRST_AFTER_S)
    assert heard(reminders, at) == [CareTold(at=at.wall, due={"start-up": "Start-up is due today."})]
    assert reminders.drain(now(FIRST_AFTER_S + 60.0)) == []
    tomorrow = now(FIRST_AFTER_S + 19.5 * 3600.0)  # past seven in the morning
    assert isinstance(heard(reminders, tomorrow)[0], CareTold)


def test_a_clock_that_is_not_trusted_has_no_day(asked):
    reminders = asked(f"print('''{ANSWER}''')")
    assert reminders.drain(now(FIRST_AFTER_S, trusted=False)) == []
    assert reminders.drain(now(FIRST_AFTER_S + 1.0, trusted=False)) == []


@pytest.mark.parametrize("code", ["print('sorry')", "raise SystemExit('no store')", "print('[]')"])
def test_a_child_that_fails_is_a_fault_with_a_remedy(asked, code):
    [fault] = heard(asked(code), now(FIRST_AFTER_S))
    assert isinstance(fault, FaultSeen)
    assert "look at it with `dewpond care`" in fault.text


def test_a_child_that_hangs_is_ended(asked):
    reminders = asked("import time; time.sleep(60)")
    assert reminders.drain(now(FIRST_AFTER_S)) == []
    [fault] = reminders.drain(now(FIRST_AFTER_S + TIMEOUT_S))
    assert "no answer within 60 s" in fault.text
