from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from dewpond.adapters.store.memory_upkeep import MemoryUpkeepBook
from dewpond.model.site import HeadKind, Heads, Supply
from dewpond.model.upkeep import Overtaken
from dewpond.upkeep.cautions import CAUTIONS
from dewpond.upkeep.desk import UpkeepDesk
from dewpond.upkeep.fault import URGENCIES
from dewpond.upkeep.fault_table import FAULTS, likely, sign_words
from dewpond.upkeep.program_look import program_findings
from dewpond.upkeep.refusal import Refused
from dewpond.upkeep.walk_steps import STEPS

from .conftest import JUNE, SPRAYS, Person, a_site


@pytest.mark.parametrize("fault", FAULTS.values(), ids=lambda fault: fault.key)
def test_every_fault_has_a_step_a_cause_with_a_remedy_an_urgency_known_cautions_and_a_source(fault):
    assert fault.step in STEPS
    assert fault.urgency in URGENCIES
    assert fault.source
    assert fault.causes
    assert all(cause.text and cause.remedy for cause in fault.causes)
    assert set(fault.cautions) <= CAUTIONS.keys()
    assert all(sign_words(sign) for cause in fault.causes for sign in cause.when)


def test_what_the_walk_is_to_find_is_all_in_the_table():
    asked = {
        "head-missing", "head-broken", "head-struck", "head-buried", "head-high", "head-tilted", "head-stays-down",
        "head-weak", "head-mists", "head-wrong-arc", "head-blocked", "head-clogged", "throw-short", "water-on-paving",
        "low-head-drainage", "soft-spot", "puddle", "brown-patch", "lush-patch", "valve-weeps", "extra-start",
        "in-two-programs", "percent-left", "hold-forgotten", "window-overrun", "battery-weak", "timer-battery-old",
        "rain-switch-dead", "clock-wrong", "mixed-kinds", "pressure-high", "pressure-low",
    }  # fmt: skip
    assert asked <= FAULTS.keys()


def test_the_walk_is_guided_from_the_system_off_to_the_program(ada):
    guided, shown = ada.go_round()
    assert guided == [
        ("leak-test", "main"),
        *(("valves-dry", zone) for zone in ("lawn", "bank", "beds")),
        *(("by-hand", zone) for zone in ("lawn", "bank", "beds")),
        *((step, zone) for zone in ("lawn", "bank", "beds") for step in ("run", "ground", "heads")),
        ("program", "site"),
    ]
    letters = [STEPS[step].letter for step, place in guided if place in ("main", "lawn", "site")]
    assert letters == ["a", "a", "b", "d", "e", "f", "g"]
    assert shown["outstanding_count"] == 0
    assert shown["looked_at"] == len(guided)


def test_a_valve_that_leaks_is_offered_for_repair_before_the_zone_runs(ada):
    def seen(step, place):
        if (step, place) == ("valves-dry", "bank"):
            return {"findings": [{"fault": "valve-weeps"}]}
        return {"note": "seat cleaned, dry now"} if step == "repair" else {}

    guided, shown = ada.go_round(seen)
    assert guided.index(("repair", "bank")) == guided.index(("run", "lawn")) - 1
    assert [place for step, place in guided if step == "repair"] == ["bank"]
    [task] = [task for task in shown["tasks"] if task["fault"] == "valve-weeps"]
    assert task["state"] == "done"
    assert "seat cleaned, dry now" in task["history"][-1]["why"]


def test_no_step_is_reported_before_its_cautions_are_ticked(ada):
    ada.do("walk-begin")
    ada.look("leak-test", "main")
    with pytest.raises(Refused, match=r"valves-dry, cautions: 1 not ticked; .*insects and snakes.*Local code"):
        ada.do("walk-look", step="valves-dry", place="lawn")
    ada.do("walk-tick", step="valves-dry", keys=["valve-box"])
    ada.do("walk-look", step="valves-dry", place="lawn")


def test_only_a_steps_own_cautions_can_be_ticked_there(ada):
    ada.do("walk-begin")
    with pytest.raises(Refused, match="heads-lift is no caution of it; they are backflow-local"):
        ada.do("walk-tick", step="leak-test", keys=["heads-lift"])


def test_what_comes_first_is_reported_first_or_left_out_with_a_reason(ada):
    ada.do("walk-begin")
    with pytest.raises(Refused, match=r"lawn: step \(a\) leak-test comes first; report it, or leave it out"):
        ada.look("valves-dry", "lawn")
    with pytest.raises(Refused, match="why is missing"):
        ada.do("walk-leave-out", step="leak-test", place="main", why="  ")
    ada.do("walk-leave-out", step="leak-test", place="main", why="the house draws all day")
    ada.look("valves-dry", "lawn")
    with pytest.raises(Refused, match=r"step \(b\) by-hand comes first"):
        ada.look("run", "lawn")


def test_an_interrupted_walk_goes_on_where_it_was_on_another_phone(desk, ada):
    ada.do("walk-begin")
    ada.look("leak-test", "main")
    ada.look("valves-dry", "lawn")
    ben = Person(UpkeepDesk(desk.site, desk.book), "Ben", JUNE + timedelta(days=1))
    shown = ben.do("walk-show")
    assert (shown["next"]["step"], shown["next"]["place"]) == ("valves-dry", "bank")
    assert all(caution["ticked"] for caution in shown["next"]["cautions"])
    assert ben.look("valves-dry", "bank")["looks"][-1]["who"] == "Ben"
    with pytest.raises(Refused, match="2027-06-01 is still on; go on with it, or end it first"):
        ben.do("walk-begin")


def test_two_people_on_one_walk_lose_nothing(desk, ada):
    ben = Person(desk, "Ben")
    ada.do("walk-begin")
    ada.look("leak-test", "main")
    ada.look("valves-dry", "lawn", "box-wet")
    ben.look("valves-dry", "bank", "valve-weeps")
    with pytest.raises(Overtaken, match="Ada changed it"):
        ben.look("valves-dry", "lawn", "valve-weeps")
    assert [task["task"] for task in ben.do("tasks")["tasks"]] == ["bank/valve-weeps", "lawn/box-wet"]
    shown = ben.look("valves-dry", "lawn", "box-wet", "valve-weeps", version=1)
    assert shown["version"] == 2
    assert shown["touched"] == ["lawn/box-wet", "lawn/valve-weeps"]


def test_a_corrected_look_withdraws_what_was_named_by_mistake(ada):
    ada.do("walk-begin")
    ada.look("leak-test", "main")
    ada.look("valves-dry", "lawn", "box-wet", "valve-weeps")
    ada.look("valves-dry", "lawn", "valve-weeps", version=1)
    states = {task["fault"]: task["state"] for task in ada.do("tasks", all=True)["tasks"]}
    assert states == {"box-wet": "withdrawn", "valve-weeps": "open"}


def walk_with(person, findings, days):
    person.at = JUNE + timedelta(days=days)
    return person.go_round(lambda step, place: {"findings": findings.get((step, place), [])})[1]


def test_a_walk_is_compared_with_the_last_one(ada):
    tilted = {"fault": "head-tilted", "spot": "by the gate"}
    first = walk_with(ada, {("heads", "lawn"): [tilted, {"fault": "head-buried"}], ("ground", "bank"): [
        {"fault": "puddle"}]}, 0)  # fmt: skip
    assert first["compared"] is None
    ada.do("task-move", task="lawn/head-buried", state="done", why="raised")
    second = walk_with(ada, {("heads", "lawn"): [tilted, {"fault": "head-mists", "count": 3}]}, 30)
    told = {name: [one["fault"] for one in second["compared"][name]] for name in ("new", "still", "gone")}
    assert told == {"new": ["head-mists"], "still": ["head-tilted"], "gone": ["puddle", "head-buried"]}
    assert second["compared"]["still"][0]["words"] == "Lawn: a head is tilted, by the gate"
    states = {task["task"]: task["state"] for task in ada.do("tasks", all=True)["tasks"]}
    assert states["lawn/head-buried"] == "proved"
    assert states["lawn/head-tilted/by-the-gate"] == "open"
    third = walk_with(ada, {("heads", "lawn"): [{"fault": "head-buried"}]}, 60)
    assert [one["fault"] for one in third["compared"]["new"]] == ["head-buried"]
    again = next(task for task in third["tasks"] if task["fault"] == "head-buried")
    assert again["state"] == "open"
    assert "seen again on the walk 2027-07-31" in again["history"][-1]["why"]
    assert len(again["seen"]) == 2


def test_what_was_not_looked_at_again_is_not_called_gone(ada):
    walk_with(ada, {("ground", "bank"): [{"fault": "puddle"}]}, 0)
    ada.do("walk-begin", zones=["lawn"])
    ended = ada.do("walk-end")
    assert ended["compared"]["gone"] == []
    assert [one["fault"] for one in ended["compared"]["not_looked_at"]] == ["puddle"]


def test_a_fault_that_only_a_figure_shows_is_neither_proved_nor_gone_without_it(ada):
    def walked(days, flow):
        ada.at = JUNE + timedelta(days=days)
        ran = {("run", "lawn"): {} if flow is None else {"flow": flow}}
        return ada.go_round(lambda step, place: ran.get((step, place), {}))[1]

    def state():
        return {task["task"]: task["state"] for task in ada.do("tasks", all=True)["tasks"]}["lawn/flow-low"]

    walked(0, 20.0)
    ada.do("task-move", task="lawn/flow-low", state="done", why="nozzles cleaned")
    shown = walked(30, None)
    assert [one["fault"] for one in shown["compared"]["not_looked_at"]] == ["flow-low"]
    assert state() == "done"
    walked(60, 36.0)
    assert state() == "proved"


def test_the_program_is_looked_at_by_the_daemon_itself(site):
    overruns = ["the lawn needs more", "the bank needs more"]
    book = MemoryUpkeepBook()
    person = Person(UpkeepDesk(site, book, program=lambda: program_findings(site, None, overruns)))
    _, shown = person.go_round()
    assert {task["task"] for task in shown["tasks"]} == {
        "site/extra-start/lawns", "site/in-two-programs/lawn", "site/window-overrun"
    }  # fmt: skip


def test_flow_of_then_and_now_stand_side_by_side(ada):
    for days, flow in ((0, 36.0), (30, 39.0)):
        ada.at = JUNE + timedelta(days=days)
        ran = {("run", "lawn"): {"flow": flow}}
        _, shown = ada.go_round(lambda step, place, ran=ran: ran.get((step, place), {}))
    [row] = shown["compared"]["flows"]
    assert (row["zone"], row["then_l_min"], row["now_l_min"]) == ("lawn", 36.0, 39.0)
    assert row["change_pct"] == pytest.approx(8.333, abs=0.001)


def test_a_leak_test_says_litres_and_flow_and_becomes_a_task(ada):
    ada.do("walk-begin")
    shown = ada.look("leak-test", "main", litres=12.0, minutes=60.0)
    assert shown["look"]["sentences"] == ["12.0 L in 60 min passed with every valve shut, 0.20 L/min."]
    assert shown["touched"] == ["main/leak-while-shut"]
    fresh = Person(UpkeepDesk(a_site(), MemoryUpkeepBook()))
    fresh.do("walk-begin")
    assert fresh.look("leak-test", "main", litres=1.0, minutes=60.0)["touched"] == []


def test_reclaimed_water_asks_for_signs_and_gloves_and_a_pump_for_its_own_cautions():
    site = a_site(supplies=(Supply(id="main", source="reclaimed", capacity_l_min=60.0),))
    person = Person(UpkeepDesk(site, MemoryUpkeepBook()))
    shown = person.do("walk-begin")["next"]
    assert {"reclaimed-signs", "reclaimed-apart"} <= {caution["key"] for caution in shown["cautions"]}
    assert {"sign-missing", "cross-connection"} <= {fault["fault"] for fault in shown["faults"]}
    potable = Person(UpkeepDesk(a_site(), MemoryUpkeepBook())).do("walk-begin")["next"]
    assert "sign-missing" not in {fault["fault"] for fault in potable["faults"]}


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"flow": "-3 L/min"}, "flow -3 L/min is not from 0 to 20000"),
        ({"flow": "12 mm"}, "flow"),
        ({"flow": float("nan")}, "not a finite number"),
        ({"pressure": "400 bar"}, "pressure 40000 kPa is not from 0 to 2000 kPa; check number and unit"),
        ({"came_on": "yes"}, "came_on: 'yes' is no true or false"),
        ({"came_on": False, "flow": 20}, "did not come on, and 20 L/min flowed; say which"),
        ({"litres": 3, "minutes": 20}, "litres, minutes belongs to the step leak-test"),
        ({"colour": "green"}, "colour is not known; the fields are"),
        ({"findings": [{"fault": "head-tired"}]}, "'head-tired' is no fault known here"),
        ({"findings": [{"fault": "puddle"}]}, "puddle is not found here, it is looked for in the step ground"),
        ({"findings": [{"fault": "wrong-zone", "count": 0}]}, "count 0 is not a whole number from 1 to 500"),
        ({"findings": [{"fault": "wrong-zone", "spot": "x" * 61}]}, "spot is not a text of at most 60 letters"),
        ({"findings": [{"fault": "wrong-zone"}, {"fault": "wrong-zone"}]}, "named twice at one spot"),
        ({"findings": "wrong-zone"}, "no list of tables"),
        ({"waters": "x" * 501}, "501 letters, at most 500; shorten it"),
        ({"place": "moon"}, r"not done at 'moon' here; it is at lawn, bank, beds"),
        ({"step": "dance"}, "no step 'dance'; steps are leak-test"),
    ],
)
def test_nonsense_is_refused_and_nothing_is_kept(ada, fields, words):
    ada.do("walk-begin")
    ada.look("leak-test", "main")
    ada.look("valves-dry", "lawn")
    ada.look("by-hand", "lawn")
    ada.do("walk-tick", step="run", keys=["people-traffic", "restrictions-win"])
    with pytest.raises(Refused, match=words):
        ada.do("walk-look", **{"step": "run", "place": "lawn", **fields})
    assert ("run", "lawn") not in ada.desk.current().looks
    assert ada.do("tasks")["tasks"] == []


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"litres": -5, "minutes": 60}, "litres -5: not from 0"),
        ({"litres": 5, "minutes": 1}, "minutes 1: not from 5 to 1440; less shows nothing"),
        ({"litres": 5}, "litres and minutes are both needed"),
    ],
)
def test_a_leak_test_that_says_nothing_is_refused(ada, fields, words):
    ada.do("walk-begin")
    with pytest.raises(Refused, match=words):
        ada.look("leak-test", "main", **fields)


def test_an_ended_walk_takes_no_more(ada):
    ada.do("walk-begin", zones=["lawn"])
    ended = ada.do("walk-end", note="rain came")
    assert ended["next"] is None
    assert ended["note"] == "rain came"
    with pytest.raises(Refused, match="no walk is on; begin one"):
        ada.do("walk-show")
    with pytest.raises(Refused, match="it ended at"):
        ada.do("walk-look", walk="2027-06-01", step="leak-test", place="main")
    assert ada.do("walk-begin")["walk"] == "2027-06-01-2"
    with pytest.raises(Refused, match="no zone pond here; zones are lawn, bank, beds"):
        Person(UpkeepDesk(a_site(), MemoryUpkeepBook())).do("walk-begin", zones=["pond"])


def test_the_signs_of_the_walk_put_the_likeliest_cause_first(ada):
    def seen(step, place):
        if place != "lawn":
            return {}
        return {
            "run": {"flow": 50.0, "pressure": 300.0, "at_head": True},
            "heads": {"findings": [{"fault": "head-mists", "count": 6}, {"fault": "head-broken", "spot": "north"}]},
        }.get(step, {})

    _, shown = ada.go_round(seen)
    tasks = {task["fault"]: task for task in shown["tasks"]}
    mist = tasks["head-mists"]["causes"][0]
    assert mist["text"] == "the pressure is too high"
    assert mist["remedy"] == "fit a regulator or regulated heads"
    assert mist["because"][0] == "the pressure is well above what the heads are rated for"
    assert tasks["pressure-high"]["urgency"] == "within a month"
    high = [cause["text"] for cause in tasks["flow-high"]["causes"][:2]]
    assert set(high) == {"a head is missing or broken", "the pressure is too high"}
    assert [caution["key"] for caution in tasks["head-broken"]["cautions"]] == ["broken-head"]


def test_without_signs_the_order_of_the_table_stays():
    fault = FAULTS["head-weak"]
    assert [cause.text for cause in likely(fault, frozenset())] == [cause.text for cause in fault.causes]


# What is planted, where it shows, and the finding and cause it must end as.
SPRAY_AND_ROTOR = (SPRAYS, Heads(kind=HeadKind.ROTOR, count=2, flow_l_min=6.0, rated_pressure_kpa=310.0))


def test_every_planted_fault_ends_as_the_right_finding_with_its_cause():
    """A scripted person among planted faults: weeping valve, high pressure, tilted and clogged heads, mixed kinds."""
    base = a_site()
    lawn, bank, beds = base.zones
    site = a_site(zones=(lawn, replace(bank, heads=SPRAY_AND_ROTOR, flow_l_min=48.0), beds))

    def world(step, place):
        """What eyes, gauge and meter show: the lawn at 320 kPa and one tilted head, a weeping and clogged bank."""
        return {
            ("leak-test", "main"): {"litres": 9.0, "minutes": 60.0},
            ("valves-dry", "bank"): {"findings": [{"fault": "valve-weeps"}]},
            ("repair", "bank"): {"note": "diaphragm replaced"},
            ("run", "lawn"): {"flow": 36.0 * (320.0 / 210.0) ** 0.5, "pressure": 320.0, "at_head": True},
            ("run", "bank"): {"flow": 48.0 * 0.6, "pressure": 240.0, "at_head": True},
            ("ground", "bank"): {"findings": [{"fault": "brown-patch", "spot": "top"}]},
            ("heads", "lawn"): {"findings": [{"fault": "head-mists", "count": 9}, {"fault": "head-tilted"}]},
            ("heads", "bank"): {"findings": [{"fault": "head-clogged", "count": 6}]},
        }.get((step, place), {})

    _, shown = Person(UpkeepDesk(site, MemoryUpkeepBook())).go_round(world)
    ends = {task["task"]: task["causes"][0]["text"] for task in shown["tasks"]}
    assert ends == {
        "main/leak-while-shut": "a zone valve weeps",
        "bank/valve-weeps": "dirt under the diaphragm or in its port",
        "lawn/pressure-high": "no regulator, or one set too high",
        "lawn/head-mists": "the pressure is too high",
        "lawn/head-tilted": "settled or pushed",
        "bank/flow-low": "nozzles or filter are clogged",
        "bank/head-clogged": "grit from a repair or the source",
        "bank/mixed-kinds": "unlike application rates",
        "bank/brown-patch/top": "a head there gives too little",
    }
    clean = Person(UpkeepDesk(base, MemoryUpkeepBook())).go_round(
        lambda step, place: {"flow": {"beds": 9.0}.get(place, 36.0)} if step == "run" else {}
    )[1]
    assert clean["tasks"] == []
