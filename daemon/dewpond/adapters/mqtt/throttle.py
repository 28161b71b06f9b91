"""Says a thing at once, and then no more often than once a minute, with the number of times it happened meanwhile."""

from __future__ import annotations

from dataclasses import dataclass

QUIET_S = 60.0


@dataclass(frozen=True, slots=True)
class Due:
    """What may be told now: the newest detail of a key, and how often it was noted since it was told last."""

    key: str
    detail: tuple[str, ...]
    count: int


class Throttle:
    """Keyed by what must not flood; the caller's keys are few. Times are elapsed seconds."""

    def __init__(self) -> None:
        self._noted: dict[str, Due] = {}
        self._told_s: dict[str, float] = {}

    def note(self, key: str, *detail: str, count: int = 1) -> None:
        """Remember that it happened, ``count`` times."""
        before = self._noted.get(key)
        self._noted[key] = Due(key, detail, count + (before.count if before is not None else 0))

    def due(self, elapsed_s: float) -> list[Due]:
        """What was noted and not told within the last minute."""
        self._told_s = {key: told_s for key, told_s in self._told_s.items() if elapsed_s - told_s < QUIET_S}
        ready = [noted for key, noted in self._noted.items() if key not in self._told_s]
        for noted in ready:
            del self._noted[noted.key]
            self._told_s[noted.key] = elapsed_s
        return ready
