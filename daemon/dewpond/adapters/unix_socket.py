"""Unix sockets in folders of any depth: a name holds some 100 bytes, so a longer path goes through its open folder."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

LONGEST_NAME = 100  # bytes; the kernel takes 107 (unix(7))


@contextlib.contextmanager
def short_name(path: Path) -> Iterator[str]:
    """A name for ``path`` that bind and connect accept while the context lasts. Raises OSError without a folder."""
    if len(os.fsencode(path)) <= LONGEST_NAME:
        yield str(path)
        return
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        yield f"/proc/self/fd/{folder}/{path.name}"
    finally:
        os.close(folder)
