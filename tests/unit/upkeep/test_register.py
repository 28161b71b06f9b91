from __future__ import annotations

import csv
import io
import tomllib
from dataclasses import replace

import pytest
import sites

from dewpond.adapters.store.memory_upkeep import MemoryUpkeepBook
from dewpond.model.site import HeadKind, Heads, Relays
from dewpond.model.upkeep import Overtaken
from dewpond.upkeep.desk import UpkeepDesk
from dewpond.upkeep.refusal import Refused
from dewpond.upkeep.register import card_of, differences, head_flow_l_min, rated_kpa, site_file_line
from dewpond.upkeep.register_csv import COLUMNS
from dewpond.upkeep.register_sheet import register_sheet

from .conftest import SPRAYS, Person, a_site

ROTORS = Heads(kind=HeadKind.ROTOR, count=2, flow_l_min=7.5, radius_m=9.0, arc_deg=180.0, rated_pressure_kpa=310.0)


def rows_of(text):
    return list(csv.DictReader(io.StringIO(text)))


def test_a_card_begins_as_the_site_file_has_the_zone(ada):
    [card] = ada.do("register", zone="lawn")["zones"]
    assert (card["output"], card["head_count"], card["head_flow_l_min"], card["version"]) == (1, 9, 36.0, 0)
    assert card["differences"] == []


def test_what_is_written_down_stays_and_never_changes_the_zone(ada, site):
    ada.do("register-set", zone="lawn", changes={"valve_place": "in a box", "wiring": "red, splice in box 2"})
    told = ada.do("register-set", zone="lawn", changes={"heads": [{"kind": "spray", "count": 8, "flow_l_min": 4.0}]})
    assert (told["version"], told["wiring"]) == (2, "red, splice in box 2")
    assert told["differences"] == [
        "8 heads were counted, the site file has 9",
        "its heads take 32.0 L/min, those of the site file 36.0 L/min",
    ]
    assert site.zones[0].heads == (SPRAYS,)
    line = tomllib.loads(told["site_file_line"])
    assert line["heads"] == [{"kind": "spray", "count": 8, "flow": "4 L/min"}]


def test_the_line_for_the_site_file_is_read_back_as_the_same_heads():
    card = replace(card_of(a_site().zones[0]), heads=(SPRAYS, ROTORS))
    assert tomllib.loads(site_file_line(card))["heads"] == [
        {"kind": "spray", "count": 9, "flow": "4 L/min", "radius": "3.6 m", "arc": 180, "rated_pressure": "210 kPa"},
        {"kind": "rotor", "count": 2, "flow": "7.5 L/min", "radius": "9 m", "arc": 180, "rated_pressure": "310 kPa"},
    ]


def test_what_heads_come_to():
    assert head_flow_l_min((SPRAYS, ROTORS)) == 51.0
    assert rated_kpa((SPRAYS, ROTORS)) == pytest.approx((9 * 210 + 2 * 310) / 11)
    assert head_flow_l_min((SPRAYS, replace(ROTORS, flow_l_min=None))) is None
    zone = a_site().zones[0]
    assert differences(replace(card_of(zone), heads=(replace(SPRAYS, arc_deg=90.0),)), zone) == [
        "arc, radius or rated pressure of a head differ from the site file"
    ]
    assert differences(replace(card_of(zone), output=4), zone) == ["its wire is on output 4, the site file says 1"]


@pytest.mark.parametrize("units", ["metric", "us"])
def test_a_file_that_nobody_touched_changes_nothing(units):
    person = Person(UpkeepDesk(a_site(units=units), MemoryUpkeepBook()))
    text = person.do("register-export")["csv"]
    assert tuple(rows_of(text)[0]) == COLUMNS
    assert rows_of(text)[0]["head_pressure"] == {"metric": "210 kPa", "us": "30.4579 psi"}[units]
    assert person.do("register-import", csv=text) == {"changed": []}
    assert person.desk.book.all_newest("register") == []


def test_hundreds_of_zones_go_out_and_come_back():
    zones = [sites.zone(f"zone-{n}", output=n, heads=(SPRAYS, ROTORS)) for n in range(1, 301)]
    site = sites.site(*zones, relays=Relays(driver="simulated", outputs=300))
    person = Person(UpkeepDesk(site, MemoryUpkeepBook()))
    text = person.do("register-export")["csv"].replace(",spray,9,", ",spray,10,")
    assert len(person.do("register-import", csv=text)["changed"]) == 300
    cards = person.do("register")["zones"]
    assert {card["head_count"] for card in cards} == {12}
    assert [card["zone"] for card in cards] == [zone.id for zone in zones]


def test_rows_without_a_zone_belong_to_the_one_above_and_absent_columns_keep_what_was_known(ada):
    ada.do("register-set", zone="lawn", changes={"notes": "lid cracked"})
    text = "zone,head_kind,head_count,head_flow,head_pressure\nlawn,spray,8,1 gpm,30 psi\n,rotor,2,2 gpm,45 psi\n"
    assert ada.do("register-import", csv=text)["changed"] == ["lawn"]
    [card] = ada.do("register", zone="lawn")["zones"]
    assert (card["notes"], card["head_count"], card["mixed_kinds"]) == ("lid cracked", 10, True)
    assert card["head_flow_l_min"] == pytest.approx(12 * 3.785411784)


def test_two_people_with_one_file_lose_nothing(desk, ada):
    ben = Person(desk, "Ben")
    text = ada.do("register-export")["csv"]
    of_ada = text.replace("lawn,0,Lawn,,", "lawn,0,Lawn,turf,")
    of_ben = text.replace("bank,0,Bank,,", "bank,0,Bank,ivy,")
    assert ada.do("register-import", csv=of_ada)["changed"] == ["lawn"]
    assert ben.do("register-import", csv=of_ben)["changed"] == ["bank"]
    with pytest.raises(Overtaken, match="Ada changed it"):
        ben.do("register-import", csv=text.replace("lawn,0,Lawn,,", "lawn,0,Lawn,clover,"))
    waters = {card["zone"]: card["waters"] for card in ada.do("register")["zones"]}
    assert waters == {"lawn": "turf", "bank": "ivy", "beds": ""}


def test_two_people_who_edit_one_card_are_told(desk, ada):
    ben = Person(desk, "Ben")
    ada.do("register-set", zone="lawn", changes={"notes": "gate code"}, version=0)
    with pytest.raises(Overtaken, match="Ada changed it"):
        ben.do("register-set", zone="lawn", changes={"notes": "no gate"}, version=0)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "register-import: csv is missing (the file's text)"),
        ("\n", "the first row must name each column once; columns are zone, version"),
        ("zone,colour\nlawn,red\n", "line 1: colour is no column"),
        ("zone,zone\nlawn,lawn\n", "name each column once"),
        ("zone,waters\npond,reeds\n", "line 2: no zone 'pond' here; zones are lawn, bank, beds"),
        ("zone,waters\n,reeds\n", "line 2: no zone yet; name one"),
        ("zone,waters\nlawn,a,b\n", "line 2: more cells than columns"),
        ("zone,waters\nlawn,turf\nlawn,clover\n", "line 3, waters: 'clover', but line 2 has another; keep one"),
        ("zone,output\nlawn,nine\n", "output: 'nine' is no output; outputs count from 1"),
        ("zone,output\nlawn,9\n", "output: 9 is above 8, the relays' last"),
        ("zone,valve_place\nlawn,up a tree\n", "'up a tree' is not known; it is one of in a box"),
        ("zone,version\nlawn,7\n", "there is no version 7 of lawn; export the file anew"),
        ("zone,head_kind,head_count\nlawn,hose,3\n", "'hose' is no kind of head; kinds are spray"),
        ("zone,head_kind,head_count\nlawn,spray,-3\n", "count '-3' is not a whole number from 1 to 5000"),
        ("zone,head_kind,head_count,head_flow\nlawn,spray,3,9 mm\n", "head_flow: \"9 mm\" is a length, not a flow"),
        ("zone,head_kind,head_count,head_radius\nlawn,spray,3,400 m\n", "radius 400.0 is not from 0.1 to 40 m"),
        ("zone,notes\nlawn,\"" + "x" * 501 + "\"\n", "notes: not a text of at most 500 letters"),
        ("zone,notes\nlawn,\"open", "save it as plain comma-separated CSV"),
    ],
)  # fmt: skip
def test_a_file_of_nonsense_is_refused_with_its_line_and_nothing_is_taken(ada, text, words):
    with pytest.raises(Refused) as told:
        ada.do("register-import", csv=text)
    assert words in str(told.value)
    assert ada.desk.book.all_newest("register") == []


def test_every_fault_of_a_file_is_told_at_once(ada):
    text = "zone,output\nlawn,nine\npond,1\nbank,77\n"
    with pytest.raises(Refused, match=r"line 2: .*line 3: .*line 4: .*Nothing was taken from this file"):
        ada.do("register-import", csv=text)


def test_the_sheet_shows_every_zone_and_what_differs(ada, site):
    ada.do("register-set", zone="lawn", changes={"heads": [{"kind": "spray", "count": 8}], "notes": "<b>lid</b> & box"})
    text = register_sheet(ada.do("register"), site, "1 June 2027")
    assert all(zone.name in text for zone in site.zones)
    assert "8 heads were counted, the site file has 9." in text
    assert "&lt;b&gt;lid&lt;/b&gt; &amp; box" in text
    us = register_sheet(ada.do("register"), a_site(units="us"), "1 June 2027")
    assert "rated psi" in us
    assert "11.8" in us  # the bank's radius of 3.6 m in feet
