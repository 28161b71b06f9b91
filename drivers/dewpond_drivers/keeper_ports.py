"""What the keeper's loop needs from outside: its elapsed time, and whoever watches that it still turns."""

from __future__ import annotations

import selectors
from typing import Protocol


class KeeperClock(Protocol):
    """Elapsed time of the loop. Only the loop calls it."""

    def now_s(self) -> float: ...

    def select_timeout(self, deadline_s: float) -> float | None:
        """How long to wait for sockets when there is nothing to do before ``deadline_s``; None for ever."""
        ...

    def register(self, selector: selectors.BaseSelector) -> None: ...

    def handle(self, key: selectors.SelectorKey, /) -> bool: ...

    def acted(self) -> None:
        """Relays have moved; said before whoever asked gets the answer."""
        ...


class Supervisor(Protocol):
    """Who watches the keeper from outside."""

    def started(self) -> None: ...

    def alive(self, now_s: float) -> None: ...

    def next_due_s(self) -> float: ...
