"""Placeholders, JSON pointers and the words on and off."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from dewpond_drivers.templates import fill, names_outputs, read_secret, switch_word

# The document and the values of RFC 6901, section 5.
RFC_6901 = json.dumps(
    {"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, 'k"l': 6, " ": 7, "m~n": 8}
)


@pytest.mark.parametrize(
    ("pointer", "word"),
    [
        ("/foo/0", "bar"),
        ("/", "0"),
        ("/a~1b", "1"),
        ("/c%d", "2"),
        ("/e^f", "3"),
        ("/g|h", "4"),
        ("/i\\j", "5"),
        ('/k"l', "6"),
        ("/ ", "7"),
        ("/m~0n", "8"),
    ],
)
def test_json_pointers_of_the_standard(pointer: str, word: str) -> None:
    assert switch_word(RFC_6901, pointer, word, "?") is True
    assert switch_word(RFC_6901, pointer, "?", word) is False


@pytest.mark.parametrize("body", ["", "{", "[]", '{"a":null}', "nonsense", '{"a":' * 3000])
def test_an_answer_that_says_nothing_is_none(body: str) -> None:
    assert switch_word(body, "/a", "true", "false") is None


def test_words_match_in_any_case_and_only_whole() -> None:
    assert switch_word(" on\n", "", "ON", "OFF") is True
    assert switch_word("Off", "", "ON", "OFF") is False
    assert switch_word("ONE", "", "ON", "OFF") is None
    assert switch_word('{"r":[true,false]}', "/r/0", "true", "false") is True
    assert switch_word('{"r":[true,false]}', "/r/1", "true", "false") is False


def test_placeholders() -> None:
    assert fill("relay/{output}/{index}?t={seconds}", 3, 89.2) == "relay/3/2?t=90"
    assert fill('{"on": true, "relay": {index}}', 1) == '{"on": true, "relay": 0}'
    assert names_outputs("a/{index}") and names_outputs("{output}") and not names_outputs("a/{x}")


def test_a_secret_is_the_first_line_of_its_file(tmp_path: Path) -> None:
    file = tmp_path / "secret"
    file.write_text("pass word\nnot this\n")
    assert read_secret(file) == "pass word" and read_secret(None) == ""
