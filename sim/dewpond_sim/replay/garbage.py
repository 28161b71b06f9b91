"""Fewer searches for reference cycles while a season is replayed.

A replay keeps what it records until its end and makes no cycles worth the name, so looking through all of it again and
again, as the interpreter does by default, finds nothing and takes one second in fifteen.
A season leaves some 60 objects that only a search frees.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager

NEW_OBJECTS = 1_000_000  # made beyond those freed, before the youngest are looked through; the default is 700


@contextmanager
def few_collections() -> Iterator[None]:
    """Within the block the collector runs rarely; what was set before holds again afterwards."""
    before = gc.get_threshold()
    gc.set_threshold(NEW_OBJECTS, *before[1:])
    try:
        yield
    finally:
        gc.set_threshold(*before)
