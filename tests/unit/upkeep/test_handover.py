"""Handing over: what stands open is told whole, what was changed is found, and the card says what to do."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from dewpond.adapters.store.memory_upkeep import MemoryUpkeepBook
from dewpond.model.site import Pump, Relays, Supply
from dewpond.model.upkeep import Overtaken
from dewpond.upkeep.desk import UpkeepDesk
from dewpond.upkeep.handover.emergency import emergency_card
from dewpond.upkeep.handover.first_week import first_week, first_week_sheet
from dewpond.upkeep.handover.sheet import handover_sheet
from dewpond.upkeep.numbers import changes, numbers_of
from dewpond.upkeep.refusal import Refused

from .conftest import Person, a_site

STATUS = {
    "hold_until": "2027-06-03T06:00:00+00:00",
    "hold_reason": "seeding",
    "zones": [
        {"id": "lawn", "name": "Lawn", "held": "held by Ada: seeding"},
        {"id": "bank", "name": "Bank", "held": "not proved: x"},
    ],
    "locks": [{"target": "bank", "sentence": "Locked for work by Cy: lateral open"}],
    "exemptions": [{"target": "beds", "rule": "Odd days", "until": "2027-07-01", "who": "Ada", "reason": "letter 12"}],
    "stage": "two",
    "programs": [
        {"name": "Lawns", "percent": 60.0, "changed_by": "Ada"},
        {"name": "Old", "percent": 100.0, "changed_by": ""},
    ],
    "alarms": [{"sentence": "Bank takes twice its usual water."}],
}


def person(site=None, book=None, status=STATUS, who="Ada"):
    return Person(UpkeepDesk(site or a_site(), book or MemoryUpkeepBook(), status=lambda: status), who)


def test_everything_that_stands_open_is_on_the_sheet():
    ada = person()
    ada.do("walk-begin")
    ada.look("leak-test", "main", "backflow-drips")
    ada.do("register-set", zone="lawn", changes={"output": 4}, version=0)
    ada.do("commission-begin", zones=["beds"])
    told = ada.do("handover-show")
    assert [task["task"] for task in told["tasks"]] == ["main/backflow-drips"]
    assert told["holds"][0] == "The whole site is held until 2027-06-03T06:00:00+00:00: seeding"
    assert "Lawn: held by Ada: seeding" in told["holds"] and len(told["holds"]) == 2
    assert told["locks"] == ["bank: Locked for work by Cy: lateral open"]
    assert told["exemptions"][0] == "beds: exempt from Odd days until 2027-07-01 by Ada: letter 12"
    assert told["exemptions"][1] == "Stage of restriction in force: two"
    assert told["alarms"] == ["Bank takes twice its usual water."]
    assert told["unproved"] == ["Beds: commissioning begun by Ada, missing: click, flush, runs, cups"]
    assert "Program Lawns: 60 %, set by Ada" in told["changed"]
    assert any(text.startswith("Lawn: ") and "4" in text for text in told["changed"])
    page = handover_sheet(json.loads(json.dumps(told)), ada.desk.site, "1 June 2027")
    for words in ("Open tasks", "Locked for work by Cy", "letter 12", "60 %", "Given, name and date:"):
        assert words in page


def test_without_a_daemon_the_sheet_says_what_is_not_known_and_claims_nothing():
    ada = person(status=None)
    told = ada.do("handover-show")
    assert told["not_known"] == [
        "No daemon answers: holds, locks, exemptions, percents and alarms of the moment are not known here."
    ]
    page = handover_sheet(told, ada.desk.site, "1 June 2027")
    assert "Nothing is locked." not in page and "No daemon answers" in page


def test_numbers_changed_since_the_last_handover_are_told():
    book, before = MemoryUpkeepBook(), a_site()
    ada = person(before, book, status=None)
    told = ada.do("handover-keep", to="Ben", note="mind the bank")
    assert (told["last"]["by"], told["last"]["to"], told["last"]["open"]["changed"]) == ("Ada", "Ben", 0)
    lawn = replace(before.zones[0], application_rate_mm_h=30.0, efficiency=0.7, output=5)
    after = person(replace(before, zones=(lawn, before.zones[1])), book, status=None, who="Ben")
    assert after.do("handover-show")["changed"] == [
        "Lawn: application rate from 36.0 to 30.0 mm/h; efficiency from 0.750 to 0.700; output from 1 to 5, since the "
        "last handover",
        "beds: no longer in the site file, since the last handover",
    ]


def test_numbers_changed_since_a_zones_sign_off_are_told_where_nothing_was_handed_over_yet():
    zone = a_site().zones[0]
    assert changes(numbers_of(zone), zone) == []
    assert changes(numbers_of(zone), replace(zone, area_m2=61.0, heads=())) == [
        "area from 60.0 to 61.0 m2",
        "count of heads from 9 to not stated",
    ]


def test_cups_that_nobody_has_accepted_are_a_changed_value():
    ada = person(status=None)
    rows = "\n".join(f"{x},{y},10" for x in range(6) for y in range(4))
    ada.do("audit-cups", zone="lawn", csv=f"x_m,y_m,value\n{rows}\n", unit="mm", minutes=30)
    assert ada.do("handover-show")["changed"] == [
        "Lawn: its cups gave 20.0 mm/h, the site file says 36.0 mm/h; nobody has accepted it"
    ]


def test_where_the_site_says_prove_zones_every_zone_without_a_sign_off_is_named():
    told = person(a_site(prove_zones=True), status=None).do("handover-show")
    assert told["unproved"][0] == "Lawn: never commissioned, and the site file says prove_zones"
    assert len(told["unproved"]) == 3


def test_a_fault_of_the_last_technicians_check_is_handed_over():
    ada = person(status=None)
    ada.do("technician-begin")
    from dewpond.upkeep.technician.steps import STEPS

    ada.do("technician-tick", step="splices", keys=list(STEPS["splices"].cautions))
    ada.do("technician-note", step="splices", place="bank", splice="wet")
    assert ada.do("handover-show")["technician"] == [
        "Bank: A splice stands in water. To do: dry it, make it anew in a waterproof cap, and raise it (2027-06-01)"
    ]


def test_nobody_hands_over_to_himself_and_two_who_hand_over_at_once_lose_nothing():
    book = MemoryUpkeepBook()
    ada = person(book=book)
    with pytest.raises(Refused, match="Ada hands over to ada; name the other person"):
        ada.do("handover-keep", to="ada")
    ada.do("handover-keep", to="Ben")
    with pytest.raises(Overtaken):
        person(book=book, who="Cy").do("handover-keep", to="Di", version=0)


def test_the_emergency_card_has_places_people_and_what_to_do_and_says_what_it_lacks():
    ada = person()
    assert "whom to call" in ada.do("emergency-show")["missing"]
    told = ada.do(
        "emergency-set",
        shut_off="North wall, blue lid, a quarter turn",
        calls=[{"who": "Di", "phone": "+1 555 0101", "when": "day and night"}],
    )
    assert told["missing"] == ["backflow device", "power of the valves", "valve boxes"]
    told = ada.do("emergency-set", backflow="beside the meter", power="shed, switch 3", valve_boxes="along the path")
    assert told["missing"] == [] and told["calls"][0]["who"] == "Di"
    assert [step["title"] for step in told["steps"]][:3] == [
        "Stop from the phone or the terminal",
        "The program is dead",
        "Shut the water",
    ]
    page = emergency_card(told, "1 June 2027")
    assert "North wall, blue lid" in page and "+1 555 0101" in page and "40.00000, -100.00000" in page
    assert page.count('class="lines"') == 0
    assert emergency_card(person().do("emergency-show"), "1 June 2027").count('class="lines"') == 7


def test_the_card_has_the_pump_off_first_and_says_that_latching_valves_stay_open_without_power():
    pumped = Supply(id="well", source="well", capacity_l_min=60.0, pump=Pump(output=8))
    zones = tuple(replace(zone, supply="well", close_output=zone.output + 3) for zone in a_site().zones)
    latching = a_site(supplies=(pumped,), zones=zones, relays=Relays(driver="gpio", outputs=8, valves="latching"))
    told = person(latching).do("emergency-show")
    titles = [step["title"] for step in told["steps"]]
    assert titles.index("Pump off") < titles.index("Shut the water") < titles.index("Power off")
    assert "pump isolator" in told["missing"]
    assert any("Never run a pump dry" in text for text in told["cautions"])
    off = next(step["text"] for step in told["steps"] if step["title"] == "Power off")
    assert "Latching valves stay as they are when power fails" in off


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({}, "nothing is given; give one of shut_off"),
        ({"calls": [{"who": "", "phone": "555"}]}, "call 1: nobody is named"),
        ({"calls": [{"who": "Di", "phone": "call me"}]}, "call 1: 'call me' is no phone number"),
        ({"calls": [{"who": "Di", "phone": "555", "mail": "x"}]}, "call 1: it has who, phone and when"),
        ({"calls": [{"who": f"P{n}", "phone": "5550"} for n in range(13)]}, "13 people, at most 12"),
        ({"shut_off": "x" * 501}, "501 letters, at most 500"),
    ],
)
def test_a_card_refuses_nonsense(fields, words):
    ada = person()
    with pytest.raises(Refused, match=words):
        ada.do("emergency-set", **fields)
    assert ada.do("emergency-show")["version"] == 0


def test_the_first_week_has_five_days_with_this_sites_own_zones_programs_and_dangers():
    site = a_site(supplies=(Supply(id="main", source="reclaimed", capacity_l_min=60.0, pump=Pump(output=8)),))
    days = first_week(site)
    assert [day.title.split(":")[0] for day in days] == [
        "First day", "Second day", "Third day", "Fourth day", "Fifth day",
    ]  # fmt: skip
    assert "reclaimed-signs" in days[0].cautions and "pump-dry" in days[0].cautions
    assert any("pump isolator of main" in text for text, _ in days[0].tasks)
    page = first_week_sheet(site, days, "1 June 2027")
    assert "Walk over all 3 zones" in page and "Lawns, Old" in page and "dewpond water lawn 2" in page
    assert "pump isolator" not in first_week_sheet(a_site(), first_week(a_site()), "1 June 2027")


def test_every_command_the_first_week_names_is_one_of_dewponds():
    from dewpond.cli.main import OWN

    typed = [words for day in first_week(a_site()) for _, words in day.tasks for words in words.split(", ") if words]
    named = [words.split()[1] for words in typed if words.startswith("dewpond ")]
    assert len(named) > 10 and set(named) <= set(OWN)
