"""JSON Pointer, RFC 6901: one value out of a parsed document."""

from __future__ import annotations

import re
from collections.abc import Sequence
from enum import Enum
from typing import Final

from dewpond.adapters.readings.shown import shown

_INDEX = re.compile(r"0|[1-9][0-9]{0,8}", re.ASCII)  # RFC 6901 section 4: no leading zeros
_STRAY_TILDE = re.compile(r"~(?![01])")


class Absent(Enum):
    """The one value that says: there is nothing at this place."""

    ABSENT = "absent"


ABSENT: Final = Absent.ABSENT


def parse_pointer(text: str) -> tuple[str, ...]:
    """The reference tokens of a pointer; none is the whole document. Raises ValueError when it is no pointer."""
    if not text:
        return ()
    if not text.startswith("/") or _STRAY_TILDE.search(text):
        raise ValueError(
            f"{shown(text)} is not a JSON Pointer: it is empty or begins with /, and ~ is written ~0, / in a name ~1"
        )
    return tuple(token.replace("~1", "/").replace("~0", "~") for token in text[1:].split("/"))


def resolve(document: object, tokens: Sequence[str]) -> object:
    """The value the tokens lead to, or ABSENT."""
    for token in tokens:
        if isinstance(document, dict):
            document = document.get(token, ABSENT)
        elif isinstance(document, list) and _INDEX.fullmatch(token) and int(token) < len(document):
            document = document[int(token)]
        else:
            return ABSENT
    return document
