"""Writing a few numbers of one zone into a site file's text, leaving every other character as it stands.

The result is parsed again and compared with what was asked for; a layout that cannot be edited so is refused, and the
person writes the lines.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from typing import Any

_HEADER = re.compile(r"\s*\[")
_ZONE = re.compile(r"\s*\[\[\s*zone\s*\]\]\s*(?:#.*)?$")
_KEY = re.compile(r"\s*([A-Za-z0-9_\-]+)\s*=")


class NotWritten(ValueError):
    """Raised when the text was left alone; says why and what to write by hand."""


def with_zone_values(text: str, zone: str, values: Mapping[str, str], drop: tuple[str, ...] = ()) -> str:
    """The text with ``values`` (TOML, as they are to stand) as keys of a zone, and the keys of ``drop`` taken out.

    A key that is there keeps its line and its comment; a new one stands after the zone's last plain key. Raises
    NotWritten where the result would say anything else besides.
    """
    lines = text.splitlines(keepends=True)
    span = _zone_lines(lines, zone)
    if span is None:
        raise NotWritten(f'the site file has no table [[zone]] with id = "{zone}" of its own; {_by_hand(values)}')
    first, last = span
    body = [line for line in lines[first:last] if not _is_key(line, drop)]
    for key, value in values.items():
        body = _set(body, key, value)
    edited = "".join(lines[:first] + body + lines[last:])
    if _plain(edited) != _wanted(text, zone, values, drop):
        raise NotWritten(f"the site file's layout cannot be edited line by line; {_by_hand(values)}")
    return edited


def _zone_lines(lines: list[str], zone: str) -> tuple[int, int] | None:
    """First and last + 1 of the lines between the header of the zone and the next header."""
    for start, line in enumerate(lines):
        if not _ZONE.match(line):
            continue
        end = next(
            (n for n in range(start + 1, len(lines)) if _HEADER.match(lines[n]) and _opens(lines, n)), len(lines)
        )
        found = _plain("".join(lines[start:end]))
        if found is not None and found.get("zone", [{}])[0].get("id") == zone:
            return start + 1, end
    return None


def _opens(lines: list[str], number: int) -> bool:
    """Whether a line that begins with a bracket opens a table; it may be the inside of a list."""
    return re.match(r"\s*\[\[?\s*[A-Za-z0-9_.\-\"' ]+?\s*\]\]?\s*(?:#.*)?$", lines[number]) is not None


def _is_key(line: str, names: tuple[str, ...]) -> bool:
    found = _KEY.match(line)
    return found is not None and found[1] in names


def _set(body: list[str], key: str, value: str) -> list[str]:
    for number, line in enumerate(body):
        if _is_key(line, (key,)):
            return [*body[:number], f"{key} = {value}{_comment(line, value)}\n", *body[number + 1 :]]
    place = max((n + 1 for n, line in enumerate(body) if _single_line(line)), default=0)
    return [*body[:place], f"{key} = {value}\n", *body[place:]]


def _comment(line: str, value: str) -> str:
    """The comment of a line, unless the new value brings its own."""
    found = None if "#" in value else re.search(r"\s+#[^\"']*$", line.rstrip("\n"))
    return found[0] if found else ""


def _single_line(line: str) -> bool:
    """Whether a line is a whole key by itself, so that another may follow it."""
    return _KEY.match(line) is not None and _plain(line) is not None


def _plain(text: str) -> dict[str, Any] | None:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return None


def _wanted(text: str, zone: str, values: Mapping[str, str], drop: tuple[str, ...]) -> dict[str, Any] | None:
    data = _plain(text)
    for table in (data or {}).get("zone", []):
        if table.get("id") == zone:
            for key in drop:
                table.pop(key, None)
            table.update({key: tomllib.loads(f"value = {value}")["value"] for key, value in values.items()})
    return data


def _by_hand(values: Mapping[str, str]) -> str:
    return "write by hand: " + ", ".join(f"{key} = {value}" for key, value in values.items())
