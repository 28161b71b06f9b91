"""Gives back the memory of library files that only their loading needed: some 10 MB of a small board's.

Loading reads each library's symbols, relocations and starting code once. Where the file was written a moment ago, the
kernel also maps it in larger pieces than were asked for. What the daemon uses in the months that follow comes back
from the file at the next touch; the rest need not be held for it.
"""

from __future__ import annotations

import ctypes
import mmap
import re
from collections.abc import Iterator
from pathlib import Path

SMAPS = Path("/proc/self/smaps")
# A mapping's first line by proc_pid_smaps(5): start-end, permissions, offset, device, inode, name.
_FIRST_LINE = re.compile(r"([0-9a-f]+)-([0-9a-f]+) (\S{4}) \S+ \S+ (\d+)\b")
# Sizes of pages that differ from the file, as those that loading has relocated; they could not be read again.
_OWN_PAGES = ("Anonymous:", "Swap:")


def give_back_library_pages() -> int:
    """Unmap pages that can be read again; returns how many mappings the kernel took back.

    To be called while one thread runs, for a library that another thread is just loading looks unchanged. What the
    kernel does not show or will not take back just stays mapped.
    """
    try:
        smaps = SMAPS.read_text(encoding="utf-8", errors="replace")
    except OSError:  # another system than Linux, or one that hides these figures
        return 0
    madvise = ctypes.CDLL(None).madvise
    madvise.argtypes = (ctypes.c_void_p, ctypes.c_size_t, ctypes.c_int)
    return sum(madvise(start, length, mmap.MADV_DONTNEED) == 0 for start, length in unchanged_mappings(smaps))


def unchanged_mappings(smaps: str) -> Iterator[tuple[int, int]]:
    """Start address and length [bytes] of each private mapping that cannot be written and equals its file."""
    mapping: tuple[int, int] | None = None
    for line in smaps.splitlines():
        if first := _FIRST_LINE.match(line):
            if mapping is not None:
                yield mapping
            start, end, permissions, inode = int(first[1], 16), int(first[2], 16), first[3], first[4]
            mapping = (start, end - start) if permissions in ("r--p", "r-xp") and inode != "0" else None
        elif line.startswith(_OWN_PAGES) and line.split()[1] != "0":
            mapping = None
    if mapping is not None:
        yield mapping
