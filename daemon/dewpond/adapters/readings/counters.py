"""Counters that only grow, roll over or start again, and increments that may arrive twice."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from dewpond.adapters.readings.times import Stamp

FUTURE = timedelta(hours=1)  # how far a sender's clock may run ahead before its times are not believed
REFUSED_IN_A_ROW = 5  # after so many impossible steps the jump was real; else it would block the counter for ever
REMEMBERED = 256  # increments kept to recognise a second delivery


@dataclass(frozen=True, slots=True, kw_only=True)
class Memory:
    """What must be remembered of one counter between two messages.

    ``raw`` and ``at`` are the last sample used; ``refused`` counts impossible steps in a row. ``recent`` are the times
    and raw values of the latest increments, oldest first.
    """

    raw: float = 0.0
    at: datetime | None = None
    refused: int = 0
    recent: tuple[tuple[datetime, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Counted:
    """What one sample adds. ``amount`` in the sensor's own unit, None when it adds nothing that is known."""

    amount: float | None
    quality: str
    window_s: float
    memory: Memory


def advance(
    memory: Memory | None,
    raw: float,
    stamp: Stamp,
    received_at: datetime,
    *,
    scale: float,
    rollover: float | None,
    max_step: float | None,
) -> Counted:
    """One sample of a cumulative counter; ``stamp`` is not after ``received_at`` + FUTURE.

    The first is a baseline. A fall is a roll-over if a modulus is declared and the step through it is at most
    ``max_step`` (half the modulus when not given), otherwise a reset, whose new value is a lower bound of the amount.
    """
    used = Memory(raw=raw, at=stamp.at)
    # A last time ahead of all clocks was taken before our own clock was set back: it would make every sample late.
    if memory is None or memory.at is None or memory.at > received_at + FUTURE:
        return Counted(None, "baseline", 0.0, used)
    if stamp.own and stamp.at < memory.at:
        return Counted(None, "late", 0.0, memory)
    if stamp.at == memory.at and raw == memory.raw:
        return Counted(0.0, "duplicate", 0.0, memory)
    window_s = max(0.0, (stamp.at - memory.at).total_seconds())
    amount, quality = _step(memory.raw, raw, scale, rollover, max_step)
    return Counted(amount, quality, window_s, used)


def _step(old: float, new: float, scale: float, rollover: float | None, max_step: float | None) -> tuple[float, str]:
    if new >= old:
        return (new - old) * scale, "good"
    if rollover is not None:
        through = (rollover - old + new) * scale
        limit = max_step if max_step is not None else rollover * scale / 2
        if 0 <= through <= limit:
            return through, "rollover"
    return new * scale, "reset"


def refuse_step(memory: Memory, raw: float, stamp: Stamp) -> Memory:
    """After an impossible step: the counter stays as it was, until too many in a row say that the jump was real."""
    if memory.refused + 1 >= REFUSED_IN_A_ROW:
        return Memory(raw=raw, at=stamp.at)
    return replace(memory, refused=memory.refused + 1)


def admit(memory: Memory | None, raw: float, stamp: Stamp, *, scale: float) -> Counted:
    """One increment. With its own time it is counted once however often and in whatever order it is delivered."""
    memory = memory or Memory()
    window_s = max(0.0, (stamp.at - memory.at).total_seconds()) if memory.at is not None else 0.0
    if not stamp.own:
        return Counted(raw * scale, "good", window_s, replace(memory, at=stamp.at))
    sample = (stamp.at, raw)
    if sample in memory.recent:
        return Counted(0.0, "duplicate", 0.0, memory)
    if len(memory.recent) == REMEMBERED and stamp.at < memory.recent[0][0]:
        return Counted(None, "late", 0.0, memory)  # older than anything remembered: it may have been counted
    recent = tuple(sorted((*memory.recent, sample))[-REMEMBERED:])
    return Counted(raw * scale, "good", window_s, Memory(at=recent[-1][0], recent=recent))
