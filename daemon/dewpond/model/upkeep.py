"""What is kept of the work done on foot: one entry after the other, each with who and when, none ever changed.

An entry is one version of one thing: kind ("walk", "task", "register", "audit"), subject (a zone id, a walk's number)
and a body of plain JSON whose shape is the kind's own affair. A change is a new entry that names the version it was
made from, so that of two people who change one thing at once neither loses a word: the second is told of the first.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

LONGEST_NAME = 200  # of kind and subject
LONGEST_WHO = 100
LARGEST_BODY_BYTES = 1_000_000


class EntryRefused(ValueError):
    """Raised when an entry cannot be kept as it is: what is wrong with it, the limit and the remedy."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UpkeepEntry:
    """One version of one thing. ``version`` counts from 1 within kind and subject; ``at`` is aware."""

    kind: str
    subject: str
    version: int
    at: datetime
    who: str
    body: Mapping[str, Any] = field(default_factory=dict)


class Overtaken(Exception):
    """Raised when somebody else has kept a newer version meanwhile; ``newest`` is theirs, and nothing was written."""

    def __init__(self, newest: UpkeepEntry, made_from: int) -> None:
        super().__init__(
            f"{newest.kind} {newest.subject}: {newest.who} changed it at {newest.at.isoformat(timespec='seconds')} "
            f"(version {newest.version}), and this was made from version {made_from}; nothing was lost: look at the "
            "newest, then enter yours again"
        )
        self.newest = newest


def next_entry(
    kind: str, subject: str, body: Mapping[str, Any], *, who: str, at: datetime, made_from: UpkeepEntry | int | None
) -> UpkeepEntry:
    """The entry that follows ``made_from`` (an entry, its version, or None for the first). Raises EntryRefused."""
    before = made_from.version if isinstance(made_from, UpkeepEntry) else made_from or 0
    entry = UpkeepEntry(kind=kind, subject=subject, version=before + 1, at=at, who=who.strip(), body=body)
    fault = fault_of(entry)
    if fault:
        raise EntryRefused(fault)
    return entry


def fault_of(entry: UpkeepEntry) -> str:
    """Why an entry cannot be kept, with limit and remedy, or ""."""
    for name, text, longest in (
        ("kind", entry.kind, LONGEST_NAME),
        ("subject", entry.subject, LONGEST_NAME),
        ("who", entry.who, LONGEST_WHO),
    ):
        if not text.strip():
            return f"upkeep entry, {name}: it is empty; every entry names its kind, its subject and who made it"
        if len(text) > longest:
            return f"upkeep entry, {name}: {len(text)} letters, at most {longest}; shorten it"
    if entry.version < 1:
        return f"upkeep entry, version {entry.version}: versions count from 1; name the version it was made from"
    if entry.at.tzinfo is None:
        return f"upkeep entry, at {entry.at.isoformat()}: the time has no offset; give an aware one"
    try:
        size = len(body_text(entry.body).encode())
    except (TypeError, ValueError) as error:
        return f"upkeep entry, body: {error}; give plain JSON with finite numbers"
    if size > LARGEST_BODY_BYTES:
        return f"upkeep entry, body: {size} bytes, at most {LARGEST_BODY_BYTES}; keep pictures as files and name them"
    return ""


def body_text(body: Mapping[str, Any]) -> str:
    """A body as compact JSON. Raises TypeError or ValueError for what JSON cannot say."""
    return json.dumps(body, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
