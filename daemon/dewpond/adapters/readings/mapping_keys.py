"""Reads the keys of one mapping table and notes every problem with its key, limit and remedy; none ends the reading."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from dewpond.adapters.readings.numbers import to_word
from dewpond.adapters.readings.pointer import parse_pointer
from dewpond.adapters.readings.shown import cut, shown


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyProblem:
    """What is wrong with one key of a mapping."""

    key: str
    what: str
    limit: str = ""
    remedy: str = ""

    def sentence(self) -> str:
        """Key, fact, limit and remedy on one line."""
        return f"{self.key}: " + "; ".join(part for part in (self.what, self.limit, self.remedy) if part) + "."


class Keys:
    """One table. Getters give None for an absent key, and also for a bad one, which is then among ``problems``."""

    def __init__(self, table: Mapping[str, Any], problems: list[KeyProblem] | None = None, prefix: str = "") -> None:
        self._table = {key: value for key, value in table.items() if value is not None}
        self._prefix = prefix
        self.problems: list[KeyProblem] = [] if problems is None else problems

    def __contains__(self, key: str) -> bool:
        return key in self._table

    def get(self, key: str) -> Any:
        """The value as written."""
        return self._table.get(key)

    def refuse(self, key: str, what: str, limit: str = "", remedy: str = "") -> None:
        """Note a problem."""
        self.problems.append(KeyProblem(key=self._prefix + key, what=what, limit=limit, remedy=remedy))

    def only(self, known: frozenset[str] | set[str]) -> None:
        """Note every key that nobody reads."""
        for key in sorted(set(self._table) - known):
            self.refuse(
                cut(key), "unknown key", f"known are {', '.join(sorted(known))}", "correct the spelling or take it out"
            )

    def table(self, key: str, known: set[str]) -> Keys:
        """A nested table; an empty one when absent or no table."""
        value = self._table.get(key, {})
        if not isinstance(value, Mapping):
            self.refuse(
                key, f"{shown(value)} is no table", f"it has the keys {', '.join(sorted(known))}", "write it in braces"
            )
            value = {}
        inner = Keys(value, self.problems, f"{self._prefix}{key} ")
        inner.only(known)
        return inner

    def text(self, key: str) -> str | None:
        """A text that is not empty."""
        value = self._table.get(key)
        if value is None or (isinstance(value, str) and value.strip()):
            return value
        self.refuse(key, f"{shown(value)} is no text", "", "write it in quotes")
        return None

    def word(self, key: str, choices: tuple[str, ...]) -> str | None:
        """One of a few words."""
        value = self._table.get(key)
        if value is None or value in choices:
            return value
        self.refuse(
            key, f"{shown(value)} is not known here", f"accepted are {', '.join(choices)}", "choose one of them"
        )
        return None

    def number(self, key: str) -> float | None:
        """A finite number."""
        value = self._table.get(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= 1e300:
            self.refuse(key, f"{shown(value)} is no finite number", "", "write a plain number")
            return None
        return float(value)

    def positive(self, key: str) -> float | None:
        """A number above 0."""
        value = self.number(key)
        if value is not None and value <= 0:
            self.refuse(key, f"{value:g}", "it is above 0", "correct it")
            return None
        return value

    def count(self, key: str) -> int | None:
        """A whole number, 0 or more."""
        value = self._table.get(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= 65_535:
            self.refuse(key, shown(value), "it is a whole number from 0 to 65535", "count from 0")
            return None
        return value

    def column(self, key: str) -> int | str:
        """A column by number, counted from 0, or by its name in a header line."""
        value = self._table.get(key)
        if isinstance(value, str) and value.strip():
            return value.strip()
        return self.count(key) or 0

    def numbers(self, key: str) -> list[float]:
        """A list of finite numbers."""
        value = self._table.get(key, [])
        listed = value if isinstance(value, list | tuple) else [value]
        plain = all(isinstance(each, int | float) and not isinstance(each, bool) for each in listed)
        if plain and all(abs(each) <= 1e300 for each in listed):
            return [float(each) for each in listed]
        self.refuse(key, f"{shown(value)} is no list of numbers", "", "write for instance [85.0, -127]")
        return []

    def span(self, key: str) -> tuple[float, float] | None:
        """Two numbers, low before high."""
        if key not in self._table:
            return None
        pair = self.numbers(key)
        if len(pair) == 2 and pair[0] < pair[1]:
            return pair[0], pair[1]
        limit = "it is two numbers, low before high, in the canonical unit"
        self.refuse(key, f"{shown(self._table[key])} is no range", limit, "write for instance [0, 0.7]")
        return None

    def pointer(self, key: str) -> tuple[str, ...] | None:
        """The tokens of a JSON Pointer."""
        value = self._table.get(key)
        if value is None:
            return None
        try:
            return parse_pointer(value if isinstance(value, str) else repr(value))
        except ValueError as error:
            self.refuse(key, str(error), "", "write for instance /soil/moisture")
            return None

    def words(self, key: str) -> frozenset[str]:
        """A word or a list of words, trimmed and without case."""
        value = self._table.get(key, [])
        listed = value if isinstance(value, list | tuple) else [value]
        words = frozenset(word for word in map(to_word, listed) if word)
        if key in self._table and (len(words) == 0 or len(words) < len(listed)):
            self.refuse(
                key, shown(value), "it is a word or a list of different words", 'write for instance ["on", "open"]'
            )
        return words

    def zone(self, key: str) -> ZoneInfo | None:
        """A zone of the IANA time zone database."""
        name = self.text(key)
        if name is None:
            return None
        try:
            return ZoneInfo(name)
        except (ZoneInfoNotFoundError, ValueError, OSError):  # OSError: a name that is a folder of the database
            self.refuse(
                key,
                f'"{cut(name)}" is no time zone',
                "a name of the IANA database",
                'write for instance "Europe/Berlin"',
            )
            return None

    def topic_filter(self, key: str, value: str) -> str:
        """A topic filter of MQTT 3.1.1, section 4.7; shared subscriptions would lose messages to other readers."""
        levels = value.split("/")
        wild = any(sign in level and level != sign for level in levels for sign in "+#") or "#" in levels[:-1]
        if not value or "\0" in value or wild or levels[0] == "$share" or len(value.encode(errors="replace")) > 65_535:
            limit = "a topic; + stands alone for a level, # alone at the end, no $share"
            self.refuse(key, f"{shown(value)} is no topic to listen to", limit, "correct it")
        return value
