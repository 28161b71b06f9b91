"""Bytes on the wire to raw values, one way of decoding at a time. Nothing here raises for any bytes but Unreadable."""

from __future__ import annotations

import base64
import binascii
import csv
import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any
from urllib.parse import parse_qsl

from dewpond.adapters.readings.mapping import SensorMapping
from dewpond.adapters.readings.pointer import ABSENT, resolve
from dewpond.adapters.readings.senml import SenmlRecord, resolve_pack

MAX_DEPTH = 32  # levels of nesting; devices use a handful
MAX_FORM_FIELDS = 256
_JSON = json.JSONDecoder(parse_constant=str)
_QUOTED = re.compile(r'"(?:[^"\\]|\\.)*"', re.DOTALL)
_URL_SAFE = str.maketrans("-_", "+/")  # RFC 4648 section 5


class Unreadable(ValueError):
    """Raised when a payload is not in the form its mapping names; ``reason`` is the word for the record."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


@dataclass(frozen=True, slots=True)
class Found:
    """What a message holds for one sensor, unread: ABSENT where there is nothing."""

    raw: object
    time: object = ABSENT
    unit: object = ABSENT


class Message:
    """One payload, parsed at most once for each form that somebody asks for."""

    def __init__(self, payload: bytes) -> None:
        self.payload = payload

    @cached_property
    def text(self) -> str:
        """Trimmed; bytes that are not UTF-8 become replacement characters, which no number or word contains."""
        return self.payload.decode("utf-8-sig", errors="replace").strip()

    @cached_property
    def json(self) -> Any:
        """The parsed document. Raises Unreadable."""
        return parse_json(self.payload)

    @cached_property
    def senml(self) -> Mapping[str, list[SenmlRecord]]:
        """The resolved records by name, oldest first. Raises Unreadable."""
        try:
            return resolve_pack(self.json)
        except ValueError as error:
            raise Unreadable("not_senml") from error

    @cached_property
    def form(self) -> dict[str, str]:
        """Fields of a query string, with or without the path before it. Raises Unreadable."""
        path, mark, query = self.text.partition("?")
        fields = query if mark and "=" not in path else self.text
        try:
            return dict(parse_qsl(fields, keep_blank_values=True, max_num_fields=MAX_FORM_FIELDS))
        except ValueError as error:
            raise Unreadable("not_form") from error

    @cached_property
    def rows(self) -> list[list[str]]:
        """Lines of separated values. Raises Unreadable."""
        lines = self.text.splitlines()
        sign = next((each for each in ";\t" if each in self.text), ",")
        try:
            return [[cell.strip() for cell in row] for row in csv.reader(lines, delimiter=sign)]
        except csv.Error as error:
            raise Unreadable("not_csv") from error


def parse_json(payload: bytes) -> Any:
    """RFC 8259 text; NaN and Infinity, which some firmware sends, become the words. Raises Unreadable."""
    try:
        text = payload.decode("utf-8-sig")
        if text.count("[") + text.count("{") > MAX_DEPTH and _depth(text) > MAX_DEPTH:
            raise Unreadable("not_json")
        return _JSON.decode(text)
    except (UnicodeDecodeError, ValueError, RecursionError) as error:
        raise Unreadable("not_json") from error


def _depth(text: str) -> int:
    deepest = level = 0
    for sign in _QUOTED.sub("", text):
        if sign in "[{":
            level += 1
            deepest = max(deepest, level)
        elif sign in "]}":
            level -= 1
    return deepest


def find(mapping: SensorMapping, message: Message) -> list[Found]:
    """What the message holds for a sensor, oldest first; never empty. Raises Unreadable."""
    return _FINDERS[mapping.decode](mapping, message)


def _find_text(_mapping: SensorMapping, message: Message) -> list[Found]:
    return [Found(message.text)]


def _find_json(mapping: SensorMapping, message: Message) -> list[Found]:
    return [_at_pointers(mapping, message.json)]


def _find_form(mapping: SensorMapping, message: Message) -> list[Found]:
    return [_at_pointers(mapping, message.form)]


def _at_pointers(mapping: SensorMapping, document: object) -> Found:
    rule = mapping.time
    return Found(
        raw=resolve(document, mapping.pointer),
        time=resolve(document, rule.pointer) if rule is not None and rule.pointer is not None else ABSENT,
        unit=resolve(document, mapping.unit_pointer) if mapping.unit_pointer is not None else ABSENT,
    )


def _find_json_b64(mapping: SensorMapping, message: Message) -> list[Found]:
    found = _at_pointers(mapping, message.json)
    return [Found(_unpack(mapping, _from_base64(found.raw)), found.time, found.unit)]


def _find_bytes(mapping: SensorMapping, message: Message) -> list[Found]:
    return [Found(_unpack(mapping, message.payload))]


def _from_base64(raw: object) -> object:
    """The bytes of base64 text in either alphabet, padded or not; anything else stays what it is and is no number."""
    if not isinstance(raw, str):
        return raw
    text = raw.strip().rstrip("=").translate(_URL_SAFE)
    try:
        return base64.b64decode(text + "=" * (-len(text) % 4), validate=True)
    except (binascii.Error, ValueError):
        return raw


def _unpack(mapping: SensorMapping, data: object) -> object:
    """The packed number at its byte; ABSENT in a message too short for it."""
    if not isinstance(data, bytes) or mapping.packing is None:
        return data if data is ABSENT or data is None else "no bytes"
    if len(data) < mapping.byte + mapping.packing.size:
        return ABSENT
    return mapping.packing.unpack_from(data, mapping.byte)[0]


def _find_senml(mapping: SensorMapping, message: Message) -> list[Found]:
    records = message.senml.get(mapping.name, [])
    return [Found(record.fields.get(mapping.senml_field, ABSENT), record.time_s) for record in records] or [
        Found(ABSENT)
    ]


def _find_csv(mapping: SensorMapping, message: Message) -> list[Found]:
    time = ABSENT if mapping.time is None else _cell(message.rows, mapping.time.column)
    return [Found(_cell(message.rows, mapping.column), time)]


def _cell(rows: list[list[str]], column: int | str | None) -> object:
    """A cell of the last line, by number from 0 or by its name in the first line."""
    if isinstance(column, str):
        header = rows[0] if len(rows) > 1 else []
        column = header.index(column) if column in header else None
    if column is None or not rows or column >= len(rows[-1]):
        return ABSENT
    return rows[-1][column]


_FINDERS: Mapping[str, Callable[[SensorMapping, Message], list[Found]]] = {
    "text": _find_text,
    "json": _find_json,
    "json_b64": _find_json_b64,
    "senml": _find_senml,
    "form": _find_form,
    "csv": _find_csv,
    "bytes": _find_bytes,
}
