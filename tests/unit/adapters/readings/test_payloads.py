"""Payload shapes, one way of decoding at a time."""

from __future__ import annotations

import base64
import json
from typing import Any

import pytest

from dewpond.adapters.readings.mapping import parse_mapping
from dewpond.adapters.readings.payloads import MAX_DEPTH, Message, Unreadable, find, parse_json
from dewpond.adapters.readings.pointer import ABSENT
from dewpond.model.site import Sensor


def raw(payload: bytes | str, **mapping: Any) -> object:
    """The one raw value of a payload."""
    rule = parse_mapping(Sensor(id="s", kind="other", topic="t", mapping=mapping))
    message = Message(payload.encode() if isinstance(payload, str) else payload)
    (found,) = find(rule, message)
    return found.raw


def test_text_is_trimmed_and_without_byte_order_mark() -> None:
    assert raw(b"\xef\xbb\xbf 23.7\r\n", decode="text") == "23.7"


def test_not_a_number_literals_of_some_firmware_become_words_and_spoil_no_other_field() -> None:
    document = '{"bad": NaN, "worse": -Infinity, "good": 1}'
    assert raw(document, pointer="/bad") == "NaN"
    assert raw(document, pointer="/worse") == "-Infinity"
    assert raw(document, pointer="/good") == 1


@pytest.mark.parametrize("payload", [b"", b"{", b"\xff\xfe{}", b'{"a":1}x', b"[" * 2000, b'{"a":' * 900, b"9" * 5000])
def test_what_is_no_json_has_one_word(payload: bytes) -> None:
    with pytest.raises(Unreadable, match="not_json"):
        parse_json(payload)


def test_depth_is_limited_but_brackets_in_text_do_not_count() -> None:
    assert parse_json(b"[" * MAX_DEPTH + b"]" * MAX_DEPTH)
    with pytest.raises(Unreadable):
        parse_json(b"[" * (MAX_DEPTH + 1) + b"]" * (MAX_DEPTH + 1))
    assert parse_json(json.dumps({"note": "[" * 100 + '"' + "{" * 100}).encode())


def test_packed_numbers_of_either_alphabet_padded_or_not() -> None:
    packed = bytes([0xFB, 0xEF, 0xFF, 0x9C])
    for text in (base64.b64encode(packed).decode(), base64.urlsafe_b64encode(packed).decode().rstrip("=")):
        assert raw(json.dumps({"p": text}), pointer="/p", struct=">h", byte=2) == -100
        assert raw(json.dumps({"p": text}), pointer="/p", struct="B") == 0xFB


def test_message_too_short_for_its_number_has_none() -> None:
    assert raw('{"p": "AQ=="}', pointer="/p", struct=">H", byte=1) is ABSENT
    assert raw("{}", pointer="/p", struct=">H") is ABSENT
    assert raw(b"\x01", struct="<I") is ABSENT


def test_plain_bytes_hold_a_number_too() -> None:
    assert raw(b"\x00\x01\x02", struct="<H", byte=1) == 0x0201


@pytest.mark.parametrize(
    ("line", "column", "cell"),
    [
        ("2026-05-14,23.7,ok", 1, "23.7"),
        ("23,7;48", 0, "23,7"),
        ("a\tb", 1, "b"),
        ('"one, two", 3', 1, "3"),
        ("moisture,temperature\n31.4,14.8\n", "temperature", "14.8"),
        ("1,2\n3,4\n", 0, "3"),
    ],
)
def test_cells_of_separated_lines(line: str, column: int | str, cell: str) -> None:
    assert raw(line, decode="csv", column=column) == cell


@pytest.mark.parametrize(("line", "column"), [("1,2", 2), ("", 0), ("1,2", "humidity"), ("humidity,b\n1", "b")])
def test_cell_that_is_not_there(line: str, column: int | str) -> None:
    assert raw(line, decode="csv", column=column) is ABSENT


@pytest.mark.parametrize("text", ["tempf=71.6&note=why?", "?tempf=71.6", "/upload?ID=x&tempf=71.6"])
def test_query_string_with_or_without_its_path(text: str) -> None:
    assert raw(text, decode="form", pointer="/tempf") == "71.6"


def test_empty_field_of_a_query_string_is_there() -> None:
    assert raw("tempf=&humidity=3", decode="form", pointer="/tempf") == ""


def test_query_string_with_thousands_of_fields_is_not_read() -> None:
    with pytest.raises(Unreadable, match="not_form"):
        raw("&".join(f"a{number}=1" for number in range(500)), decode="form", pointer="/a1")
