"""JSON Pointer. The document and its answers are RFC 6901 section 5."""

from __future__ import annotations

import json

import pytest

from dewpond.adapters.readings.pointer import ABSENT, parse_pointer, resolve

DOCUMENT = json.loads(
    r'{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, "k\"l": 6, " ": 7, "m~n": 8}'
)


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("", DOCUMENT),
        ("/foo", ["bar", "baz"]),
        ("/foo/0", "bar"),
        ("/", 0),
        ("/a~1b", 1),
        ("/c%d", 2),
        ("/e^f", 3),
        ("/g|h", 4),
        ("/i\\j", 5),
        ('/k"l', 6),
        ("/ ", 7),
        ("/m~0n", 8),
    ],
)
def test_examples_of_the_standard(pointer: str, value: object) -> None:
    assert resolve(DOCUMENT, parse_pointer(pointer)) == value


@pytest.mark.parametrize(
    "pointer", ["/foo/2", "/foo/-", "/foo/01", "/foo/٠", "/foo/-1", "/foo/0/0", "/nothing", "/foo/bar"]
)
def test_what_is_not_there_is_absent(pointer: str) -> None:
    assert resolve(DOCUMENT, parse_pointer(pointer)) is ABSENT


def test_null_is_there() -> None:
    assert resolve({"a": None}, ("a",)) is None


@pytest.mark.parametrize("text", ["foo", "/a~b", "/a~", "#/foo"])
def test_what_is_no_pointer_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="JSON Pointer"):
        parse_pointer(text)
