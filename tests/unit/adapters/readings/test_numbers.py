"""Nothing that is not plainly a number becomes one."""

from __future__ import annotations

import math

import pytest

from dewpond.adapters.readings.numbers import to_number, to_word


@pytest.mark.parametrize(
    ("raw", "number"),
    [
        ("23.7", 23.7),
        (" +24.1\n", 24.1),
        ("-.5", -0.5),
        ("5.", 5.0),
        ("1e-3", 0.001),
        (7, 7.0),
        (0.25, 0.25),
        ("007", 7.0),
    ],
)
def test_numbers_and_numbers_in_quotes(raw: object, number: float) -> None:
    assert to_number(raw) == number


@pytest.mark.parametrize(
    "raw",
    [
        "nan",
        "inf",
        "-Infinity",
        "",
        " ",
        "1_000",
        "0x10",
        "١٢",
        "12 V",
        "1,5",
        "--1",
        "1e",
        ".",
        "1e999",
        True,
        False,
        None,
        [],
        {},
        math.nan,
        math.inf,
        10**400,
        "9" * 400,
        "1e99999",
        b"1",
    ],
)
def test_everything_else_is_no_number(raw: object) -> None:
    assert math.isnan(to_number(raw))


def test_decimal_comma_needs_to_be_declared_and_then_excludes_the_point() -> None:
    assert to_number("23,75", ",") == 23.75
    assert to_number("-0,5e2", ",") == -50.0
    assert math.isnan(to_number("1.234,5", ","))
    assert math.isnan(to_number("12.5", ","))


@pytest.mark.parametrize(
    ("raw", "word"),
    [
        (" ON ", "on"),
        (True, "true"),
        (False, "false"),
        (1, "1"),
        (1.0, "1"),
        (0, "0"),
        (0.5, "0.5"),
        (None, None),
        ([], None),
    ],
)
def test_words_of_states(raw: object, word: str | None) -> None:
    assert to_word(raw) == word
