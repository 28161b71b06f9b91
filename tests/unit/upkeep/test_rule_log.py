"""The log for an inspector: local times with offsets, the rules of each run, and who insisted on what."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from dewpond.model.commands import AnswerOperator, NoteMaintenance, NoteRules, NoteShortened, RecordRun
from dewpond.model.events import ClockJudged, ClockStepped, Now, OperatorAsked
from dewpond.upkeep.rule_log import Span, rule_log

CHICAGO = ZoneInfo("America/Chicago")
SPAN = Span(date(2026, 10, 31), date(2026, 11, 1), CHICAGO)
AT = datetime(2026, 11, 1, 6, 30, tzinfo=UTC)  # 01:30 of the first passing


def run(run_id="2026-10-31/lawn/refill/1", start=AT, cause="refill: 9.0 mm missing", **changes):
    values = {"zone": "lawn", "seconds": 600.0, "gross_mm": 6.0, "litres": 360.0}
    return RecordRun(run_id=run_id, start=start, end=start + timedelta(seconds=600), cause=cause, **values | changes)


def told(*items, at=AT):
    return [(Now(wall=at, elapsed_s=0.0), item) for item in items]


def asked(request_id="1", action="water", **fields):
    return OperatorAsked(at=AT, request_id=request_id, who="ana at the command line", action=action, **fields)


def answer(accepted, request_id="1", text="said"):
    return AnswerOperator(request_id=request_id, accepted=accepted, text=text)


def test_a_repeated_hour_is_told_apart_by_its_offset():
    body = rule_log([run(), run("x", AT + timedelta(hours=1))], [], SPAN)
    assert [item["start"] for item in body["runs"]] == ["2026-11-01 01:30:00-05:00", "2026-11-01 01:30:00-06:00"]
    assert body["runs"][0]["end"] == "2026-11-01 01:40:00-05:00"
    assert SPAN.ends - SPAN.begins == timedelta(hours=48)  # by the clock
    assert SPAN.ends.astimezone(UTC) - SPAN.begins.astimezone(UTC) == timedelta(hours=49)


def test_a_run_stands_beside_the_rules_that_were_over_it_when_it_began():
    hand = run("by-hand/1/lawn", cause="by hand: Ada (ana at the command line)")
    note = NoteRules(
        run_id=hand.run_id,
        zone="lawn",
        at=AT,
        in_force=("Order: all; complete stop",),
        against=('the complete stop "Order"',),
        who="Ada (ana at the command line)",
        reason="heads are tested",
    )
    found = rule_log([hand, run()], told(note), SPAN)["runs"]
    assert found[0]["kind"] == "by hand" and found[0]["against"] == ['the complete stop "Order"']
    assert (found[0]["insisted_by"], found[0]["reason"]) == ("Ada (ana at the command line)", "heads are tested")
    assert found[1]["kind"] == "by schedule" and found[1]["in_force"] == [] == found[1]["against"]


def test_requests_are_told_whether_they_were_taken_or_refused():
    entries = told(
        asked(zone="lawn", seconds=300.0),
        answer(False, text="may not run"),
        asked("2", zone="lawn", seconds=300.0, against_rule=True, by="Ada", reason="new heads"),
        answer(True, "2"),
    )
    first, second = rule_log([], entries, SPAN)["requests"]
    assert (first["accepted"], first["insisted"], first["answer"]) == (False, False, "may not run")
    assert (second["accepted"], second["who"], second["reason"]) == (True, "Ada (ana at the command line)", "new heads")


def test_an_exemption_of_before_is_told_while_it_may_stand_and_a_refused_one_never():
    leave = {"target": "lawn", "by": "Ada", "reason": "permit 7"}
    june = datetime(2026, 6, 1, tzinfo=UTC)
    early = [
        (Now(wall=june, elapsed_s=0.0), item)
        for item in (
            asked("1", "exempt", until=AT, **leave),
            answer(True, "1"),
            asked("2", "exempt", until=june + timedelta(days=2), **leave),
            answer(True, "2"),
            asked("3", "exempt", until=AT, **leave),
            answer(False, "3"),
        )
    ]
    (found,) = rule_log([], early, SPAN)["declared"]
    assert found["what"] == "exemption recorded" and found["target"] == "lawn"
    assert found["until"] == "2026-11-01 01:30:00-05:00"


def test_maintenance_nights_too_small_and_the_clock_are_told():
    work = NoteMaintenance(
        at=AT,
        work="attended test",
        target="main",
        who="Ada",
        reason="new valve",
        began=AT,
        seconds=90.0,
        litres=30.0,
        outcome="ended by Ada",
    )
    short = NoteShortened(
        zone="lawn", window_date=SPAN.first, wanted_s=1200.0, given_s=300.0, carried_s=900.0, rule="stated"
    )
    given = NoteShortened(zone="beds", window_date=SPAN.first, wanted_s=60.0, given_s=60.0, carried_s=0.0, rule="")
    entries = told(
        work, short, given, ClockStepped(at=AT, step_s=-7200.0), ClockStepped(at=AT, step_s=1.5),
        ClockJudged(at=AT, trusted=False, why="it was set"), asked("9", "clock", by="Ada"),
    )  # fmt: skip
    body = rule_log([run(cause="maintenance: Ada")], entries, SPAN)
    assert body["maintenance"][0]["end"] == "2026-11-01 01:31:30-05:00" and body["runs"][0]["kind"] == "maintenance"
    assert [(item["zone"], item["carried_min"], item["rule"]) for item in body["shortened"]] == [
        ("lawn", 15.0, "stated")
    ]
    assert [item["what"] for item in body["clock"]] == [
        "set by -7200 s",
        "not trusted: it was set",
        "taken as right by Ada (ana at the command line)",
    ]


def test_one_zone_alone_is_told_of_itself_only():
    entries = told(asked(zone="beds", seconds=60.0), answer(True))
    body = rule_log([run(), run("y", zone="beds")], entries, SPAN, "lawn")
    assert [item["zone"] for item in body["runs"]] == ["lawn"] and body["requests"] == []
