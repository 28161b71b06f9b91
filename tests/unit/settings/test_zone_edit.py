"""A few numbers of one zone are written into a site file, and nothing else of it changes."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from dewpond.settings.zone_edit import NotWritten, with_zone_values

SITES = Path(__file__).parents[3] / "deploy" / "sites"
VALUES = {"application_rate": '"30.1 mm/h" # from 24 cups', "efficiency": "0.84"}
DROP = ("distribution_uniformity",)


def test_keys_are_replaced_in_place_and_the_rest_stays_letter_by_letter():
    text = (SITES / "withy-hollow.toml").read_text()
    edited = with_zone_values(text, "front-lawn", VALUES, DROP)
    gone = set(text.splitlines()) - set(edited.splitlines())
    new = set(edited.splitlines()) - set(text.splitlines())
    assert gone == {'application_rate = "38 mm/h" # catch-can audit', "distribution_uniformity = 0.62"}
    assert new == {'application_rate = "30.1 mm/h" # from 24 cups', "efficiency = 0.84"}
    zone = tomllib.loads(edited)["zone"][0]
    assert (zone["application_rate"], zone["efficiency"]) == ("30.1 mm/h", 0.84)


def test_new_keys_go_to_their_own_zone_also_the_last_one():
    for name in ("back-lawn", "orchard"):
        edited = with_zone_values((SITES / "withy-hollow.toml").read_text(), name, VALUES, DROP)
        for zone in tomllib.loads(edited)["zone"]:
            assert (zone.get("application_rate") == "30.1 mm/h") == (zone["id"] == name)


def test_a_zone_of_several_lines_and_tables_keeps_them():
    text = '[[zone]]\nid = "a"\nheads = [\n  {kind = "spray", count = 1},\n]\n[zone.establishment]\nkind = "sod"\n'
    edited = with_zone_values(text, "a", {"efficiency": "0.7"})
    assert tomllib.loads(edited)["zone"] == [
        {
            "id": "a",
            "efficiency": 0.7,
            "heads": [{"kind": "spray", "count": 1}],
            "establishment": {"kind": "sod"},
        }
    ]


def test_a_comment_stays_beside_its_key():
    edited = with_zone_values('[[zone]]\nid = "a"\nefficiency = 0.7 # by guess\n', "a", {"efficiency": "0.8"})
    assert edited == '[[zone]]\nid = "a"\nefficiency = 0.8 # by guess\n'


@pytest.mark.parametrize("text", ['zone = [{id = "a"}]\n', '[[zone]]\nid = "b"\n', "zone = 3\n"])
def test_layouts_it_cannot_edit_are_refused_with_what_to_write(text):
    with pytest.raises(NotWritten, match=r"write by hand: efficiency = 0\.8"):
        with_zone_values(text, "a", {"efficiency": "0.8"})


def test_a_key_within_a_text_of_several_lines_is_not_touched():
    text = '[[zone]]\nid = "a"\nname = """\nefficiency = 1\n"""\n'
    with pytest.raises(NotWritten, match="cannot be edited line by line"):
        with_zone_values(text, "a", {"efficiency": "0.8"})
