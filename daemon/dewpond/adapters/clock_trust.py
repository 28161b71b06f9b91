"""Whether the wall clock may be believed. Elapsed time is the yardstick; nothing here reads a clock.

A board without a clock chip comes up with the time of a saved file, or of 1970, and a time service, a battery or a
person may set it by hours. Trusted is a clock that

- a time service keeps (the kernel says so), or a clock chip agrees with, or a person has vouched for, or
- stands at or after the newest trusted record (within ``STEP_S``), has not been set since by more than ``STEP_S``, and
  was not merely restored: after a restart of the machine it must be past that record by more than ``RESTORED_S``,
  since a clock that continues where the record ended has not counted the time the power was off.

Steps up to ``STEP_S`` either way, as a time service makes them, cost no trust. The bounds are our own.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from dewpond.adapters.clock_witness import Witness
from dewpond.model.events import ClockJudged, Now

# A wall clock before this has lost its battery: dewpond did not exist then.
EARLIEST_PLAUSIBLE = datetime(2026, 1, 1, tzinfo=UTC)
STEP_S = 600.0
RESTORED_S = 900.0
RTC_AGREES_S = 120.0
SET_S = 30.0  # a restored clock that is moved on by more than this has been set
LOOK_AGAIN_S = 5.0


class ClockTrust:
    """One machine's wall clock. ``newest`` is the newest trusted record; every method may be called from any thread."""

    def __init__(
        self,
        *,
        not_before: datetime = EARLIEST_PLAUSIBLE,
        newest: Now | None = None,
        witness: Callable[[], Witness] = Witness,
    ) -> None:
        floor = not_before if newest is None else max(not_before, newest.wall)
        self._floor = max(floor, EARLIEST_PLAUSIBLE)
        self._newest = newest
        self._witness = witness
        self._lock = threading.Lock()
        self._offset_s: float | None = None  # wall minus elapsed, when it was last believed or doubted
        self._doubt = ""
        self._is_step = False
        self._looked_s = 0.0
        self._told: list[ClockJudged] = []

    def trusted(self, wall: datetime, elapsed_s: float) -> bool:
        """Whether to believe this reading of the wall clock."""
        with self._lock:
            offset_s = wall.timestamp() - elapsed_s
            if self._offset_s is None:
                self._begin(wall, elapsed_s, offset_s)
            elif self._doubt:
                self._look_again(wall, elapsed_s, offset_s)
            elif abs(offset_s - self._offset_s) > STEP_S:
                self._stepped(wall, elapsed_s, offset_s)
            return not self._doubt

    def vouch(self, now: Now, who: str) -> None:
        """Believe the clock as it stands, by a person's word."""
        with self._lock:
            self._believe(now.wall, now.wall.timestamp() - now.elapsed_s, f"by the word of {who}")

    def judged(self) -> list[ClockJudged]:
        """The judgements since the last call, the first one included."""
        with self._lock:
            told, self._told = self._told, []
            return told

    def _begin(self, wall: datetime, elapsed_s: float, offset_s: float) -> None:
        behind = self._behind(wall)
        newest = self._newest
        if behind:
            self._believe(wall, offset_s, behind)
        elif wall < self._floor - timedelta(seconds=STEP_S):
            text = f"it says {wall:%Y-%m-%d %H:%M} UTC, but {self._floor:%Y-%m-%d %H:%M} UTC is known to be over"
            self._doubt_it(wall, elapsed_s, offset_s, text)
        elif newest is not None and _only_restored(wall, elapsed_s, newest):
            text = "the machine was started anew or its clock set since the newest record, and nothing stands behind it"
            self._doubt_it(wall, elapsed_s, offset_s, text)
        else:
            self._believe(wall, offset_s, "it goes on from the records")

    def _stepped(self, wall: datetime, elapsed_s: float, offset_s: float) -> None:
        """A step beyond the bound. The offset that was believed is kept, to know when the clock is back."""
        behind = self._behind(wall)
        if behind:
            self._believe(wall, offset_s, behind, silently=True)
            return
        assert self._offset_s is not None  # noqa: S101 - it has begun
        text = f"it was set by {(offset_s - self._offset_s) / 60:+.0f} min, and nothing stands behind that"
        self._doubt_it(wall, elapsed_s, self._offset_s, text)
        self._is_step = True

    def _look_again(self, wall: datetime, elapsed_s: float, offset_s: float) -> None:
        """A doubt ends by a witness, or when the clock is put right: back to where it was, or on to what can be."""
        assert self._offset_s is not None  # noqa: S101 - a doubt has begun
        moved_s = offset_s - self._offset_s
        set_right = abs(moved_s) <= STEP_S if self._is_step else wall >= self._floor and moved_s > SET_S
        if set_right:
            self._believe(wall, offset_s, "it has been set right")
        elif elapsed_s >= self._looked_s + LOOK_AGAIN_S:
            self._looked_s = elapsed_s
            behind = self._behind(wall)
            if behind:
                self._believe(wall, offset_s, behind)

    def _behind(self, wall: datetime) -> str:
        """What stands behind this reading, or ""."""
        witness = self._witness()
        if wall < EARLIEST_PLAUSIBLE:
            return ""
        if witness.synchronised:
            return "a time service keeps it"
        agrees = witness.rtc_s is not None and abs(witness.rtc_s - wall.timestamp()) <= RTC_AGREES_S
        return "the clock chip agrees" if agrees and wall >= self._floor else ""

    def _believe(self, wall: datetime, offset_s: float, why: str, *, silently: bool = False) -> None:
        self._offset_s, self._doubt, self._is_step = offset_s, "", False
        if not silently:
            self._told.append(ClockJudged(at=wall, trusted=True, why=why))

    def _doubt_it(self, wall: datetime, elapsed_s: float, offset_s: float, why: str) -> None:
        self._offset_s, self._doubt, self._looked_s = offset_s, why, elapsed_s
        self._told.append(ClockJudged(at=wall, trusted=False, why=why))


def _only_restored(wall: datetime, elapsed_s: float, newest: Now) -> bool:
    """Whether the machine came up after the newest record, with a clock that goes on where the record ended."""
    came_up = wall - timedelta(seconds=elapsed_s)
    rebooted = elapsed_s < newest.elapsed_s or abs((came_up - newest.wall).total_seconds() + newest.elapsed_s) > STEP_S
    return rebooted and came_up - newest.wall < timedelta(seconds=RESTORED_S)
