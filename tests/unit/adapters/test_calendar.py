"""Local dates and clock changes: the rules of each zone are those of the IANA time zone database."""

from __future__ import annotations

import threading
from contextlib import contextmanager
from datetime import UTC, date, datetime, time, timedelta
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import pytest
from apscheduler.triggers.date import DateTrigger

from dewpond.adapters.calendar import (
    DAY_ENDED,
    PLANNING,
    Agenda,
    CalendarEntry,
    LiveCalendar,
    LocalTrigger,
    PolledCalendar,
    done_keys,
    entries_for_site,
)
from dewpond.model.events import DayEnded, FaultSeen, Now, PlanningDue

DAY = timedelta(days=1)
# Gaps and repeats by night, at midnight (Havana, Cairo), of 30 min (Lord Howe) and 2 h (Troll), and none.
ZONES = (
    "Europe/Berlin",
    "America/Havana",
    "Africa/Cairo",
    "Australia/Lord_Howe",
    "Antarctica/Troll",
    "Etc/GMT+8",
)


def entries(zone="Europe/Berlin", opens=time(21), closes=time(6), lead_s=600.0):
    watering = SimpleNamespace(window=SimpleNamespace(start=opens, end=closes))
    return entries_for_site(SimpleNamespace(timezone=zone, watering=watering), lead_s)


def at(text):
    return datetime.fromisoformat(text).astimezone(UTC)


def now_at(text, elapsed_s=0.0, *, trusted=True):
    return Now(wall=at(text), elapsed_s=elapsed_s, trusted=trusted)


def run_through(calendar, start, days):
    """Every event between two instants, moving from firing to firing as a replay does."""
    now, events = Now(wall=start, elapsed_s=0.0), []
    while now.wall < start + days * DAY:
        events += calendar.drain(now)
        due_s = calendar.next_due_s(now)
        now = Now(wall=start + timedelta(seconds=due_s), elapsed_s=due_s)
    return events


def dates(events, kind):
    return [event.date for event in events if isinstance(event, kind)]


@pytest.mark.parametrize("zone", ZONES)
def test_two_years_hold_each_local_date_once_and_at_its_own_time(zone):
    place = ZoneInfo(zone)
    start = datetime(2026, 1, 1, 12, tzinfo=place).astimezone(UTC)
    opens = time(2, 30) if zone == "Europe/Berlin" else time(0, 5)
    events = run_through(PolledCalendar(entries(zone, opens=opens)), start, 731)
    assert dates(events, DayEnded) == [date(2026, 1, 1) + n * DAY for n in range(731)]
    assert dates(events, PlanningDue) == [date(2026, 1, 2) + n * DAY for n in range(731)]
    for event in events:
        if isinstance(event, PlanningDue):
            assert event.at == datetime.combine(event.date, opens, tzinfo=place).astimezone(UTC) - timedelta(minutes=10)
        else:
            assert event.at.astimezone(place).date() == event.date + DAY
            assert (event.at - timedelta(microseconds=1)).astimezone(place).date() == event.date


def test_the_day_after_the_spring_change_ends_too():
    """The library's own cron trigger, asked after midnight of 2026-03-29 in Berlin, goes on to the 31st."""
    trigger = LocalTrigger(ZoneInfo("Europe/Berlin"), hour=0, minute=0, second=0)
    assert trigger.get_next_fire_time(None, at("2026-03-29T00:00:01+01:00")) == at("2026-03-30T00:00:00+02:00")


def test_a_wall_time_that_autumn_repeats_fires_at_its_first_passing_only():
    trigger = LocalTrigger(ZoneInfo("Europe/Berlin"), hour=2, minute=30, second=0)
    first = trigger.get_next_fire_time(None, at("2026-10-25T00:00:00+02:00"))
    assert first == at("2026-10-25T02:30:00+02:00")
    assert trigger.get_next_fire_time(first, first) == at("2026-10-26T02:30:00+01:00")


def test_a_wall_time_that_spring_leaves_out_fires_once_and_as_late_as_the_gap_is_long():
    trigger = LocalTrigger(ZoneInfo("Europe/Berlin"), hour=2, minute=30, second=0)
    fires = trigger.get_next_fire_time(None, at("2026-03-29T01:10:00+00:00"))
    assert fires == at("2026-03-29T03:30:00+02:00")
    assert trigger.get_next_fire_time(fires, fires) == at("2026-03-30T02:30:00+02:00")


def test_planning_across_the_spring_change_is_ten_minutes_before_a_window_that_opens_right_after_it():
    calendar = PolledCalendar(entries(opens=time(3, 5), closes=time(7)))
    now = now_at("2026-03-29T00:30:00+01:00")
    calendar.drain(now)
    assert calendar.next_due_s(now) == (at("2026-03-29T03:05:00+02:00") - now.wall).total_seconds() - 600.0


def test_planning_of_a_window_that_opens_just_after_midnight_carries_the_date_on_which_it_opens():
    events = run_through(PolledCalendar(entries(opens=time(0, 5))), at("2026-06-01T12:00:00+02:00"), 1)
    planning = next(event for event in events if isinstance(event, PlanningDue))
    assert (planning.at, planning.date) == (at("2026-06-01T23:55:00+02:00"), date(2026, 6, 2))


def test_what_falls_due_at_the_very_start_of_a_replay_is_done_but_the_day_before_it_has_not_ended():
    events = PolledCalendar(entries(opens=time(0, 10))).drain(now_at("2026-06-01T00:00:00+02:00"))
    assert events == [PlanningDue(at=at("2026-06-01T00:00:00+02:00"), date=date(2026, 6, 1))]


def test_a_replay_does_not_reach_back_before_its_start_unless_asked():
    start = now_at("2026-06-01T00:00:00+02:00")
    assert PolledCalendar(entries()).drain(start) == []
    caught_up = PolledCalendar(entries(), catch_up=True).drain(start)
    assert dates(caught_up, PlanningDue) == [date(2026, 5, 31)]


def after_downtime(wall, done, **kwargs):
    return Agenda(entries(**kwargs), done, catch_up=True).due(at(wall))


LAST_ALIVE = {(PLANNING, date(2026, 6, 1)), (DAY_ENDED, date(2026, 5, 31))}


def test_after_downtime_only_the_newest_night_is_planned_and_every_day_is_ended_in_order():
    events = after_downtime("2026-06-05T22:00:00+02:00", LAST_ALIVE)
    assert dates(events, DayEnded) == [date(2026, 6, n) for n in (1, 2, 3, 4)]
    assert dates(events, PlanningDue) == [date(2026, 6, 5)]
    assert [event.at for event in events] == sorted(event.at for event in events)


def test_a_night_planned_before_the_restart_is_not_planned_again():
    done = {(PLANNING, date(2026, 6, 5)), (DAY_ENDED, date(2026, 6, 4))}
    assert after_downtime("2026-06-05T22:00:00+02:00", done) == []


@pytest.mark.parametrize(
    ("wall", "planned"), [("2026-06-06T05:59:59+02:00", True), ("2026-06-06T06:00:00+02:00", False)]
)
def test_a_night_is_made_up_for_only_while_its_window_is_open(wall, planned):
    done = {(PLANNING, date(2026, 6, 4)), (DAY_ENDED, date(2026, 6, 5))}
    events = after_downtime(wall, done)
    assert bool(dates(events, PlanningDue)) is planned
    missed = [event for event in events if isinstance(event, FaultSeen)]
    assert bool(missed) is not planned
    assert all("planning of 2026-06-05 was missed" in fault.text for fault in missed)


def test_a_first_start_by_day_has_missed_nothing():
    assert after_downtime("2026-06-05T12:00:00+02:00", ()) == []


def test_a_first_start_has_missed_nothing_however_often_the_calendar_is_looked_at():
    calendar, now = PolledCalendar(entries(), catch_up=True), now_at("2026-06-05T12:00:00+02:00")
    calendar.next_due_s(now)
    assert calendar.drain(now) == []


def test_a_night_missed_after_a_first_start_is_told():
    agenda = Agenda(entries(), catch_up=True)
    agenda.due(at("2026-06-05T12:00:00+02:00"))
    told = [event.text for event in agenda.due(at("2026-06-06T12:00:00+02:00")) if isinstance(event, FaultSeen)]
    assert told == [
        "planning of 2026-06-05 was missed: dewpond or its clock was not there in time; it is not made up for"
    ]


def test_a_first_start_at_night_plans_the_night_that_has_begun():
    assert dates(after_downtime("2026-06-05T23:00:00+02:00", ()), PlanningDue) == [date(2026, 6, 5)]


def test_a_clock_set_back_repeats_nothing():
    agenda = Agenda(entries(), catch_up=True)
    agenda.due(at("2026-06-05T20:00:00+02:00"))
    assert dates(agenda.due(at("2026-06-05T20:51:00+02:00")), PlanningDue) == [date(2026, 6, 5)]
    assert agenda.due(at("2026-06-05T19:51:00+02:00")) == []
    assert agenda.due(at("2026-06-05T20:55:00+02:00")) == []
    assert dates(agenda.due(at("2026-06-06T00:00:00+02:00")), DayEnded) == [date(2026, 6, 5)]


def test_a_clock_set_ahead_by_days_plans_one_night_and_ends_each_day_once():
    agenda = Agenda(entries(), catch_up=True)
    agenda.due(at("2026-06-05T20:00:00+02:00"))
    events = agenda.due(at("2026-06-09T22:00:00+02:00"))
    assert dates(events, PlanningDue) == [date(2026, 6, 9)]
    assert dates(events, DayEnded) == [date(2026, 6, n) for n in (5, 6, 7, 8)]


def test_a_clock_that_was_ten_years_ahead_works_again_once_it_is_set_right():
    agenda = Agenda(entries(), catch_up=True)
    agenda.due(at("2026-06-05T12:00:00+02:00"))
    assert len(agenda.due(at("2036-06-05T12:00:00+02:00"))) <= 367
    agenda.due(at("2026-06-05T12:10:00+02:00"))
    assert dates(agenda.due(at("2026-06-06T00:00:00+02:00")), PlanningDue) == [date(2026, 6, 5)]


def test_keys_of_the_journal_are_those_of_the_calendar():
    events = [
        PlanningDue(at=at("2026-06-05T20:50:00+02:00"), date=date(2026, 6, 5)),
        DayEnded(at=at("2026-06-05T00:00:00+02:00"), date=date(2026, 6, 4)),
        FaultSeen(at=at("2026-06-05T00:00:00+02:00"), part="disk", text="full"),
    ]
    assert done_keys(events) == {(PLANNING, date(2026, 6, 5)), (DAY_ENDED, date(2026, 6, 4))}


def test_a_calendar_without_entries_is_never_due():
    assert PolledCalendar([]).next_due_s(now_at("2026-06-05T00:00:00+02:00")) == float("inf")


class WakeCounter:
    """A clock whose only working part is its bell."""

    def __init__(self):
        self.woken = threading.Event()

    def now(self):
        return now_at("2026-06-05T12:00:00+02:00")

    def wake(self):
        self.woken.set()


def test_nothing_is_due_while_the_clock_is_not_trusted():
    calendar = LiveCalendar(entries(), WakeCounter())
    assert calendar.drain(now_at("1970-01-01T20:50:00+00:00", trusted=False)) == []
    events = calendar.drain(now_at("2026-06-05T21:30:00+02:00", elapsed_s=60.0))
    assert dates(events, PlanningDue) == [date(2026, 6, 5)]
    assert calendar.next_due_s(now_at("2026-06-05T21:30:00+02:00")) == float("inf")


def once(trigger):
    return CalendarEntry(
        key="report",
        trigger=trigger,
        date_of=lambda fires: fires.date(),
        make_event=lambda day, fires: DayEnded(at=fires, date=day),
    )


@contextmanager
def running(trigger, clock):
    calendar = LiveCalendar([once(trigger)], clock)
    calendar.start()
    try:
        yield calendar
    finally:
        calendar.close()


def test_the_scheduler_thread_wakes_the_runner():
    clock = WakeCounter()
    with running(DateTrigger(timezone=UTC), clock):
        assert clock.woken.wait(30)


def test_a_call_that_the_scheduler_missed_becomes_a_fault():
    clock = WakeCounter()
    with running(DateTrigger(datetime(2026, 6, 5, tzinfo=UTC)), clock) as calendar:
        assert clock.woken.wait(30)
        (fault,) = [event for event in calendar.drain(clock.now()) if isinstance(event, FaultSeen)]
    assert "report, due 2026-06-05 00:00:00+00:00, came late" in fault.text


class BrokenBell(WakeCounter):
    """Fails when the scheduler first rings it."""

    def wake(self):
        self.wake = super().wake
        raise RuntimeError("no thread left")


def test_a_call_that_fails_in_the_scheduler_becomes_a_fault():
    clock = BrokenBell()
    with running(DateTrigger(timezone=UTC), clock) as calendar:
        assert clock.woken.wait(30)
        (fault,) = [event for event in calendar.drain(clock.now()) if isinstance(event, FaultSeen)]
    assert "failed (no thread left)" in fault.text
