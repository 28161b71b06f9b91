"""Reads the relay log of the simulated driver as it grows: ``monotonic_s output on|off``, one line a change."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class RelayMoved:
    """A relay went on or off at ``at_s`` of the keeper's elapsed time."""

    at_s: float
    output: int
    on: bool


class RelayLog:
    """The log at ``path``, which need not exist yet. Each change is given once."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._read_bytes = 0

    def news(self) -> list[RelayMoved]:
        """Changes written since the last call, whole lines only. Raises ValueError for a line that is none."""
        try:
            with self._path.open("rb") as log:
                log.seek(self._read_bytes)
                heard = log.read()
        except FileNotFoundError:
            return []
        whole = heard[: heard.rfind(b"\n") + 1]
        self._read_bytes += len(whole)
        return [_parsed(line) for line in whole.decode("ascii").splitlines()]


def _parsed(line: str) -> RelayMoved:
    words = line.split()
    if len(words) != 3 or words[2] not in ("on", "off"):
        raise ValueError(f'relay log line {line!r}: expected "monotonic_s output on|off"')
    return RelayMoved(float(words[0]), int(words[1]), words[2] == "on")
