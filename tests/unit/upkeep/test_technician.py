"""The technician's check: judgements by the trade's limits, figures kept one by one, compared with the year before."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta

import pytest

from dewpond.adapters.store.memory_upkeep import MemoryUpkeepBook
from dewpond.model.hours import DayRule, Hours, Watering
from dewpond.model.site import Pump, Supply
from dewpond.model.upkeep import Overtaken
from dewpond.science.wiring import parallel_ohm
from dewpond.upkeep.desk import UpkeepDesk
from dewpond.upkeep.refusal import Refused
from dewpond.upkeep.technician import judged
from dewpond.upkeep.technician.sheet import technician_sheet
from dewpond.upkeep.technician.steps import STEPS

from .conftest import JUNE, SPRAYS, Person, a_site

LAWN = a_site().zones[0]


def ticked(person, *steps):
    for step in steps or STEPS:
        person.do("technician-tick", step=step, keys=list(STEPS[step].cautions))
    return person


def begun(person, *steps):
    person.do("technician-begin")
    return ticked(person, *steps)


def note(person, step, place, **fields):
    return person.do("technician-note", step=step, place=place, **fields)["noted"]["words"]


# 20 to 60 ohm is good, below it a short, far above it or open a broken coil or splice; two coils read lower: the
# wiring rows of the practice reference, common practice, no source.
@pytest.mark.parametrize(
    ("ohm", "coils", "state", "word"),
    [
        (20.0, 1, judged.GOOD, "a sound coil reads 20 to 60 ohm"),
        (60.0, 1, judged.GOOD, "20 to 60"),
        (
            15.0,
            1,
            judged.FAULT,
            "is a short: a sound coil reads 20 to 60 ohm; 2 coils on one output would read 10 to 30",
        ),
        (2.0, 1, judged.FAULT, "2 ohm is a short: a sound coil reads 20 to 60 ohm."),
        (75.0, 1, judged.LOOK, "is above"),
        (400.0, 1, judged.FAULT, "far above"),
        (None, 1, judged.FAULT, "The loop is open"),
        (16.4, 2, judged.GOOD, "2 sound coils on one output read 10 to 30 ohm"),
        (52.0, 2, judged.LOOK, "is above"),
    ],
)
def test_a_coil_is_judged_by_its_resistance(ohm, coils, state, word):
    told = judged.coil(ohm, coils)
    assert told.state == state
    assert word in told.text
    assert bool(told.remedy) == (state != judged.GOOD)


def test_two_coils_on_one_output_read_the_parallel_value():
    """52 and 24 ohm in parallel are 16.4 ohm: case EL-01, common practice, no source."""
    both = float(parallel_ohm([52.0, 24.0]))
    assert both == pytest.approx(16.4, abs=0.05)
    assert judged.coil(both, coils=2).state == judged.GOOD
    assert "2 coils on one output would read" in judged.coil(both, coils=1).text


def test_a_bucket_of_five_gallons_in_thirty_seconds_is_ten_gallons_a_minute(ada):
    """gpm = 60 x gallons / seconds, from memory."""
    begun(ada, "flow")
    note(ada, "flow", "lawn", volume="5 gal", seconds=30)
    [row] = ada.do("technician-show")["measured"]
    assert row["seen"][0]["flow"] == pytest.approx(10 * 3.785411784)


def test_flow_is_judged_by_the_list_of_heads(ada):
    begun(ada, "flow")
    [word] = note(ada, "flow", "lawn", flow="36 L/min")
    assert word["state"] == "good"
    [word] = note(ada, "flow", "bank", flow="20 L/min")
    assert word["state"] == "look" and "44 % less" in word["text"] and "clogged" in word["remedy"]


def test_twenty_percent_of_pressure_may_be_lost_between_first_and_last_head():
    """Jarrett, Water Management, 2nd ed. 2000, pp. 336-337: 20 % of pressure is 10 % of flow."""
    at_limit, beyond = judged.dynamic(220.0, 176.0, LAWN, (SPRAYS,)), judged.dynamic(250.0, 190.0, LAWN, (SPRAYS,))
    assert [word.state for word in at_limit] == [judged.GOOD]
    assert "24 % lost on the way; more than 20 % is uneven water" in beyond[0].text
    low = judged.dynamic(210.0, 168.0 - 10.0, LAWN, (SPRAYS,))[-1]
    assert "At the last head: The pressure is low: 158 kPa" in low.text


def test_static_pressure_wants_several_hours_and_tells_the_fall_over_the_day():
    supply = Supply(id="main", source="potable", capacity_l_min=60.0, static_pressure_kpa=420.0)
    assert "1 of 3 hours" in judged.static({"07:00": 410.0}, supply)[0].text
    told = judged.static({"07:00": 427.0, "12:00": 379.0, "18:00": 345.0}, supply)
    assert [word.state for word in told] == [judged.GOOD, judged.LOOK, judged.LOOK]
    assert "falls by 82 kPa, from 427 to 345 kPa" in told[1].text
    assert "below the site file's 420 kPa" in told[2].text
    assert [word.state for word in judged.static({"07": 420.0, "12": 415.0, "18": 400.0}, supply)] == [judged.GOOD]


def two_supplies():
    supplies = (
        Supply(id="main", source="potable", capacity_l_min=60.0, master_output=7),
        Supply(id="well", source="well", capacity_l_min=60.0, pump=Pump(output=8)),
    )
    zones = a_site().zones
    watering = Watering(window=Hours(start=JUNE.time(), end=JUNE.time()), days=DayRule(), max_open=2)
    return a_site(supplies=supplies, watering=watering, zones=(zones[0], zones[1], replace(zones[2], supply="well")))


def test_the_transformer_carries_max_open_zones_master_and_pump_relay_of_every_supply():
    """24 V, 0.3 A holding and 0.5 A inrush a coil, from memory: 4 x 0.3 + 0.5 A at 24 V are 40.8 VA."""
    found = judged.load(two_supplies(), {})
    assert found.coils == ("lawn", "bank", "master of main", "beds", "pump relay of well")
    assert found.starting_va == pytest.approx(40.8)
    assert found.holding_va == pytest.approx(36.0)
    assert judged.transformer(40.0, found).state == judged.FAULT
    assert judged.transformer(41.0, found).state == judged.GOOD


def test_a_second_coil_on_an_output_counts_in_the_load():
    assert judged.load(two_supplies(), {"bank": 2}).coils.count("bank") == 2
    assert judged.load(a_site(), {"beds": 2}).coils == ("beds", "beds")  # one open at once: the heaviest


def test_the_load_takes_the_coils_that_were_counted(ada):
    begun(ada, "coil", "transformer")
    note(ada, "coil", "bank", ohm=15, coils=2, power_off=True)
    [word] = note(ada, "transformer", "site", va=20)
    assert "2 coils at once (bank, bank) take 14 VA" in word["text"]


def test_an_output_that_waters_another_zone_is_a_fault_with_its_remedy(ada):
    begun(ada, "output")
    [word] = note(ada, "output", "lawn", waters="bank")
    assert word["state"] == "fault" and word["text"] == "Output 1 waters bank, not lawn."
    assert note(ada, "output", "bank", waters="nothing")[0]["text"] == "Output 2 waters nothing."
    assert note(ada, "output", "beds", waters="beds")[0]["state"] == "good"


@pytest.mark.parametrize(
    ("step", "place", "fields", "words"),
    [
        ("static", "main", {"pressure": "2 L"}, "not a pressure"),
        ("static", "main", {"pressure": 9000}, "main, static, pressure: 9000 kPa is not from 0 to 2000 kPa"),
        ("static", "main", {"pressure": 400, "clock": "25:00"}, "'25:00' is no time of the day; write it as 07:30"),
        ("static", "moat", {"pressure": 400}, "it is not done at 'moat'; it is done at main"),
        ("dynamic", "lawn", {"first": 200}, "lawn, dynamic: last is missing"),
        ("dynamic", "lawn", {"first": 0, "last": 10}, "0 kPa is not from 1 to 2000 kPa"),
        ("flow", "lawn", {}, "give either the flow, or volume and seconds"),
        ("flow", "lawn", {"flow": 5, "volume": 10, "seconds": 9}, "give either the flow, or volume and seconds"),
        ("flow", "lawn", {"volume": 10, "seconds": 1}, "seconds: 1 s is not from 5 to 86400 s"),
        ("flow", "lawn", {"flow": -3}, "flow: -3 L/min is not from 0"),
        ("coil", "lawn", {"ohm": 30}, "power off only"),
        ("coil", "lawn", {"power_off": True}, "give either ohm, or open"),
        ("coil", "lawn", {"ohm": -1, "power_off": True}, "ohm: -1 ohm is not from 0"),
        ("coil", "lawn", {"ohm": 30, "coils": 9, "power_off": True}, "9 coils on one output is not from 1 to 4"),
        ("output", "lawn", {"waters": "moat"}, "'moat' is no zone here; it is one of lawn, bank, beds, or nothing"),
        ("splices", "lawn", {"splice": "odd"}, "the worst splice is sound, loose, wet, corroded, not found"),
        ("transformer", "site", {"va": 0}, "va: 0 VA is not from 1 to 5000 VA"),
        ("dance", "lawn", {}, "no step 'dance'; steps are static"),
    ],
)
def test_nonsense_is_refused_and_nothing_is_kept(ada, step, place, fields, words):
    begun(ada)
    with pytest.raises(Refused, match=words.replace("(", r"\(").replace("?", r"\?")):
        ada.do("technician-note", step=step, place=place, **fields)
    assert ada.do("technician-show")["measured"] == []


def test_cautions_are_ticked_by_the_very_person_who_reports(desk):
    ada, ben = Person(desk), Person(desk, "Ben")
    begun(ada, "coil")
    with pytest.raises(Refused, match=r"4 not ticked; read and tick them first\. valve-power-off: Cut the power"):
        ben.do("technician-note", step="coil", place="lawn", ohm=30, power_off=True)
    ticked(ben, "coil")
    assert note(ben, "coil", "lawn", ohm=30, power_off=True)[0]["state"] == "good"
    with pytest.raises(Refused, match="blow-out-eyes is no caution of it"):
        ben.do("technician-tick", step="coil", keys=["blow-out-eyes"])


def test_two_who_measure_one_coil_lose_neither_word_and_readings_of_other_hours_stand_beside(desk):
    ada, ben = begun(Person(desk)), ticked_of(desk, "Ben")
    ada.do("technician-note", step="coil", place="lawn", ohm=30, power_off=True)
    with pytest.raises(Overtaken) as overtaken:
        ben.do("technician-note", step="coil", place="lawn", ohm=44, power_off=True)
    assert overtaken.value.newest.body["ohm"] == 30
    told = ben.do("technician-note", step="coil", place="lawn", ohm=44, power_off=True, version=1)
    assert told["version"] == 2
    for clock in ("07:00", "19:00"):
        ben.do("technician-note", step="static", place="main", pressure=400, clock=clock)
    seen = next(row for row in ada.do("technician-show")["measured"] if row["step"] == "static")["seen"]
    assert [one["hour"] for one in seen] == ["07:00", "19:00"]


def ticked_of(desk, who):
    return ticked(Person(desk, who))


def test_the_whole_check_is_guided_in_order_and_ends(ada):
    shown = ada.do("technician-begin")
    order = [(one["step"], one["place"]) for one in shown["outstanding"]]
    assert order[0] == ("static", "main") and order[-1] == ("transformer", "site") and len(order) == 1 + 5 * 3 + 1
    assert shown["next"]["cautions"][0]["key"] == "pressure-live"
    with pytest.raises(Refused, match="is still on"):
        ada.do("technician-begin")
    assert ada.do("technician-end", note="box 4 under water")["ended"]
    with pytest.raises(Refused, match="no technician's check is on"):
        ada.do("technician-note", step="splices", place="lawn", splice="sound")
    with pytest.raises(Refused, match="it ended at"):
        ada.do("technician-tick", check="2027-06-01", step="coil", keys=["valve-box"])
    assert ada.do("technician-list")["checks"][0]["outstanding"] == 17


def check_of(person, **figures):
    begun(person)
    note(person, "static", "main", pressure=figures["static"], clock="07:00")
    note(person, "coil", "lawn", ohm=figures["ohm"], power_off=True)
    note(person, "flow", "lawn", flow=figures["flow"])
    return person.do("technician-end")


def test_figures_are_compared_with_the_check_of_a_year_ago_not_with_the_newest():
    person = Person(UpkeepDesk(a_site(), MemoryUpkeepBook()))
    first = check_of(person, static=420, ohm=30, flow=36)
    assert first["compared"] is None
    person.at = JUNE + timedelta(days=300)
    check_of(person, static=300, ohm=30, flow=36)
    person.at = JUNE + timedelta(days=360)
    compared = check_of(person, static=370, ohm=33, flow=30)["compared"]
    assert compared["day"] == "2027-06-01"
    told = {one["what"]: (round(100 * one["share"]), one["told"]) for one in compared["changes"]}
    assert told == {
        "lowest static pressure": (-12, True),
        "highest static pressure": (-12, True),
        "coil and wire": (10, False),  # 20 K of copper are 8 %
        "flow": (-17, True),
    }


def test_the_sheet_prints_faults_first_then_the_year_and_escapes_what_people_wrote():
    person = Person(UpkeepDesk(a_site(units="us"), MemoryUpkeepBook()))
    check_of(person, static=420, ohm=30, flow=36)
    person.at = JUNE + timedelta(days=365)
    begun(person)
    note(person, "coil", "lawn", ohm=5, power_off=True, note="<lid> gone")
    note(person, "static", "main", pressure=345, clock="07:00")
    told = person.do("technician-show")
    page = technician_sheet(json.loads(json.dumps(told)), person.desk.site)
    assert page.index("Faults") < page.index("Against the check of 2027-06-01") < page.index("Coil resistance</h2>")
    assert "&lt;lid&gt; gone" in page and "<lid>" not in page
    assert "50 psi" in page and "kPa" not in page
    assert "common practice, no source" in page
