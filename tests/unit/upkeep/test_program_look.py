from __future__ import annotations

from dewpond.upkeep.program_look import program_findings

from .conftest import a_site

STATUS = {
    "at": "2027-06-01T14:00:00+00:00",
    "timezone": "America/Chicago",
    "clock_trusted": True,
    "hold_until": None,
    "programs": [{"name": "Lawns", "percent": 100.0, "changed_by": ""}],
    "zones": [{"id": "lawn", "held": ""}],
    "locks": [],
}


def found(status=None, overruns=()):
    findings, sentences = program_findings(a_site(), None if status is None else {**STATUS, **status}, overruns)
    return {(one.fault, one.spot) for one in findings}, sentences


def test_extra_starts_and_a_zone_in_two_programs_are_told_from_the_site_file_alone():
    faults, sentences = found()
    assert faults == {("extra-start", "Lawns"), ("in-two-programs", "lawn")}
    assert sentences == ["No daemon answers: its clock, holds, locks and percents were not looked at."]


def test_what_the_daemon_holds_is_told_with_its_clock():
    of_file = {("extra-start", "Lawns"), ("in-two-programs", "lawn")}
    assert found({})[0] == of_file
    assert "2027-06-01T14:00:00+00:00, time zone America/Chicago" in found({})[1][0]
    told = found(
        {
            "hold_until": "2027-06-30T00:00:00+00:00",
            "programs": [{"name": "Lawns", "percent": 60.0, "changed_by": "Ada"}],
            "zones": [{"id": "lawn", "held": "held by Ada (repair)"}, {"id": "bank", "held": "wind"}],
            "locks": [{"target": "beds", "sentence": "Locked by Ada."}],
            "clock_trusted": False,
            "clock_doubt": "",
        },
        ["the zones need 9.0 h a day, the window is 8.0 h"],
    )[0]
    assert told - of_file == {
        ("hold-forgotten", "site"),
        ("hold-forgotten", "lawn"),
        ("hold-forgotten", "lock beds"),
        ("percent-left", "Lawns"),
        ("clock-wrong", ""),
        ("window-overrun", ""),
    }


def test_a_percent_that_follows_the_weather_is_not_left_over():
    assert ("percent-left", "Lawns") not in found({"programs": [{"name": "Lawns", "percent": 72.0, "changed_by": ""}]})[
        0
    ]
