"""Raw values to numbers and truth words, strictly: nothing that is not plainly a number becomes one."""

from __future__ import annotations

import math
import re

NOT_A_NUMBER = math.nan
# Stricter than float(): no nan, no inf, no underscores, no digits of other scripts.
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,5})?", re.ASCII)


def to_number(raw: object, decimal: str = ".") -> float:
    """A finite number, or NaN for everything else: words, empty text, true and false, containers, infinities.

    Numbers in quotes are accepted; ``decimal`` is the sign in such text.
    """
    if isinstance(raw, str):
        return _from_text(raw.strip(), decimal)
    if isinstance(raw, bool) or not isinstance(raw, int | float):
        return NOT_A_NUMBER
    try:
        number = float(raw)
    except OverflowError:  # an integer of more than 308 digits
        return NOT_A_NUMBER
    return number if math.isfinite(number) else NOT_A_NUMBER


def to_word(raw: object) -> str | None:
    """A state as text, trimmed and without case: true is ``true``, 1 and 1.0 are ``1``. None for what is no state."""
    if isinstance(raw, str):
        return raw.strip().casefold()
    if isinstance(raw, bool):
        return "true" if raw else "false"
    if isinstance(raw, int | float) and math.isfinite(to_number(raw)):
        return format(to_number(raw), "g")
    return None


def _from_text(text: str, decimal: str) -> float:
    if decimal != ".":
        if "." in text:  # a point would be a separator of thousands: too ambiguous to use
            return NOT_A_NUMBER
        text = text.replace(decimal, ".")
    if not _NUMBER.fullmatch(text):
        return NOT_A_NUMBER
    number = float(text)
    return number if math.isfinite(number) else NOT_A_NUMBER
