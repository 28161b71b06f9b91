"""What the store still has to write: bounded, and honest about what it had to give up."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from dewpond.adapters.store.rows import Row, step_rows
from dewpond.model.commands import Command
from dewpond.model.events import Event, Now, ReadingsArrived

# Sizes in memory: a journal row and its event without the body (1,290 measured with tracemalloc), the two floats of a
# reading, and a command (400 measured for a run, more for a reason).
_ROW_BYTES, _READING_BYTES, _COMMAND_BYTES = 1300, 16, 1000


@dataclass(frozen=True, slots=True)
class Step:
    """One journalled step, ready to be written."""

    step_no: int
    rows: list[Row]
    blocks: tuple[ReadingsArrived, ...]
    size: int


class Buffer:
    """Steps, commands and the newest snapshot. Beyond ``keep_bytes`` the oldest steps go, then the oldest commands."""

    def __init__(self, keep_bytes: int) -> None:
        self._keep_bytes = keep_bytes
        self.steps: deque[Step] = deque()
        self.commands: deque[Command] = deque()
        self.snapshot: Row | None = None
        self.size = 0
        self.lost_steps = 0
        self.lost_commands = 0

    def __bool__(self) -> bool:
        return bool(self.steps or self.commands or self.snapshot)

    def add_step(self, step_no: int, now: Now, events: Sequence[Event], commands: Sequence[Command]) -> None:
        rows = step_rows(step_no, now, events, commands)
        blocks = tuple(event for event in events if isinstance(event, ReadingsArrived))
        size = sum(len(row["body"]) + _ROW_BYTES for row in rows) + sum(b.time_s.size * _READING_BYTES for b in blocks)
        self.steps.append(Step(step_no, rows, blocks, size))
        self.size += size
        self._trim()

    def add_command(self, command: Command) -> None:
        self.commands.append(command)
        self.size += _COMMAND_BYTES
        self._trim()

    def _trim(self) -> None:
        while self.size > self._keep_bytes and len(self.steps) + len(self.commands) > 1:
            if self.steps:
                self.size -= self.steps.popleft().size
                self.lost_steps += 1
            else:
                self.commands.popleft()
                self.size -= _COMMAND_BYTES
                self.lost_commands += 1
