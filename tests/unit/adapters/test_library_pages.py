from __future__ import annotations

import pytest

from dewpond.adapters.library_pages import unchanged_mappings


def mapping(first_line: str, anonymous_kb: int = 0, swap_kb: int = 0) -> str:
    """One mapping as proc_pid_smaps(5) shows it, with the lines that matter and some that do not."""
    return (
        f"{first_line}\nSize: 8 kB\nRss: 8 kB\nPrivate_Dirty: 4 kB\nAnonymous: {anonymous_kb} kB\n"
        f"AnonHugePages: 0 kB\nSwap: {swap_kb} kB\nSwapPss: 0 kB\nLocked: 0 kB\nVmFlags: rd mr mw me sd \n"
    )


CODE = "7f0000001000-7f0000003000 r-xp 00001000 fe:00 5507 /usr/lib/libexample.so"
TABLES = "7f0000004000-7f0000005000 r--p 00004000 fe:00 5507 /usr/lib/with space/libexample.so"


def test_code_and_tables_of_a_file_can_be_read_again():
    smaps = mapping(CODE) + mapping(TABLES)
    assert list(unchanged_mappings(smaps)) == [(0x7F0000001000, 0x2000), (0x7F0000004000, 0x1000)]


@pytest.mark.parametrize(
    "kept",
    [
        mapping(TABLES, anonymous_kb=4),  # relocated
        mapping(TABLES, swap_kb=4),  # relocated, and on disk by now
        mapping(TABLES.replace("r--p", "rw-p")),
        mapping(TABLES.replace("r--p", "rwxp")),
        mapping(TABLES.replace("r--p", "r--s")),
        mapping(TABLES.replace("r--p", "---p")),
        mapping("7f0000004000-7f0000005000 r--p 00000000 00:00 0"),
        mapping("7f0000004000-7f0000005000 r-xp 00000000 00:00 0 [vdso]"),
    ],
)
def test_what_the_file_does_not_hold_stays(kept):
    assert list(unchanged_mappings(kept)) == []
    assert list(unchanged_mappings(mapping(CODE) + kept + mapping(CODE))) == [(0x7F0000001000, 0x2000)] * 2


def test_no_mapping_no_answer():
    assert list(unchanged_mappings("")) == []
