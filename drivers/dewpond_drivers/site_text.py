"""The site file as TOML tables, for the keeper: read with a clear refusal, and its values cut short for messages."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

MOST_NESTING = 64  # a site file needs five levels; deeper ones only serve to exhaust the reader
MOST_SHOWN = 60
_AT = re.compile(r"\s*\(at (?P<place>line \d+, column \d+|end of document)\)")


class SiteUnreadable(ValueError):
    """Raised when a site file cannot be read as TOML; the text says what, where, limit and remedy in one line."""


def read_tables(site_file: Path) -> dict[str, Any]:
    """The tables of a site file, a byte order mark at its start left out. Raises SiteUnreadable."""
    try:
        text = site_file.read_bytes().decode("utf-8-sig")
    except OSError as fault:
        raise SiteUnreadable(
            f"{site_file}: cannot be read: {fault.strerror}; check the name and who may read it"
        ) from None
    except UnicodeDecodeError as fault:
        raise SiteUnreadable(f"{site_file}: byte {fault.start} is not UTF-8 text; save the file as UTF-8") from None
    try:
        tables = tomllib.loads(text)
    except RecursionError:
        raise _too_deep(site_file) from None
    except ValueError as fault:
        raise SiteUnreadable(_not_toml(site_file, str(fault))) from None
    if nests_deeper(tables, MOST_NESTING):
        raise _too_deep(site_file)
    return tables


def nests_deeper(tables: dict[str, Any], most: int) -> bool:
    """Whether lists and tables stand in one another more than ``most`` times; without recursion of its own."""
    level: list[Any] = [tables]
    for _ in range(most):
        inner = (child for each in level for child in (each.values() if isinstance(each, dict) else each))
        level = [child for child in inner if isinstance(child, dict | list)]
    return bool(level)


def short(value: Any) -> str:
    """A value as Python writes it, cut where a message would only repeat a file."""
    try:
        text = repr(value)
    except ValueError:  # Python writes no number of more than some 4300 digits
        return "a number of thousands of digits"
    return cut(text)


def cut(text: str) -> str:
    """A text as it stands, or its beginning and its length."""
    return text if len(text) <= MOST_SHOWN else f"{text[: MOST_SHOWN - 20]}... of {len(text)} characters"


def _too_deep(site_file: Path) -> SiteUnreadable:
    what = f"lists or tables are nested too deeply; at most {MOST_NESTING} levels are read"
    return SiteUnreadable(f"{site_file.name}: {what}; take out the surplus brackets")


def _not_toml(site_file: Path, fault: str) -> str:
    found = _AT.search(fault)
    place = f"{site_file.name}, {found['place']}" if found else site_file.name
    what = f"{fault[:1].lower()}{_AT.sub('', fault)[1:]}" if found else "a number has thousands of digits"
    return f"{place}: not TOML: {what}; site files are TOML 1.0; correct the line, or the one before it"
