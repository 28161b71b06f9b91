"""Values of a mapping as a message repeats them: of a long one the beginning and its length."""

from __future__ import annotations

MOST_SHOWN = 80  # characters


def shown(value: object) -> str:
    """A value as Python writes it, cut."""
    try:
        return cut(repr(value))
    except ValueError:  # Python writes no number of more than some 4300 digits
        return "a number of thousands of digits"


def cut(text: str) -> str:
    """A text as it stands, or its beginning and its length."""
    return text if len(text) <= MOST_SHOWN else f"{text[: MOST_SHOWN - 20]}... of {len(text)} characters"
