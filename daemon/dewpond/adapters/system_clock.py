"""The machine's own two clocks. The only file of the daemon that reads them."""

from __future__ import annotations

import threading
import time
from datetime import UTC, datetime

from dewpond.model.events import Now

# A wall clock before this has lost its battery: dewpond did not exist then.
EARLIEST_PLAUSIBLE = datetime(2026, 1, 1, tzinfo=UTC)


class SystemClock:
    """Wall clock (UTC) and monotonic clock.

    ``not_before`` is the newest time in the journal. A wall clock that stands before it is not trusted: it has not been
    set since the machine came up.
    """

    def __init__(self, not_before: datetime = EARLIEST_PLAUSIBLE) -> None:
        self._not_before = max(not_before, EARLIEST_PLAUSIBLE)
        self._woken = threading.Event()

    def now(self) -> Now:
        wall = datetime.now(UTC)
        return Now(wall=wall, elapsed_s=time.monotonic(), trusted=wall >= self._not_before)

    def wait(self, until_elapsed_s: float) -> None:
        remaining_s = until_elapsed_s - time.monotonic()
        if remaining_s > 0:
            self._woken.wait(min(remaining_s, threading.TIMEOUT_MAX))
        self._woken.clear()

    def wake(self) -> None:
        self._woken.set()

    def hold(self) -> None:
        """Real time cannot be held."""

    def unhold(self) -> None:
        """Real time cannot be held."""
