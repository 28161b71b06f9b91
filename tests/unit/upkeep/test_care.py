"""Due dates, guided jobs and the log of care, through the desk's own door."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
import sites

from dewpond.adapters.store.memory_upkeep import MemoryUpkeepBook
from dewpond.model.site import Pump, Sensor, Supply
from dewpond.model.upkeep import Overtaken
from dewpond.upkeep.care import devices as dv
from dewpond.upkeep.care import duties as du
from dewpond.upkeep.care import job as jb
from dewpond.upkeep.care import steps
from dewpond.upkeep.care.sheet import calendar_sheet, job_sheet
from dewpond.upkeep.cautions import CAUTIONS
from dewpond.upkeep.desk import UpkeepDesk
from dewpond.upkeep.refusal import Refused
from dewpond_drivers.winter import ITEMS

from .conftest import Person, a_site

APRIL, OCTOBER = datetime(2027, 4, 25, 9, tzinfo=UTC), datetime(2027, 10, 1, 9, tzinfo=UTC)
KPA_40_PSI = 40 * 6.894757


def a_place(**changes):
    """Main with a backflow device; a reclaimed supply with a pump; the farthest zone is named last."""
    zones = (
        sites.zone("lawn", supply="main", rise_m=1.0),
        sites.zone("bank", supply="main", output=2, rise_m=4.0),
        sites.zone("beds", supply="pond", output=3, overhead=False, method="drip"),
    )
    main = Supply(id="main", source="potable", capacity_l_min=60.0, backflow="reduced pressure")
    pond = Supply(id="pond", source="reclaimed", capacity_l_min=60.0, backflow="none", pump=Pump(output=5))
    gauge = Sensor(id="gauge", kind="rain", topic="t/rain")
    site = a_site(zones=zones, supplies=(main, pond), sensors=(gauge,), programs=())
    return replace(site, latitude_deg=40.0, elevation_m=300.0, **changes)


@pytest.fixture
def ada():
    return Person(UpkeepDesk(a_place(), MemoryUpkeepBook()), at=APRIL)


def duty(person, key):
    return next(one for one in person.do("care-calendar")["duties"] if one["duty"] == key)


def notices(person):
    return {one["duty"]: one["text"] for one in person.do("care-calendar")["notices"]}


def report(person, **fields):
    """The next step reported with all it asks for, its cautions ticked."""
    due = person.do("care-show")["next"]
    if keys := [one["key"] for one in due["cautions"] if not one["ticked"]]:
        person.do("care-tick", step=due["step"], keys=keys)
    values = {"pipe": "polyethylene", "pressure": 150.0, "minutes": 1.5}
    asked = {name: values.get(name, True) for name in due["asks"]}
    if due["machine"] in ("open", "close"):
        asked["keeper"] = "the keeper's word"
    return due, person.do("care-report", step=due["step"], place=due["place"], **{**asked, **fields})


def go_through(person, job):
    person.do("care-begin", job=job)
    done = []
    while person.do("care-show")["next"] is not None:
        due, _ = report(person)
        done.append((due["step"], due["place"]))
    return done


def test_seasons_work_falls_due_by_the_frost_dates(ada):
    ada.do("care-climate", last_frost="05-02", first_frost="10-12", source="county extension office")
    assert duty(ada, "start-up")["due"] == "2027-05-02"
    assert duty(ada, "shut-down")["due"] == "2027-09-28"
    assert duty(ada, "mid-season-audit")["due"] == "2027-07-22"
    assert duty(ada, "monthly-look")["due"] == "2027-06-01"
    assert ada.do("care-calendar")["climate"]["source"] == "county extension office"


def test_where_no_frost_comes_there_is_no_blow_out_but_there_is_the_look(ada):
    ada.do("care-climate", last_frost="none", first_frost="none")
    assert duty(ada, "shut-down")["state"] == "not due here"
    assert duty(ada, "start-up")["why"] == "no frost here"
    assert duty(ada, "monthly-look")["due"] == "2027-04-25"
    assert "start-up" not in notices(ada)


def test_start_up_fills_by_the_highest_zone_and_ends_by_the_signed_list(ada):
    done = go_through(ada, "start-up")
    keys = list(dict.fromkeys(step for step, _ in done))
    assert keys == ["ready", "clock", "fill", "backflow", "reclaimed", "zones", "open", "run"]
    assert [place for step, place in done if step == "fill"] == ["main", "pond"]
    assert [place for step, place in done if step == "backflow"] == ["main"]  # the pond has none
    assert [place for step, place in done if step == "reclaimed"] == ["pond"]
    assert [place for step, place in done if step == "run"] == ["bank", "lawn", "beds"]
    assert set(jb.signed("start-up")) == ITEMS.keys()
    ended = ada.do("care-end")
    assert ended["done"]
    assert duty(ada, "start-up")["due"] == "2028-04-25"
    assert ada.do("care-log")["log"][0]["job"] == "start-up/2027-04-25"


def test_a_master_valve_is_opened_attended_once_the_list_is_signed():
    site = a_place()
    masters = tuple(replace(supply, master_output=7) if supply.id == "main" else supply for supply in site.supplies)
    done = go_through(Person(UpkeepDesk(replace(site, supplies=masters), MemoryUpkeepBook()), at=APRIL), "start-up")
    assert done[done.index(("open", "site")) + 1] == ("main", "main")
    assert ("main", "pond") not in done


def test_the_start_up_list_is_not_signed_while_one_of_its_steps_was_found_wrong(ada):
    ada.do("care-begin", job="start-up")
    while ada.do("care-show")["next"]["step"] != "open":
        due = ada.do("care-show")["next"]
        report(ada, **({"problem": "bonnet split"} if due["step"] == "backflow" else {}))
    assert ada.do("care-show")["unsigned"] == ["backflow"]
    with pytest.raises(Refused, match="backflow of the start-up list is not done or was found wrong"):
        report(ada)
    ada.do("care-report", step="backflow", place="main", note="bonnet replaced", version=1)
    report(ada)
    assert ada.do("care-show")["next"]["step"] == "run"


def test_the_supply_is_never_filled_without_the_words_that_prevent_hammer(ada):
    ada.do("care-begin", job="start-up")
    report(ada)
    report(ada)
    with pytest.raises(Refused, match="opened a crack first"):
        report(ada, cracked=False)
    with pytest.raises(Refused, match="never left out"):
        ada.do("care-leave-out", step="fill", place="main", why="in a hurry")


def test_shut_down_goes_supply_by_supply_and_opens_the_next_zone_before_the_last_shuts():
    person = Person(UpkeepDesk(a_place(), MemoryUpkeepBook()), at=OCTOBER)
    done = go_through(person, "shut-down")
    assert done[0] == ("close", "site")  # nothing opens and no pump starts while somebody works
    assert done[1:3] == [("supply-off", "main"), ("supply-off", "pond")]
    blown = [one for one in done if one[0] in steps.BLOWING]
    assert blown == [
        ("connect", "main"),
        ("air", "bank"),
        ("air", "lawn"),
        ("air-off", "main"),
        ("connect", "pond"),
        ("air", "beds"),
        ("air-off", "pond"),
    ]
    assert ("backflow-drained", "main") in done
    assert ("pump-drained", "pond") in done
    assert person.do("care-end")["done"]
    assert duty(person, "shut-down")["due"] == "2028-10-01"


def at_the_air(person):
    person.do("care-begin", job="shut-down")
    while person.do("care-show")["next"]["step"] != "air":
        report(person)


def test_air_is_kept_within_the_limit_of_the_weakest_pipe_and_short():
    person = Person(UpkeepDesk(a_place(), MemoryUpkeepBook()), at=OCTOBER)
    person.do("care-begin", job="shut-down")
    while person.do("care-show")["next"]["step"] != "connect":
        report(person)
    with pytest.raises(Refused, match=r"414 kPa \(60 psi\) of air; polyethylene bears at most 345 kPa \(50 psi\)"):
        report(person, pressure="60 psi")
    with pytest.raises(Refused, match="pipe 'lead' has no limit here; it is one of polyethylene, pvc, drip"):
        report(person, pipe="lead")
    with pytest.raises(Refused, match="behind the backflow device"):
        report(person, after_backflow=False)
    report(person, pressure="40 psi")
    with pytest.raises(Refused, match="4 min of air; a turn is above 0 and at most 2 min"):
        report(person, minutes=4.0)
    with pytest.raises(Refused, match="the next zone was opened before this one was shut"):
        report(person, next_open=False)
    report(person)
    assert "next_open" not in person.do("care-show")["next"]["asks"]  # the last of its supply
    report(person)
    with pytest.raises(Refused, match="the compressor is off"):
        report(person, compressor_off=False)
    report(person)
    report(person, pressure="40 psi")
    with pytest.raises(Refused, match=r"276 kPa \(40 psi\) of air; drip bears at most 207 kPa \(30 psi\)"):
        report(person, pressure=KPA_40_PSI)


def test_the_limits_of_air_are_those_of_the_caution():
    # general pages only, no agency text found: 50 psi polyethylene, 80 psi PVC, 30 psi drip
    assert {pipe: round(kpa / 6.894757) for pipe, kpa in steps.AIR_LIMITS_KPA.items()} == {
        "polyethylene": 50,
        "pvc": 80,
        "drip": 30,
    }
    assert all(f"{kpa:.0f} kPa" in CAUTIONS["blow-out-pressure"].text for kpa in steps.AIR_LIMITS_KPA.values())


def test_without_a_compressor_no_air_goes_through_that_supply():
    person = Person(UpkeepDesk(a_place(), MemoryUpkeepBook()), at=OCTOBER)
    person.do("care-begin", job="shut-down")
    while person.do("care-show")["next"]["step"] != "connect":
        report(person)
    person.do("care-leave-out", step="connect", place="main", why="drained by hand")
    assert person.do("care-show")["next"]["place"] == "pond"


def test_steps_come_in_their_order_with_their_cautions_and_a_job_resumes_at_another_desk(ada):
    ada.do("care-begin", job="monthly-look")
    with pytest.raises(Refused, match=r"cautions: 1 not ticked; .*backflow-local"):
        ada.do("care-report", step="supply", place="main")
    ada.do("care-tick", step="supply", keys=["backflow-local"])
    with pytest.raises(Refused, match="supply at main comes first"):
        ada.do("care-report", step="run", place="lawn")
    ada.do("care-report", step="supply", place="main")
    with pytest.raises(Refused, match="is still on"):
        ada.do("care-begin", job="start-up")
    ben = Person(UpkeepDesk(ada.desk.site, ada.desk.book), "Ben", ada.at)
    assert ben.do("care-show")["next"]["place"] == "pond"
    ben.do("care-report", step="supply", place="pond")
    with pytest.raises(Overtaken):
        ada.do("care-report", step="supply", place="pond", problem="wet")
    with pytest.raises(Refused, match="steps are not done, the next is reclaimed at pond"):
        ada.do("care-end")
    with pytest.raises(Refused, match="say why it is broken off"):
        ada.do("care-end", broken_off=True)
    assert not ada.do("care-end", broken_off=True, note="thunder")["done"]
    assert duty(ada, "monthly-look")["last"] is None


def test_the_keepers_steps_are_not_reported_by_hand(ada):
    ada.do("care-begin", job="shut-down")
    ada.do("care-tick", step="close", keys=["valve-supply-off"])
    with pytest.raises(Refused, match="`dewpond care close` asks it"):
        ada.do("care-report", step="close", place="site")


def test_a_walk_round_counts_as_the_monthly_look(ada):
    ada.at = datetime(2027, 6, 10, 9, tzinfo=UTC)
    ada.go_round()
    assert duty(ada, "monthly-look")["last"] == "2027-06-10"
    assert duty(ada, "monthly-look")["due"] == "2027-07-10"


def test_a_backflow_test_names_device_tester_and_result_and_is_told_thirty_days_before(ada):
    key = "device/backflow-main"
    with pytest.raises(Refused, match="tester, certificate, result, serial is missing"):
        ada.do("care-done", duty=key)
    test = {"tester": "A. Tester", "certificate": "BF-12", "serial": "RP 0071"}
    with pytest.raises(Refused, match="it is passed or failed"):
        ada.do("care-done", duty=key, result="fine", **test)
    ada.do("care-done", duty=key, result="passed", on="2027-04-20", **test)
    assert duty(ada, key)["due"] == "2028-04-19"
    ada.at = datetime(2028, 3, 19, 9, tzinfo=UTC)
    assert key not in notices(ada)
    ada.at += timedelta(days=1)
    assert notices(ada)[key].startswith("Backflow test: reduced pressure, backflow-main is due on 2028-04-19")
    told = ada.do("care-done", duty=key, result="failed", **test)
    assert told["state"] == "due"
    assert "failed" in told["why"]
    told = ada.do("care-done", duty=key, result="passed", next_due="2028-10-01", **test)
    assert told["due"] == "2028-10-01"
    assert [one["result"] for one in ada.do("care-log", duty=key)["log"]] == ["passed", "failed", "passed"]


def test_batteries_by_kind_filters_in_season_and_calibration_have_their_own_days(ada):
    ada.do("care-device", device="timer", kind="battery", of="timer back-up", place="site")
    ada.do("care-device", device="disc-1", kind="filter", of="disc", place="beds")
    ada.do("care-done", duty="device/timer", on="2027-04-01")
    ada.do("care-done", duty="device/disc-1", on="2027-04-20")
    assert duty(ada, "device/timer")["due"] == "2027-10-01"
    assert duty(ada, "device/disc-1")["due"] == "2027-05-25"  # water runs a month by then
    ada.do("care-done", duty="device/sensor-gauge", note="100 mL gave 5.1 mm for 5.0")
    assert duty(ada, "device/sensor-gauge")["due"] == "2028-04-24"
    ada.at = OCTOBER + timedelta(days=3)
    ada.do("care-done", duty="device/disc-1")
    assert duty(ada, "device/disc-1")["due"] == "2028-05-25"  # not while the pipes are empty
    ada.do("care-device", device="disc-1", retired=True)
    assert "device/disc-1" not in [one["duty"] for one in ada.do("care-calendar")["duties"]]
    assert ada.do("care-log", duty="device/disc-1")["log"]


def test_reclaimed_water_is_checked_only_where_it_is_reclaimed(ada):
    keys = [one["duty"] for one in ada.do("care-calendar")["duties"] if one["duty"].startswith("reclaimed/")]
    assert keys == ["reclaimed/pond"]
    with pytest.raises(Refused, match="no duty 'reclaimed/main'"):
        ada.do("care-done", duty="reclaimed/main")
    ada.at = datetime(2027, 6, 1, 9, tzinfo=UTC)
    ada.do("care-done", duty="reclaimed/pond", result="failed", note="sign faded")
    assert duty(ada, "reclaimed/pond")["state"] == "due"


def test_reminders_of_many_sensors_are_one(ada):
    many = tuple(Sensor(id=f"s{number}", kind="rain", topic="t") for number in range(9))
    person = Person(UpkeepDesk(a_place(sensors=many), MemoryUpkeepBook()), at=APRIL)
    told = notices(person)
    assert [key for key in told if key.startswith("device/sensor")] == ["device/sensors"]
    assert "9 sensors to compare" in told["device/sensors"]
    assert "and 6 more" in told["device/sensors"]


def test_a_new_site_is_not_blamed_for_the_spring_before_it(ada):
    ada.at = datetime(2027, 7, 1, 9, tzinfo=UTC)
    assert "start-up" not in notices(ada)
    assert duty(ada, "start-up")["due"] == "2028-04-25"


def test_every_step_and_rule_has_known_cautions_and_a_source():
    for job in steps.JOBS.values():
        assert all(set(step.cautions) <= CAUTIONS.keys() and step.how for step in job)
    assert all(rule.source and rule.words for rule in dv.RULES.values())
    site = a_place()
    assert all(one.source for one in du.duties(site, dv.devices(site, ()).values()))


def test_the_pages_print_the_year_and_a_job_with_its_cautions(ada):
    ada.do("care-device", device="timer", kind="battery", of="timer back-up", place="site", note="<b>behind</b>")
    ada.do("care-done", duty="device/timer", note="<i>weak</i>")
    page = calendar_sheet(ada.do("care-calendar"), ada.do("care-log")["log"])
    assert "April 2027" in page
    assert "&lt;i&gt;weak" in page
    assert "Hopkins 1920, from memory" in page
    page = job_sheet("shut-down", ada.desk.site)
    assert "Drive no air through the backflow assembly" in page
    assert "Local code and licensed practice come first." in page


@pytest.mark.parametrize("day", [date(2027, 1, 1) + timedelta(days=19 * number) for number in range(20)])
def test_on_any_day_of_the_year_every_duty_has_a_day_within_the_next_three_years(day):
    person = Person(UpkeepDesk(a_place(), MemoryUpkeepBook()), at=datetime(day.year, day.month, day.day, tzinfo=UTC))
    for one in person.do("care-calendar")["duties"]:
        assert day - timedelta(days=31) <= date.fromisoformat(one["due"]) <= day + timedelta(days=3 * 366)
