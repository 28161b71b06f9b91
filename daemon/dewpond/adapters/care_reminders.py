"""Once a day the calendar of care is asked what to remind of, in a child process that ends.

The daemon runs for months and stays small: what reads the calendar is loaded next door, as for settings and weather.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from dewpond.model.events import CareTold, Event, FaultSeen, Now

FIRST_AFTER_S = 600.0  # a start has more urgent things to do
AT_HOUR = 7  # local; people are told by day
TIMEOUT_S = 60.0
PART = "calendar of care"


class CareReminders:
    """``drain`` belongs to the runner's thread and never waits; ``close`` ends a child that still works."""

    def __init__(self, site_file: Path, timezone: str, now: Now, command: Sequence[str] | None = None) -> None:
        self._command = tuple(command or (sys.executable, "-m", "dewpond.cli.main", "care", "--json", "--site"))
        self._site_file = site_file
        self._zone = ZoneInfo(timezone)
        self._first_s = now.elapsed_s + FIRST_AFTER_S
        self._asked: date | None = None
        self._child: subprocess.Popen[bytes] | None = None
        self._until_s = 0.0

    def drain(self, now: Now) -> list[Event]:
        """Ask once a local day, and hand over the answer when it has come."""
        if self._child is not None:
            return self._hear(self._child, now)
        local = (now.wall.astimezone(self._zone) - timedelta(hours=AT_HOUR)).date()
        if now.trusted and now.elapsed_s >= self._first_s and local != self._asked:
            self._asked = local
            return self._ask(now)
        return []

    def close(self) -> None:
        """End a child that still works."""
        if self._child is not None:
            self._child.kill()
            self._child.communicate()
            self._child = None

    def _ask(self, now: Now) -> list[Event]:
        try:
            self._child = subprocess.Popen(
                [*self._command, str(self._site_file)], stdout=subprocess.PIPE, stderr=subprocess.STDOUT
            )
        except OSError as fault:
            return [_fault(now, str(fault))]
        self._until_s = now.elapsed_s + TIMEOUT_S
        return []

    def _hear(self, child: subprocess.Popen[bytes], now: Now) -> list[Event]:
        if child.poll() is None and now.elapsed_s < self._until_s:
            return []
        late = child.poll() is None
        if late:
            child.kill()
        text, _ = child.communicate()
        self._child = None
        if late:
            return [_fault(now, f"no answer within {TIMEOUT_S:.0f} s")]
        try:
            due = {str(one["duty"]): str(one["text"]) for one in json.loads(text)["notices"]}
        except (ValueError, KeyError, TypeError):
            return [_fault(now, f"exit {child.returncode}, {text.decode(errors='replace')[-200:].strip()!r}")]
        return [CareTold(at=now.wall, due=due)]


def _fault(now: Now, why: str) -> FaultSeen:
    text = (
        f"The calendar of care could not be read ({why}); look at it with `dewpond care`. Tomorrow it is asked again."
    )
    return FaultSeen(at=now.wall, part=PART, text=text)
