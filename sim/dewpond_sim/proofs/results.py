"""Results of trials: a line of JSON each in one file, so that a long proof can be ended and taken up again."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

FILE = "results.jsonl"


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """One trial. ``wrong`` is empty when it kept every promise; ``count`` is how many faults it put to the proof."""

    proof: str
    kind: str
    seed: int
    wrong: list[str]
    count: int = 1
    figures: dict[str, Any] = field(default_factory=dict)

    @property
    def key(self) -> tuple[str, str, int]:
        return self.proof, self.kind, self.seed


class Book:
    """Results kept in a folder. Several processes may add to it."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._path = folder / FILE

    def add(self, result: Result) -> None:
        """One line, written whole."""
        line = json.dumps(asdict(result)).encode() + b"\n"
        descriptor = os.open(self._path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
        try:
            os.write(descriptor, line)
        finally:
            os.close(descriptor)

    def all(self) -> list[Result]:
        """Every result, the last one of a trial that was repeated."""
        if not self._path.exists():
            return []
        found = (Result(**json.loads(line)) for line in self._path.read_text(encoding="utf-8").splitlines())
        return list({result.key: result for result in found}.values())

    def done(self) -> set[tuple[str, str, int]]:
        """Keys of the trials that need not be run again."""
        return {result.key for result in self.all()}


def greatest(figure: str, results: Iterable[Result]) -> float | None:
    """The greatest of one figure among these; None where none has it."""
    return max((result.figures[figure] for result in results if figure in result.figures), default=None)
