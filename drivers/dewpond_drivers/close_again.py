"""Close pulses given again: a single pulse may fail on a low battery or a sticking plunger, and nobody would see it."""

from __future__ import annotations

import math
from collections.abc import Collection

AGAIN_S = (2.0, 10.0, 60.0)  # after a closing; no pulse is given for ever, for coils and batteries have their life


class CloseAgain:
    """Which of some outputs are to be closed again, and when. Times in elapsed seconds."""

    def __init__(self, outputs: Collection[int]) -> None:
        self._outputs = tuple(outputs)
        self._due_s: dict[int, tuple[float, ...]] = {}

    def closed(self, output: int, now_s: float) -> None:
        """An output was closed; only those that need it are closed again."""
        if output in self._outputs:
            self._due_s[output] = tuple(now_s + later_s for later_s in AGAIN_S)

    def all_closed(self, now_s: float) -> None:
        """Every output was closed."""
        for output in self._outputs:
            self.closed(output, now_s)

    def opened(self, output: int) -> None:
        """An output is about to be opened: no old closing may follow."""
        self._due_s.pop(output, None)

    def next_s(self) -> float:
        """When the next closing is due; inf when none is."""
        return min((due[0] for due in self._due_s.values()), default=math.inf)

    def take(self, now_s: float) -> int | None:
        """One output that is due, the longest waiting first; None when there is none."""
        if self.next_s() > now_s:
            return None
        output = min(self._due_s, key=lambda each: self._due_s[each][0])
        left = tuple(due_s for due_s in self._due_s[output][1:] if due_s > now_s)
        if left:
            self._due_s[output] = left
        else:
            del self._due_s[output]
        return output
