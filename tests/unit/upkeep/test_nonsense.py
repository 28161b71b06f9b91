"""Every form of the work on foot refuses nonsense with a clear word, and keeps nothing of what it refused.

The first test puts every kind of nonsense into every field of every form: whatever is not a refusal must have been
taken as meant, never a crash. The second is a table of what each form must refuse, with the word that says why.
"""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime

import pytest

from dewpond.adapters.store.memory_upkeep import MemoryUpkeepBook
from dewpond.model.site import Supply
from dewpond.model.upkeep import Overtaken
from dewpond.upkeep.answers import answer
from dewpond.upkeep.commissioning.steps import STEPS as PROVING
from dewpond.upkeep.desk import READING, UpkeepDesk
from dewpond.upkeep.forms import FORMS
from dewpond.upkeep.refusal import Refused

from .conftest import JUNE, Person, a_site

CUPS = "x_m,y_m,value\n" + "".join(f"{x},{y},{20 + x}\n" for x in range(6) for y in range(4))
DRIP = "line,place,ml\n" + "".join(
    f"{line},{place},{15 + line}\n" for line in range(4) for place in ["start", "middle", "end"]
)
# What a whole and sound report of each form would be; nonsense takes the place of one field at a time.
GOOD = {
    "walk-begin": {"zones": ["lawn"]},
    "walk-show": {"walk": "2027-06-01"},
    "walk-tick": {"walk": "2027-06-01", "step": "leak-test", "keys": ["backflow-local"]},
    "walk-look": {
        "walk": "2027-06-01", "step": "leak-test", "place": "main", "findings": [], "litres": "14 L",
        "minutes": "60 min", "note": "by the dial",
    },
    "walk-leave-out": {"walk": "2027-06-01", "step": "leak-test", "place": "main", "why": "no time"},
    "walk-end": {"walk": "2027-06-01", "note": "rain"},
    "walks": {},
    "tasks": {"all": True},
    "task-move": {"task": "main/backflow-drips", "state": "in hand", "why": "called the tester"},
    "register": {"zone": "lawn"},
    "register-set": {"zone": "lawn", "changes": {"notes": "lid cracked", "heads": [{"kind": "spray", "count": 3}]}},
    "register-export": {},
    "register-import": {"csv": "zone,notes\nlawn,lid gone\n"},
    "audit-plan": {"zone": "lawn", "width": "10 m", "length": "8 m", "owned": 12, "turn": "2 min"},
    "audit-cups": {"zone": "lawn", "csv": CUPS, "unit": "mL", "minutes": "10 min", "mouth": "95 cm2", "wind": "1 m/s"},
    "audit-drip": {
        "zone": "beds", "csv": DRIP, "seconds": "60 s", "start": "150 kPa", "end": "140 kPa", "rated": "150 kPa",
        "filter_before": "200 kPa", "filter_after": "180 kPa", "flush": "clear",
    },
    "audits": {"zone": "lawn"},
    "design-review": {},
    "care-calendar": {},
    "care-climate": {"last_frost": "05-02", "first_frost": "10-12", "source": "almanac"},
    "care-devices": {},
    "care-device": {"device": "timer", "kind": "battery", "of": "timer back-up", "place": "site", "every_days": 200},
    "care-done": {"duty": "device/clock", "on": "2027-05-01", "result": "passed", "note": "9 V", "serial": "7"},
    "care-log": {"duty": "device/clock"},
    "care-begin": {"job": "start-up"},
    "care-show": {},
    "care-tick": {"step": "supply", "keys": ["backflow-local"]},
    "care-report": {"step": "supply", "place": "main", "problem": "wet", "note": "by the meter"},
    "care-leave-out": {"step": "supply", "place": "main", "why": "no time"},
    "care-end": {"note": "thunder", "broken_off": True},
    "technician-begin": {},
    "technician-show": {"check": "2027-06-01"},
    "technician-list": {},
    "technician-tick": {"check": "2027-06-01", "step": "static", "keys": ["pressure-live"]},
    "technician-note": {
        "check": "2027-06-01", "step": "static", "place": "main", "pressure": "420 kPa", "clock": "07:30",
        "note": "tap",
    },
    "technician-end": {"check": "2027-06-01", "note": "rain"},
    "commission-begin": {"zones": ["lawn"], "note": "new nozzles"},
    "commission-show": {"zone": "lawn"},
    "commission-tick": {"step": "click", "place": "lawn", "keys": list(PROVING["click"].cautions)},
    "commission-note": {"step": "click", "place": "lawn", "waters": "lawn", "note": "heard it"},
    "commission-leave-out": {"step": "cups", "place": "lawn", "why": "grass is new"},
    "commission-sign": {"zone": "lawn", "note": "ok"},
    "handover-show": {},
    "handover-keep": {"to": "Cleo", "note": "keys are in the shed"},
    "emergency-show": {},
    "emergency-set": {
        "shut_off": "by the gate, a quarter turn", "power": "cellar, fuse 7",
        "calls": [{"who": "Cleo", "phone": "555 0100", "when": "day and night"}],
    },
    "report": {"month": "2027-05"},
    "week": {"zone": "lawn", "last": "2027-05-31"},
    "accounts": {},
    "tariff-set": {
        "supply": "main", "currency": "EUR", "unit": "m3", "fixed": 4,
        "tiers": [{"up_to": 10, "price": 1.5}, {"price": 2}],
    },
    "bill-set": {
        "supply": "main", "first": "2027-04-01", "last": "2027-05-01", "unit": "m3", "units": 12, "amount": 22.0,
        "note": "estimated",
    },
    "bill-withdraw": {"supply": "main", "last": "2027-03-01"},
    "allowance-set": {"factor": 0.55, "source": "town rule 7-3", "special": ["lawn"]},
}  # fmt: skip
NONSENSE = (
    "", " ", "no such thing", "a" * 5000, "\x00", "\ud800", "<script>", "../../etc", "'; drop table upkeep; --",
    -1, 0, 1e30, math.nan, math.inf, True, 2**70, "-5 mm", "nan kPa", "1e400 L", "7 parsecs", "400",
    [], {}, [[]], [{}], ["x"], [None], {"x": [1]}, [{"fault": ["x"]}], {"heads": [{"kind": ["spray"]}]},
    {"heads": [3]}, {"heads": [{"kind": "spray", "count": 1e30}]}, {"heads": [{"kind": "spray", "count": 1, "x": 1}]},
    {"output": [1]}, {"valve_place": {}}, {"notes": 3}, {3: 4},
    [{"x_m": math.nan, "y_m": 1}, {"x_m": 1, "y_m": 2}, {"x_m": 3, "y_m": 1}], [{"x_m": "a"}],
    [{"date": "2027-01-01", "low_c": math.nan}], [{"date": 7, "low_c": 1}],
    [{"fault": "backflow-drips", "count": True}],
    [{"fault": "backflow-drips", "spot": "\ud800"}], "x_m,y_m,value\n1,1,-4\n", "x_m,y_m,value\n1,1,nan\n", "\n,,,\n",
)  # fmt: skip


def a_desk(site=None):
    """A desk in the midst of its work: a walk and a job are on, a task stands, a device is known."""
    desk = UpkeepDesk(site or a_site(), MemoryUpkeepBook())
    ada = Person(desk)
    ada.do("walk-begin")
    ada.look("leak-test", "main", "backflow-drips")
    ada.do("walk-end")
    ada.do("care-device", device="clock", kind="battery", of="sensor", place="site")
    ada.do("care-begin", job="monthly-look")
    ada.do("care-tick", step="supply", keys=["backflow-local"])
    return desk, ada


def a_desk_for(op):
    """As ``a_desk``, where this operation's sound form is taken."""
    # Without a meter a person says what the runs of a commissioning gave, so that it can be signed here.
    meterless = a_site(supplies=(Supply(id="main", source="potable", capacity_l_min=60.0),))
    desk, ada = a_desk(meterless if op == "commission-sign" else None)
    ben = Person(desk, "Ben")  # who reports in these tests must have ticked the cautions
    if op in ("walk-tick", "walk-look", "walk-leave-out", "walk-end", "walk-show"):
        ada.do("walk-begin")
        ada.do("walk-tick", step="leak-test", keys=["backflow-local"])
        return desk, {**GOOD[op], "walk": "2027-06-01-2"}
    if op.startswith("technician-") and op != "technician-begin":
        ada.do("technician-begin")
        ben.do("technician-tick", check="2027-06-01", step="static", keys=["pressure-live"])
    if op.startswith("commission-") and op != "commission-begin":
        _commissioned(ben, whole=op == "commission-sign")
    if op == "bill-withdraw":
        ada.do("bill-set", **{**GOOD["bill-set"], "first": "2027-02-01", "last": "2027-03-01"})
    if op == "care-begin":
        ada.do("care-end", broken_off=True, note="thunder")
    return desk, GOOD[op]


def _commissioned(person, *, whole):
    """The lawn's commissioning is on; ``whole`` up to the signing."""
    person.do("commission-begin", zones=["lawn"])
    done = {"click": {"waters": "lawn"}, "flush": {"water": "clear"}} if whole else {}
    for step in ("click", "flush", "cups"):
        person.do("commission-tick", step=step, place="lawn", keys=list(PROVING[step].cautions))
        if step in done:
            person.do("commission-note", step=step, place="lawn", **done[step])
    for step in ("master", "rain-switch"):
        person.do("commission-tick", step=step, place="main", keys=list(PROVING[step].cautions))
        if whole:
            person.do("commission-note", step=step, place="main", works=True)
    person.do("commission-tick", step="runs", place="lawn", keys=list(PROVING["runs"].cautions))
    if whole:
        person.do("commission-note", step="runs", place="lawn", flows=["40 L/min", "41 L/min", "40 L/min"])
        person.do("commission-leave-out", step="cups", place="lawn", why="grass is new")


def kept(desk):
    """The newest version of everything, by name."""
    return {key: len(versions) for key, versions in desk.book._entries.items()}


def do(desk, op, form):
    return desk.do(op, form, who="Ben", at=datetime(2027, 6, 1, 18, tzinfo=UTC))


@pytest.mark.parametrize("op", FORMS)
def test_a_sound_form_is_taken(op):
    desk, good = a_desk_for(op)
    assert json.dumps(do(desk, op, good))


@pytest.mark.parametrize("op", FORMS)
def test_nonsense_in_any_field_is_refused_in_words_or_taken_as_meant_and_never_breaks_the_desk(op):
    desk, good = a_desk_for(op)
    for name in FORMS[op]:
        for value in NONSENSE:
            before = kept(desk)
            try:
                do(desk, op, {**good, name: value})
            except (Refused, Overtaken) as refused:
                assert kept(desk) == before, (op, name, value)
                assert len(str(refused)) > 15, (op, name, value)
                assert len(str(refused)) < 3000, (op, name, str(value)[:40])
                str(refused).encode()
            else:
                desk, good = a_desk_for(op)  # taken; the next nonsense meets a fresh desk


ROTTEN = "\ud800"


@pytest.mark.parametrize(
    ("op", "wrong", "said"),
    [
        ("walk-begin", {"zones": ["lawn", "moon"]}, "no zone moon here; zones are lawn, bank, beds"),
        ("walk-tick", {"keys": ["backflow-local", "luck"]}, "luck is no caution of it"),
        ("walk-look", {"litres": "-14 L"}, "-14"),
        ("walk-look", {"minutes": "0 min"}, "min"),
        ("walk-look", {"pressure": "210 kPa"}, "belongs to the step run"),
        ("walk-look", {"findings": [{"fault": "backflow-drips", "count": -2}]}, "whole number from 1"),
        ("walk-look", {"findings": [{"fault": "gremlins"}]}, "no fault known here"),
        ("walk-look", {"step": "dance"}, "no step 'dance'"),
        ("walk-leave-out", {"why": " "}, "why is missing"),
        ("task-move", {"state": "proved"}, "which proved does not follow"),
        ("task-move", {"state": "done", "why": ""}, "say what was done"),
        ("task-move", {"task": "main/luck"}, "no task 'main/luck' here"),
        ("register-set", {"changes": {"output": 99}}, "99 is above 8"),
        ("register-set", {"changes": {"heads": [{"kind": "spray", "count": -3}]}}, "-3 is not a whole number"),
        ("register-set", {"changes": {"heads": [{"kind": "fountain", "count": 3}]}}, "give kind"),
        ("register-set", {"changes": {"colour": "blue"}}, "no field of a card"),
        ("register-import", {"csv": "zone,colour\nlawn,blue\n"}, "colour is no column"),
        ("audit-plan", {"width": "-10 m"}, "a side is longer than 0 m"),
        ("audit-plan", {"length": None}, "give both"),
        ("audit-plan", {"owned": 0}, "cups"),
        ("audit-cups", {"csv": CUPS.replace(",20\n", ",-20\n")}, "-20"),
        ("audit-cups", {"csv": CUPS.replace(",20\n", ",400\n"), "unit": "mm", "minutes": "5 min"}, "400"),
        ("audit-cups", {"csv": CUPS.replace(",20\n", ",many\n")}, "many"),
        ("audit-cups", {"unit": "buckets"}, "buckets"),
        ("audit-cups", {"minutes": "-10 min"}, "-10"),
        ("audit-cups", {"mouth": "-95 cm2"}, "-95"),
        ("audit-drip", {"csv": DRIP.replace(",15\n", ",-15\n")}, "-15"),
        ("audit-drip", {"seconds": "0 s"}, "0"),
        ("audit-drip", {"end": "-140 kPa"}, "-140"),
        ("audit-drip", {"flush": "purple"}, "clear"),
        ("care-climate", {"last_frost": "02-31"}, "MM-DD"),
        ("care-device", {"kind": "toaster"}, "kinds are backflow, battery, filter, sensor"),
        ("care-device", {"of": "potato"}, "is no battery; they are timer back-up"),
        ("care-device", {"place": "moon"}, "no place 'moon' here"),
        ("care-device", {"every_days": 1}, "it is 7 to 3660 days"),
        ("care-device", {"device": "Big Box!"}, "a name is 1 to 40 of a-z"),
        ("care-done", {"on": "2027-07-01"}, "is not within 2022-05-28 and 2027-06-01"),
        ("care-done", {"result": "splendid"}, "it is passed or failed"),
        ("care-done", {"tester": "A. Tester"}, "is for backflow tests"),
        ("care-done", {"next_due": "1999-01-01"}, "is not within"),
        ("care-log", {"duty": "device/moon"}, "no duty 'device/moon' here"),
        ("care-begin", {"job": "dance"}, "is no guided job; they are start-up, monthly-look, shut-down"),
        ("care-report", {"pressure": "900 kPa"}, "pressure is not asked here"),
        ("care-report", {"place": "moon"}, "is not done at 'moon'"),
        ("care-end", {"note": ""}, "say why it is broken off"),
    ],
)
def test_what_each_form_must_refuse_is_refused_with_the_word_that_says_why(op, wrong, said):
    desk, good = a_desk_for(op)
    before = kept(desk)
    told = answer(desk, op, {**good, **wrong}, who="Ben", at=datetime(2027, 6, 1, 18, tzinfo=UTC))
    assert not told["ok"]
    assert said in told["text"]
    assert kept(desk) == before


@pytest.mark.parametrize("op", [op for op in FORMS if op not in READING])
def test_a_form_without_what_it_needs_names_it_and_an_unknown_field_names_those_that_are(op):
    desk, good = a_desk_for(op)
    for name in [name for name, entry in FORMS[op].items() if entry.needed]:
        left = {key: value for key, value in good.items() if key != name}
        assert f"{name} is missing" in answer(desk, op, left, who="Ben", at=JUNE)["text"]
    told = answer(desk, op, {**good, "colour": "blue", 7: 7, ROTTEN: 1}, who="Ben", at=JUNE)["text"]
    assert "colour" in told
    assert "the fields are" in told
    told.encode()


@pytest.mark.parametrize("who", ["", "   ", "a" * 200, ROTTEN, "Ada\x00", 7, ["Ada"]])
def test_a_name_that_is_none_is_refused(who):
    desk, good = a_desk_for("walk-end")
    before = kept(desk)
    told = answer(desk, "walk-end", {**good, "by": who}, who="  ", at=JUNE)
    assert not told["ok"]
    told["text"].encode()
    assert kept(desk) == before
