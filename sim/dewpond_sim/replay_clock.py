"""The clock of a replay: waiting is what moves it."""

from __future__ import annotations

import math
from datetime import datetime, timedelta

from dewpond.model.events import Now


class ReplayClock:
    """ports.Clock without any real time: ``wait`` jumps to the time waited for.

    Parameters
    ----------
    start_utc : datetime
        Aware wall time at elapsed 0 s.

    ``wall_error_s`` may be set at any time: the wall clock is then wrong by that many seconds while elapsed time goes
    on evenly, as after a dead battery or a step of the time service. ``end_s`` is where a wait without end arrives.
    """

    def __init__(self, start_utc: datetime, *, end_s: float = math.inf) -> None:
        if start_utc.tzinfo is None:
            raise ValueError(f"start {start_utc.isoformat()} has no time zone; give an aware datetime")
        self._start = start_utc
        self._elapsed_s = 0.0
        self._woken = False
        self.end_s = end_s
        self.wall_error_s = 0.0

    def now(self) -> Now:
        """Both times of this instant."""
        wall = self._start + timedelta(seconds=self._elapsed_s + self.wall_error_s)
        return Now(wall=wall, elapsed_s=self._elapsed_s)

    def wait(self, until_elapsed_s: float) -> None:
        """Jump to ``until_elapsed_s`` (never back, never past ``end_s``); stay here once after ``wake``."""
        if self._woken:
            self._woken = False
            return
        target_s = min(until_elapsed_s, self.end_s)
        if math.isinf(target_s):
            raise RuntimeError(
                "the replay waits for ever: nothing is due and the clock has no end_s; give ReplayClock an end_s"
            )
        self._elapsed_s = max(self._elapsed_s, target_s)

    def wake(self) -> None:
        """Let the next ``wait`` return without moving."""
        self._woken = True

    def hold(self) -> None:
        """Nothing to do: whatever a replay starts is over when its call returns."""

    def unhold(self) -> None:
        """Nothing to do, as for ``hold``."""
