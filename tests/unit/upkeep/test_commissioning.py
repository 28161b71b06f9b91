"""Commissioning: every step reported since it was begun, nothing signed off before, and what proves a zone is kept."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from dewpond.adapters.store.memory_upkeep import MemoryUpkeepBook
from dewpond.brain.pipes.state import UsualFlow
from dewpond.model.site import Supply
from dewpond.model.upkeep import Overtaken
from dewpond.upkeep.commissioning.sheet import commission_sheet
from dewpond.upkeep.commissioning.steps import STEPS
from dewpond.upkeep.desk import UpkeepDesk
from dewpond.upkeep.refusal import Refused

from .conftest import Person, a_site

UNMETERED = Supply(id="main", source="potable", capacity_l_min=60.0, master_output=8, rain_switch="switch")


def usual(runs):
    return UsualFlow(
        runs=runs, level=3.5, exponent=0.0, ref_ln_kpa=6.0, c00=0.0, c01=0.0, c11=0.0, scatter_sq=0.0, degrees=9.0,
        anchor=3.5, anchor_s=0.0,
    )  # fmt: skip


def a_desk():
    return UpkeepDesk(a_site(supplies=(UNMETERED,)), MemoryUpkeepBook())


@pytest.fixture
def ada():
    return Person(a_desk())


def tick(person, step, place):
    person.do("commission-tick", step=step, place=place, keys=list(STEPS[step].cautions))


def note(person, step, place, **fields):
    tick(person, step, place)
    return person.do("commission-note", step=step, place=place, **fields)


def zone_of(told, name):
    return next(zone for zone in told["zones"] if zone["zone"] == name)


def all_but_cups(person, zone="lawn"):
    person.do("commission-begin", zones=[zone])
    note(person, "click", zone, waters=zone)
    note(person, "flush", zone, water="clear")
    note(person, "master", "main", works=True)
    note(person, "rain-switch", "main", works=True)
    return note(person, "runs", zone, flows=["36 L/min", "35 L/min", "9.5 gpm"])


def test_a_zone_goes_from_its_click_to_the_sign_off(ada):
    told = ada.do("commission-begin", zones=["lawn"])
    lawn = zone_of(told, "lawn")
    order = [(one["step"], one["place"]) for one in lawn["steps"]]
    assert order == [
        ("click", "lawn"), ("flush", "lawn"), ("master", "main"), ("rain-switch", "main"), ("runs", "lawn"),
        ("cups", "lawn"),
    ]  # fmt: skip
    assert lawn["next"]["step"] == "click" and lawn["next"]["cautions"][0]["key"] == "valve-box"
    told = all_but_cups(Person(ada.desk, at=ada.at))
    assert "3 runs by hand of 35.7 L/min, from 35.0 to 36.0 L/min" in told["noted"]["said"]
    with pytest.raises(Refused, match="lawn cannot be signed off: cups at lawn; do it and report it"):
        ada.do("commission-sign", zone="lawn")
    told = ada.do("commission-leave-out", step="cups", place="lawn", why="grass is new")
    assert zone_of(told, "lawn")["may_sign"]
    told = ada.do("commission-sign", zone="lawn", note="ok")
    assert told["signed"] == {"zone": "lawn", "by": "Ada", "version": 2}
    assert ada.do("commission-sign", zone="lawn")["signed"]["version"] == 2  # once more, for a daemon that did not hear
    assert zone_of(ada.do("commission-show"), "bank")["state"] == "never commissioned"


def test_an_audit_of_cups_kept_since_the_beginning_counts_by_itself(ada):
    all_but_cups(ada)
    rows = "\n".join(f"{x},{y},{20 + (x + y) % 3}" for x in range(6) for y in range(4))
    cups = {"csv": f"x_m,y_m,value\n{rows}\n", "unit": "mm", "minutes": 30}
    ada.do("audit-cups", zone="lawn", **cups)
    lawn = zone_of(ada.do("commission-show", zone="lawn"), "lawn")
    assert "Low-quarter uniformity" in lawn["steps"][-1]["said"] and lawn["may_sign"]
    with pytest.raises(Refused, match="an audit that is kept counts by itself"):
        note(ada, "cups", "lawn")


@pytest.mark.parametrize(
    ("step", "place", "fields", "said"),
    [
        ("click", "lawn", {"waters": "bank"}, "output 1 clicked bank; swap the wires"),
        ("flush", "lawn", {"water": "dirty"}, "it still comes dirty"),
        ("master", "main", {"works": False}, "Master valve does not do as it should"),
    ],
)
def test_a_step_that_is_not_right_is_kept_and_keeps_the_zone_from_its_sign_off(ada, step, place, fields, said):
    all_but_cups(ada)
    ada.do("commission-leave-out", step="cups", place="lawn", why="later")
    again = ada.do("commission-note", step=step, place=place, version=1, **fields)
    assert again["noted"]["result"] == "not right" and said in again["noted"]["why"]
    with pytest.raises(Refused, match=f"{step} at {place} "):
        ada.do("commission-sign", zone="lawn")


def test_only_flush_and_cups_may_be_left_out(ada):
    ada.do("commission-begin", zones=["lawn"])
    ada.do("commission-leave-out", step="flush", place="lawn", why="old nozzles")
    with pytest.raises(Refused, match="a zone is not proved without it; only flush and cups may be left out"):
        ada.do("commission-leave-out", step="runs", place="lawn", why="no time")


@pytest.mark.parametrize(
    ("step", "place", "fields", "words"),
    [
        ("click", "lawn", {}, "waters is missing"),
        ("click", "lawn", {"waters": "moat"}, "'moat' is no zone; it is one of lawn, bank, beds, or nothing"),
        ("flush", "lawn", {"water": "wet"}, "what came last was clear or dirty"),
        ("master", "main", {}, "works is missing"),
        ("runs", "lawn", {"flows": ["36", "35"]}, "2 flows, at least 3"),
        ("runs", "lawn", {"flows": ["36", "35", "-2"]}, "a flow is not above 0"),
        ("runs", "lawn", {"flows": ["36", "35", "9 psi"]}, "not a flow"),
        ("master", "lawn", {"works": True}, "it is not done at 'lawn'; it is done at main"),
    ],
)
def test_nonsense_is_refused_and_nothing_is_kept(ada, step, place, fields, words):
    ada.do("commission-begin", zones=["lawn"])
    if place == "main" or step != "master":
        tick(ada, step, place)
    with pytest.raises(Refused, match=words):
        ada.do("commission-note", step=step, place=place, **fields)
    assert all(row["result"] == "" for row in ada.do("commission-show", zone="lawn")["zones"][0]["steps"])


def test_nothing_is_reported_before_it_is_begun_nor_without_ticks(ada):
    with pytest.raises(Refused, match="lawn: no commissioning is begun there"):
        ada.do("commission-note", step="click", place="lawn", waters="lawn")
    with pytest.raises(Refused, match="lawn: its commissioning was never begun"):
        ada.do("commission-sign", zone="lawn")
    ada.do("commission-begin", zones=["lawn"])
    with pytest.raises(Refused, match="step click, cautions: 2 not ticked"):
        ada.do("commission-note", step="click", place="lawn", waters="lawn")


def test_where_a_meter_counts_its_own_three_runs_are_taken_and_no_persons_word():
    counted = {"lawn": usual(5)}
    enough = Person(UpkeepDesk(a_site(), MemoryUpkeepBook(), usual=counted.get))
    enough.do("commission-begin", zones=["lawn"])
    counted["lawn"] = usual(7)
    with pytest.raises(Refused, match="the meter has counted 2 of 3 runs"):
        note(enough, "runs", "lawn", flows=["36", "36", "36"])
    counted["lawn"] = usual(8)
    assert note(enough, "runs", "lawn")["noted"]["said"] == "3 runs counted by the meter, usually 33.1 L/min"
    steps = [one["step"] for one in enough.do("commission-show", zone="lawn")["zones"][0]["steps"]]
    assert steps == ["click", "flush", "runs", "cups"]  # neither master nor rain switch stand there


def test_a_zone_that_is_commissioned_again_is_proved_again(ada):
    all_but_cups(ada)
    ada.do("commission-leave-out", step="cups", place="lawn", why="later")
    ada.do("commission-sign", zone="lawn")
    told = ada.do("commission-begin", zones=["lawn"], note="valve renewed")
    lawn = zone_of(told, "lawn")
    assert lawn["state"] == "begun" and all(row["result"] == "" for row in lawn["steps"])
    assert not lawn["next"]["cautions"][0]["ticked"]
    told = note(ada, "click", "lawn", waters="lawn")
    assert told["version"] == 2 and zone_of(told, "lawn")["steps"][0]["result"] == "done"
    assert ada.do("commission-begin", zones=["lawn"])["zones"][0]["steps"][0]["result"] == "done"  # it is on already


def test_two_who_report_one_step_lose_nobodys_word(ada):
    ben = Person(ada.desk, "Ben", at=ada.at)
    ada.do("commission-begin", zones=["lawn"])
    note(ada, "flush", "lawn", water="clear")
    tick(ben, "flush", "lawn")
    ben.at = ada.at
    with pytest.raises(Overtaken):
        ben.do("commission-note", step="flush", place="lawn", water="dirty")
    assert ben.do("commission-note", step="flush", place="lawn", water="dirty", version=1)["version"] == 2


def test_the_sheet_shows_every_step_and_has_room_to_sign(ada):
    all_but_cups(ada)
    page = commission_sheet(json.loads(json.dumps(ada.do("commission-show"))), ada.desk.site, "1 June 2027")
    assert "0 of 3 zones signed off" in page and "Signed off, name and date:" in page
    assert "3 runs by hand of 35.7 L/min" in page
    ada.do("commission-leave-out", step="cups", place="lawn", why="<later>")
    ada.do("commission-sign", zone="lawn")
    us = replace(ada.desk.site, units="us")
    page = commission_sheet(json.loads(json.dumps(ada.do("commission-show"))), us, "1 June 2027")
    assert "Signed off by Ada on 01 June 2027." in page and "9.4 gpm" in page and "&lt;later&gt;" in page
