"""What the keeper's core and everybody around it speak of: openings, closings and answers."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(slots=True)
class Opening:
    """One output held open, times in elapsed seconds. ``closing`` says why it must close, "" while it may stay open.

    ``wished`` says that a person wants it shut, by a stop or a lock.
    """

    run: str
    output: int
    opened_s: float
    planned_end_s: float
    lease_end_s: float
    closing: str = ""
    wished: bool = False


@dataclass(frozen=True, slots=True)
class Closing:
    """An output was closed at ``at_s`` after ``open_s`` seconds."""

    run: str
    output: int
    open_s: float
    at_s: float
    why: str
    wished: bool = False


@dataclass(frozen=True, slots=True)
class Answer:
    """What came of a request: ``why`` is "" or a sentence; ``closings`` are all that happened on the way."""

    ok: bool
    why: str = ""
    closings: tuple[Closing, ...] = ()
