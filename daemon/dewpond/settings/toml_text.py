"""The text of a site file to plain tables, refused clearly where it is no TOML or would exhaust its readers."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from typing import Any

MOST_NESTING = 64  # a site file needs five levels; deeper ones only serve to exhaust the reader
_AT = re.compile(r"\(at line (\d+), column (\d+)\)")


@dataclass
class NotTables(Exception):
    """Raised when a text does not give tables: what is wrong, limit, remedy, and the place where it is known."""

    what: str
    limit: str
    remedy: str
    line: int | None = None
    column: str = ""


def parse_tables(text: str) -> dict[str, Any]:
    """The tables of a TOML text. Raises NotTables."""
    try:
        tables = tomllib.loads(text)
    except RecursionError:
        raise _too_deep() from None
    except ValueError as fault:
        raise _not_toml(str(fault)) from None
    if _nests_deeper(tables, MOST_NESTING):
        raise _too_deep()
    return tables


def _too_deep() -> NotTables:
    limit = f"at most {MOST_NESTING} levels are read"
    return NotTables("lists or tables are nested too deeply", limit, "take out the surplus brackets")


def _not_toml(fault: str) -> NotTables:
    found = _AT.search(fault)
    what = fault[: found.start()].strip() if found else fault
    if "integer string conversion" in fault:
        what = "a number has thousands of digits"
    return NotTables(
        what=f"not TOML: {what[:1].lower()}{what[1:]}",
        limit="site files are TOML 1.0",
        remedy="correct the line, or the one before it",
        line=int(found[1]) if found else None,
        column=f"column {found[2]}" if found else "",
    )


def _nests_deeper(tables: dict[str, Any], most: int) -> bool:
    """Whether lists and tables stand in one another more than ``most`` times; without recursion of its own."""
    level: list[Any] = [tables]
    for _ in range(most):
        inner = (child for each in level for child in (each.values() if isinstance(each, dict) else each))
        level = [child for child in inner if isinstance(child, dict | list)]
    return bool(level)
