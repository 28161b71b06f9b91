"""Line numbers of tables and keys in a TOML text, for messages. tomllib keeps none.

Reads headers and ``key =`` at the start of a line; a key inside an inline table is found at the line of its owner.
"""

from __future__ import annotations

import re

Path = tuple[str | int, ...]

_HEADER = re.compile(r"\s*(\[\[?)\s*([A-Za-z0-9_.\-\"' ]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"\s*([A-Za-z0-9_\-]+|\"[^\"]*\"|'[^']*')\s*(?:=|\.)")
_FENCES = ('"""', "'''")


class Positions:
    """Where each table and key of a text begins. Paths are as in the parsed data: ("zone", 2, "area")."""

    def __init__(self, text: str) -> None:
        self._lines: dict[Path, int] = {}
        self._counts: dict[Path, int] = {}
        self._read(text)

    def line(self, path: Path) -> int | None:
        """The line of a key, or of the nearest thing around it that is known."""
        while path:
            if path in self._lines:
                return self._lines[path]
            path = path[:-1]
        return None

    def _read(self, text: str) -> None:
        table: Path = ()
        fence = ""
        for number, line in enumerate(text.splitlines(), start=1):
            if fence:
                fence = "" if fence in line else fence
                continue
            header = _HEADER.match(line)
            if header:
                table = self._enter(header[2], repeated=header[1] == "[[")
                self._lines.setdefault(table, number)
                continue
            key = _KEY.match(line)
            if key:
                self._lines.setdefault((*table, key[1].strip("\"'")), number)
            fence = next((mark for mark in _FENCES if line.count(mark) == 1), "")

    def _enter(self, name: str, *, repeated: bool) -> Path:
        """The path of a header. A name that was an array of tables before means the last of them."""
        parts = [part.strip().strip("\"'") for part in name.split(".")]
        path: Path = ()
        for part in parts[:-1]:
            path = self._last((*path, part))
        path = (*path, parts[-1])
        if repeated:
            self._counts[path] = self._counts.get(path, -1) + 1
            return (*path, self._counts[path])
        return path

    def _last(self, path: Path) -> Path:
        return (*path, self._counts[path]) if path in self._counts else path
