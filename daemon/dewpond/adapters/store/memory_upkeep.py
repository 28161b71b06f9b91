"""The UpkeepBook port in memory: for tests, demonstrations and trying things out."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace

from dewpond.model.upkeep import EntryRefused, Overtaken, UpkeepEntry, body_text, fault_of


class MemoryUpkeepBook:
    """Keeps what it is given, by the same rules as the book on disk."""

    def __init__(self) -> None:
        self._entries: dict[tuple[str, str], list[UpkeepEntry]] = {}

    def keep(self, *entries: UpkeepEntry) -> None:
        """Keep all of them, or none. Raises EntryRefused, and Overtaken when one does not follow the newest."""
        kept = {key: list(versions) for key, versions in self._entries.items()}
        for entry in entries:
            fault = fault_of(entry)
            if fault:
                raise EntryRefused(fault)
            versions = kept.setdefault((entry.kind, entry.subject), [])
            if versions and versions[-1].version != entry.version - 1:
                raise Overtaken(versions[-1], entry.version - 1)
            if not versions and entry.version != 1:
                raise EntryRefused(f"{entry.kind} {entry.subject}: there is no version {entry.version - 1}")
            versions.append(replace(entry, body=json.loads(body_text(entry.body))))
        self._entries = kept

    def newest(self, kind: str, subject: str) -> UpkeepEntry | None:
        """The last version, None when there is none."""
        versions = self._entries.get((kind, subject))
        return versions[-1] if versions else None

    def all_newest(self, kind: str, prefix: str = "") -> Sequence[UpkeepEntry]:
        """The last version of every subject of a kind whose name begins so, by subject."""
        keys = sorted(key for key in self._entries if key[0] == kind and key[1].startswith(prefix))
        return [self._entries[key][-1] for key in keys]

    def history(self, kind: str, subject: str) -> Sequence[UpkeepEntry]:
        """Every version, oldest first."""
        return list(self._entries.get((kind, subject), ()))
