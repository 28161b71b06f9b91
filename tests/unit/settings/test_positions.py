"""Line numbers of tables and keys."""

from __future__ import annotations

import tomllib

from hypothesis import given, settings
from hypothesis import strategies as st

from dewpond.settings.positions import Positions

TEXT = '''# a comment
[site]
name = "x"   # [zone]
note = """
[relays]
area = 1
"""

[[zone]]
id = "a"
heads = [
    {kind = "spray", count = 4},
]

[[zone]]
  "id" = "b"
[[zone.heads]]
kind = "rotor"
[[zone.heads]]
kind = "spray"
'''


def test_finds_tables_keys_and_arrays_of_tables():
    positions = Positions(TEXT)
    assert positions.line(("site",)) == 2
    assert positions.line(("site", "name")) == 3
    assert positions.line(("zone", 0, "id")) == 10
    assert positions.line(("zone", 1, "id")) == 16
    assert positions.line(("zone", 1, "heads", 1, "kind")) == 20


def test_a_key_inside_an_inline_table_is_found_at_its_owner():
    assert Positions(TEXT).line(("zone", 0, "heads", 0, "count")) == 11


def test_a_missing_key_is_found_at_its_table_and_an_unknown_table_nowhere():
    positions = Positions(TEXT)
    assert positions.line(("zone", 1, "area")) == 15
    assert positions.line(("supply", 0)) is None


def test_what_looks_like_a_table_inside_a_long_text_is_none():
    assert Positions(TEXT).line(("relays",)) is None


@settings(max_examples=60)
@given(st.lists(st.sampled_from(["[a]", "[[b]]", "k = 1", "x.y = 2", '"""', "[c.d]", "  # n", "z = '''"]), max_size=12))
def test_never_fails_whatever_the_lines(lines):
    Positions("\n".join(lines)).line(("b", 0, "k"))


def test_the_example_text_is_toml():
    assert len(tomllib.loads(TEXT)["zone"]) == 2
