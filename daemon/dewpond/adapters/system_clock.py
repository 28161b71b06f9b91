"""The machine's own two clocks. The only file of the daemon that reads them."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime

from dewpond.adapters.clock_trust import EARLIEST_PLAUSIBLE, ClockTrust
from dewpond.adapters.clock_witness import Witness
from dewpond.model.events import Now


class SystemClock:
    """Wall clock (UTC) and monotonic clock, and whether the first may be believed (see ``clock_trust``)."""

    def __init__(
        self,
        not_before: datetime = EARLIEST_PLAUSIBLE,
        *,
        newest: Now | None = None,
        witness: Callable[[], Witness] = Witness,
    ) -> None:
        self.trust = ClockTrust(not_before=not_before, newest=newest, witness=witness)
        self._woken = threading.Event()

    def now(self) -> Now:
        wall, elapsed_s = datetime.now(UTC), time.monotonic()
        return Now(wall=wall, elapsed_s=elapsed_s, trusted=self.trust.trusted(wall, elapsed_s))

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
