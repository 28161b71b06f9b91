"""Holds the shared time of a proof where it is wanted: up to a limit, and so far without a participant that died."""

from __future__ import annotations

import math
from collections.abc import Callable

from dewpond_sim.conductor_server import Pace


class Gate(Pace):
    """Time runs as fast as it can up to ``until_s``, and while one of ``needs`` is not there, up to ``absent_s``.

    So a daemon that dies stops the time at that moment, whatever the machine is busy with, and the proof decides how
    much of it passes before the next one lives.
    """

    def __init__(self, needs: frozenset[str]) -> None:
        super().__init__(float)
        self.until_s = 0.0
        self.absent_s = 0.0
        self.needs = needs
        self.seated: Callable[[], frozenset[str]] = frozenset

    def allowed_s(self, now_s: float) -> float:
        """The latest time that may be moved to from ``now_s``."""
        absent_s = math.inf if self.needs <= self.seated() else self.absent_s
        return max(now_s, min(self.until_s, absent_s))

    def moved(self, from_s: float, to_s: float) -> None:
        """Real time plays no part."""
