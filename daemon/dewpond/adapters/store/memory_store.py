"""The Store port in memory: for replays and tests, which want no disk and pay nothing for serialising."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Sequence
from typing import TypeVar

from dewpond.model.codec import to_plain
from dewpond.model.commands import Command
from dewpond.model.events import Event, Now

C = TypeVar("C", bound=Command)


class MemoryStore:
    """Keeps what it is given, in order. It never fails and has no faults."""

    def __init__(self) -> None:
        self.steps: list[tuple[int, Now, tuple[Event, ...]]] = []
        self.commands: list[tuple[int, tuple[Command, ...]]] = []
        self.records: list[Command] = []
        self.snapshots: list[tuple[int, Now, object]] = []
        self.commits = 0

    def append(self, step_no: int, now: Now, events: Sequence[Event], commands: Sequence[Command]) -> None:
        self.steps.append((step_no, now, tuple(events)))
        self.commands.append((step_no, tuple(commands)))

    def record(self, command: Command) -> None:
        self.records.append(command)

    def commit(self) -> bool:
        self.commits += 1
        return True

    def faults(self) -> Sequence[Event]:
        return ()

    def snapshot(self, step_no: int, now: Now, state: object) -> None:
        self.snapshots.append((step_no, now, state))

    def flush_if_due(self, now: Now) -> None:
        """Nothing ever waits here."""

    def recorded(self, kind: type[C]) -> Iterator[C]:
        """The recorded commands of one kind, in order; later ones of the same key replace earlier ones for a reader."""
        return (command for command in self.records if isinstance(command, kind))

    def journal_digest(self) -> str:
        """SHA-256 over what every step received and wanted, exactly: equal digests mean equal journals, bit for bit."""
        digest = hashlib.sha256()
        for (step_no, now, events), (_, commands) in zip(self.steps, self.commands, strict=True):
            plain = [step_no, to_plain(now), *([type(one).__name__, to_plain(one)] for one in (*events, *commands))]
            digest.update(json.dumps(plain, separators=(",", ":")).encode() + b"\n")
        return digest.hexdigest()
