"""Texts with placeholders for outputs, and answers that say on or off."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any


def fill(template: str, output: int, seconds: float = 0.0) -> str:
    """``{output}`` counts from 1, ``{index}`` from 0, ``{seconds}`` is rounded up. Other braces stay as they are."""
    text = template.replace("{output}", str(output)).replace("{index}", str(output - 1))
    return text.replace("{seconds}", str(math.ceil(seconds)))


def names_outputs(template: str) -> bool:
    """Whether the text differs from output to output."""
    return "{output}" in template or "{index}" in template


def switch_word(body: str, pointer: str, on: str, off: str) -> bool | None:
    """What an answer says: True for the word ``on``, False for ``off`` (any case), None for anything else.

    ``pointer`` is a JSON pointer (RFC 6901) into the answer; "" takes the whole text. JSON booleans are true and false.
    """
    word = body.strip()
    if pointer:
        try:
            found = _at(json.loads(body), pointer)
        except (ValueError, KeyError, IndexError, RecursionError):
            return None
        word = found if isinstance(found, str) else json.dumps(found)
    if word.casefold() == on.casefold():
        return True
    return False if word.casefold() == off.casefold() else None


def read_secret(file: Path | None) -> str:
    """The first line of a file that only the keeper's user may read; "" without a file."""
    return file.read_text(encoding="utf-8").split("\n", 1)[0] if file is not None else ""


def _at(document: Any, pointer: str) -> Any:
    for step in pointer.split("/")[1:]:
        key = step.replace("~1", "/").replace("~0", "~")
        document = document[int(key)] if isinstance(document, list) else document[key]
    return document
