"""Wrong clocks, steps both ways, hours that are missing or come twice, another time zone: each local run once."""

from __future__ import annotations

import dataclasses
import math
from collections import Counter
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from sites import DayRule, Hours, Program, Watering, site, time, zone
from small_world import SmallWorld

from dewpond.adapters.calendar import PolledCalendar, done_keys, entries_for_site
from dewpond.brain.brain import Brain
from dewpond.brain.state import State
from dewpond.model.codec import from_plain, to_plain
from dewpond.model.commands import ClearAlarm, RaiseAlarm, RecordRun, TrustClock
from dewpond.model.events import (
    ClockJudged,
    ClockStepped,
    DayEnded,
    KeeperFound,
    OperatorAsked,
    PlanningDue,
    ServiceStarted,
)
from dewpond.runner.runner import Runner
from dewpond_sim.replay_clock import ReplayClock

START = datetime(2026, 6, 1, 15, tzinfo=UTC)  # 10:00 in Chicago, between two windows
LATE = time(23)


class Doubtful(ReplayClock):
    """A clock that can lose its trust."""

    trusted = True

    def now(self):
        return dataclasses.replace(super().now(), trusted=self.trusted)


def by_program(start=LATE, timezone="America/Chicago", window=("21", "06")):
    """One zone that runs ten minutes every night at one clock time."""
    program = Program(name="Beds", zone_minutes={"lawn": 10.0}, starts=(start,), days=DayRule())
    watering = Watering(window=Hours(start=time(int(window[0])), end=time(int(window[1]))), days=DayRule())
    changes = {"programs": (program,), "timezone": timezone, "watering": watering, "digest": timezone}
    return site(zone(rule="calendar"), **changes)


class Nights(SmallWorld):
    """A small world with the site's own calendar, on a clock that may be set or lose its trust."""

    def __init__(self, place, start=START, **more):
        super().__init__(place, start, **more)
        self.clock = Doubtful(start)
        calendar = PolledCalendar(entries_for_site(place), catch_up=True)
        self.runner.ports = dataclasses.replace(self.runner.ports, clock=self.clock, calendar=calendar)

    def at(self, hour):
        """Let the loop run to this hour after the first midnight by an even clock."""
        self.until(hour - 10.0)

    def set_clock(self, step_s):
        self.clock.wall_error_s += step_s
        self.runner.pass_once()

    def restarted(self, place, *, off_s=60.0):
        """The daemon ends and comes up again with this site file: state through its snapshot, journal as it is."""
        state = from_plain(State, to_plain(self.state))
        done = done_keys(
            e for _, _, events in self.store.steps for e in events if isinstance(e, PlanningDue | DayEnded)
        )
        self.site, self.brain = place, Brain(place)
        calendar = PolledCalendar(entries_for_site(place), done, catch_up=True)
        ports = dataclasses.replace(self.runner.ports, calendar=calendar)
        self.clock.wait(self.now.elapsed_s + off_s)
        step_no = self.runner.step_no
        self.runner = Runner(brain=self.brain, state=state, ports=ports, step_no=step_no)
        self.tell(ServiceStarted(at=self.now.wall, site_digest=place.digest, version="1", first=False))
        self.tell(KeeperFound(at=self.now.wall, session="one", ready=True))

    def nights_run(self):
        """Nights, by the local date each is named by, and how often its run began; a remainder is no new run."""
        runs = (run for run in self.runs() if "remainder" not in run.run_id)
        return Counter(run.run_id.split("/")[0] for run in runs)

    def dates_run(self):
        """Local dates with runs, and how many each had."""
        local = ZoneInfo(self.site.timezone)
        return Counter(run.start.astimezone(local).date() for run in self.runs())


@pytest.mark.parametrize(
    ("at_h", "step_s"),
    [
        (22.0, 3600.0),
        (22.0, 7200.0),
        (22.0, -7200.0),
        (23.05, 900.0),
        (23.05, -3600.0),
        (23.3, -3600.0),
        (23.3, 7200.0),
    ],
)
def test_a_step_of_the_time_service_around_a_start_neither_repeats_nor_loses_the_run(at_h, step_s):
    world = Nights(by_program())
    world.at(at_h)
    world.set_clock(step_s)
    world.at(60.0)
    assert world.nights_run() == {"2026-06-01": 1, "2026-06-02": 1}
    assert all(run.seconds == 600.0 for run in world.runs())
    assert any(isinstance(e, ClockStepped) for _, _, events in world.store.steps for e in events)


def test_a_run_under_way_lasts_its_elapsed_time_whatever_the_wall_clock_does():
    for step_s in (3600.0, -3600.0, -86_400.0):
        world = Nights(by_program())
        world.at(23.1)
        assert world.keeper.open_now
        world.set_clock(step_s)
        world.at(23.5)
        (run,) = world.runs()
        assert run.seconds == 600.0 and run.end - run.start == timedelta(seconds=600.0)


def test_water_by_hand_starts_at_once_though_the_clock_is_set_back_meanwhile():
    world = Nights(by_program())
    world.at(12.0)
    world.keeper.refuses = "the relays do not answer"
    assert world.ask("water", zone="lawn", seconds=60.0)[0]
    world.set_clock(-3600.0)
    world.keeper.refuses = ""
    world.at(12.05)
    assert [run.seconds for run in world.runs()] == [60.0]


@pytest.mark.parametrize(
    ("day", "start"),
    [
        (date(2026, 3, 8), time(2, 30)),  # left out: clocks go from 02:00 to 03:00
        (date(2026, 11, 1), time(1, 30)),  # comes twice: clocks go from 02:00 back to 01:00
    ],
)
def test_a_clock_time_that_is_left_out_or_comes_twice_is_run_once(day, start):
    """America/Chicago in 2026 (IANA time zone database)."""
    local = ZoneInfo("America/Chicago")
    begins = datetime.combine(day - timedelta(days=2), time(10), local).astimezone(UTC)
    world = Nights(by_program(start), begins)
    world.until(96.0)
    counts = world.dates_run()
    assert [counts[day + timedelta(days=n)] for n in (-1, 0, 1)] == [1, 1, 1]
    assert all(run.seconds == 600.0 for run in world.runs())


@pytest.mark.parametrize(
    ("at_h", "zone_name"),
    [
        (20.9, "Europe/Berlin"),
        (20.9, "America/Los_Angeles"),
        (23.05, "Asia/Tokyo"),
        (23.5, "America/Los_Angeles"),
        (23.5, "Pacific/Auckland"),
        (26.0, "Europe/Berlin"),
    ],
)
def test_another_time_zone_between_two_starts_gives_no_local_date_two_runs(at_h, zone_name):
    world = Nights(by_program())
    world.at(at_h)
    begun = at_h > 23.0
    world.restarted(by_program(timezone=zone_name))
    world.at(at_h + 60.0)
    assert max(world.nights_run().values()) == 1
    given = [run for run in world.runs() if run.seconds > 0.0]  # what came too late has a row of its own, of nothing
    first, *after = given if begun else [None, *given]
    assert first is None or first.start.astimezone(ZoneInfo("America/Chicago")).hour == 23
    hours = [run.start.astimezone(ZoneInfo(zone_name)).hour for run in after]
    assert len(hours) >= 2 and all(hour >= 21 or hour < 6 for hour in hours)  # late, maybe, but within the window


def test_a_clock_that_is_not_trusted_starts_nothing_by_schedule_and_ends_when_it_is_right():
    world = Nights(by_program())
    world.at(22.0)
    world.clock.trusted = False
    world.tell(
        ClockJudged(at=world.now.wall, trusted=False, why="it was set by +300 min, and nothing stands behind it")
    )
    (alarm,) = world.store.recorded(RaiseAlarm)
    assert alarm.kind == "clock_not_trusted" and "nothing starts by schedule" in alarm.detail
    assert "clock" in {topic for topic, _ in world.bus.published}
    world.at(23.5)
    assert not world.runs()
    world.clock.trusted = True
    world.tell(ClockJudged(at=world.now.wall, trusted=True, why="a time service keeps it"))
    (cleared,) = world.store.recorded(ClearAlarm)
    assert cleared.why.startswith("the clock is trusted again")
    world.at(30.0)
    assert [run.seconds for run in world.runs()] == [600.0]


def test_a_wrong_clock_drops_no_opening_as_too_late():
    world = Nights(by_program())
    world.at(22.0)
    planned = world.state.openings
    world.clock.trusted = False
    world.set_clock(9 * 3600.0)
    world.at(22.2)
    assert planned and world.state.openings == planned
    world.set_clock(-9 * 3600.0)
    world.clock.trusted = True
    world.at(30.0)
    assert [run.seconds for run in world.runs()] == [600.0]


def test_water_by_hand_runs_under_a_clock_that_is_not_trusted_and_the_answer_says_so():
    world = Nights(by_program())
    world.clock.trusted = False
    accepted, text = world.ask("water", zone="lawn", seconds=60.0)
    assert accepted and "the clock is not trusted" in text
    world.at(10.1)
    assert [run.seconds for run in world.runs()] == [60.0]


def test_a_wrong_clock_ends_no_hold_and_no_exemption_and_closes_no_day():
    world = Nights(by_program())
    world.at(11.0)
    assert world.ask("hold", until=world.in_hours(5.0))[0]
    assert world.ask("exempt", target="lawn", until=world.in_hours(5.0), by="Ada", reason="permit 7")[0]
    day = world.state.soil.day
    world.clock.trusted = False
    world.set_clock(86_400.0 * 40)
    world.at(11.5)
    assert world.state.holds and world.state.place.exemptions and world.state.soil.day == day
    accepted, text = world.ask("exempt", target="lawn", until=world.in_hours(5.0), by="Ada", reason="permit 7")
    assert not accepted and "no end can be judged" in text


def test_a_person_s_word_goes_to_the_clock_and_is_not_asked_for_twice():
    world = Nights(by_program())
    vouched = []
    world.runner.vouch = lambda now, who: vouched.append(who)
    assert "trusted already" in world.ask("clock", by="Ada")[1]
    world.clock.trusted = False
    accepted, text = world.ask("clock", by="Ada")
    assert accepted and "by the word of Ada (Ana)" in text and vouched == ["Ada (Ana)"]
    wanted = [one for _, commands in world.store.commands for one in commands if isinstance(one, TrustClock)]
    assert wanted == [TrustClock(who="Ada (Ana)")]


def test_an_untrusted_loop_sleeps():
    """What a wrong clock takes for long over must not keep the loop awake."""
    world = Nights(by_program())
    world.ask("hold", until=world.in_hours(5.0))
    world.clock.trusted = False
    world.set_clock(86_400.0)
    world.tell(OperatorAsked(at=world.now.wall, request_id="x", who="Ana", action="stop"))
    assert world.runner.pass_once() > world.now.elapsed_s + 1.0 or math.isinf(world.runner._wake_s)


def test_runs_of_a_night_are_kept_in_the_record_with_their_own_times():
    world = Nights(by_program())
    world.at(24.0)
    (run,) = world.store.recorded(RecordRun)
    assert run.start.astimezone(ZoneInfo("America/Chicago")).strftime("%H:%M") == "23:00"
