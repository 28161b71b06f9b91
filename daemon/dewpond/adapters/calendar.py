"""Calendar work: what is due at a time of the site's own day, each key once per local date.

The times come from scheduler triggers with an explicit time zone. The same ``Agenda`` asks them in the daemon, in a
replay and in the demo; only who wakes the runner differs: a scheduler thread, or the clock itself.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from math import inf
from queue import SimpleQueue
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from apscheduler import events as scheduler_events
from apscheduler.triggers.base import BaseTrigger
from apscheduler.triggers.cron import CronTrigger

from dewpond.model.events import DayEnded, Event, FaultSeen, Now, PlanningDue
from dewpond.model.site import Site
from dewpond.ports import Clock

PLANNING = "planning"
DAY_ENDED = "day ended"

# How far back missed work is looked for. Longer pauses are winter, and the ground has then forgotten the summer.
LOOK_BACK = timedelta(days=366)
# Work done later than this has been missed by the scheduler; the agenda still does it, and the delay is reported.
MISFIRE_GRACE_S = 600
# The wall clock has been moved when it departs from elapsed time by more than this between two passes.
_STEP_S = 2.0
# Long enough to find the last firing of daily work, of which a window that is still open may have begun yesterday.
_A_NIGHT = timedelta(hours=48)
_INSTANT = timedelta(microseconds=1)
# No zone of today sets its clocks by more (Antarctica/Troll: 2 h; IANA time zone database).
_WIDEST_GAP = timedelta(hours=3)
NEVER = datetime.max.replace(tzinfo=UTC)

Key = tuple[str, date]


class Trigger(Protocol):
    """The one question to a scheduler trigger (the library is untyped)."""

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime | None:
        """The next firing at or after ``now``; None when there is none."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class CalendarEntry:
    """Work that falls due once per local date.

    ``date_of`` gives the date a firing stands for, ``make_event`` the event of that date and firing time (UTC). When
    several firings were missed, ``every`` makes up for all of them, oldest first; otherwise only the newest is, and not
    after ``useful_until`` of its date.
    """

    key: str
    trigger: Trigger
    make_event: Callable[[date, datetime], Event]
    date_of: Callable[[datetime], date]
    every: bool = False
    useful_until: Callable[[date], datetime] | None = None


class LocalTrigger(BaseTrigger):
    """A cron trigger on the wall clock of a place, ``lead`` of elapsed time early; each wall time fires once.

    ``fields`` are those of the library's CronTrigger. Left to convert zones itself, it (3.11.3) leaves out the day
    after the spring change for times soon after midnight, because it adds 24 h to a day of 23, and fires twice for a
    wall time that autumn repeats. So the fields are matched on the wall clock as though it were UTC, and the match is
    placed in the zone: a repeated time at its first passing, a time that spring leaves out as late as the gap is long.
    """

    def __init__(self, zone: tzinfo, lead: timedelta = timedelta(0), **fields: int | str) -> None:
        make: Any = CronTrigger
        self._cron: Trigger = make(timezone=UTC, **fields)
        self._zone = zone
        self._lead = lead

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime | None:
        earliest = now if previous_fire_time is None else previous_fire_time + _INSTANT
        target = earliest.astimezone(UTC) + self._lead
        wall = self._wall(target)
        while (match := self._cron.get_next_fire_time(None, wall)) is not None:
            fires = match.replace(tzinfo=self._zone).astimezone(UTC)
            if fires >= target:
                return fires - self._lead
            wall = match + _INSTANT
        return None

    def _wall(self, target: datetime) -> datetime:
        """The wall time at ``target``; within hours of a clock change early enough to meet a time that was left out."""
        local, before = target.astimezone(self._zone), (target - _WIDEST_GAP).astimezone(self._zone)
        wall = local.replace(tzinfo=UTC, fold=0)
        return wall if local.utcoffset() == before.utcoffset() else wall - _WIDEST_GAP


def entries_for_site(site: Site, plan_lead_s: float = 600.0) -> list[CalendarEntry]:
    """The calendar every site has: planning before its window opens, and the end of each day."""
    zone = ZoneInfo(site.timezone)
    start, end = site.watering.window.start, site.watering.window.end
    lead = timedelta(seconds=plan_lead_s)
    return [
        CalendarEntry(
            key=DAY_ENDED,
            trigger=LocalTrigger(zone, hour=0, minute=0, second=0),
            date_of=lambda fires: fires.astimezone(zone).date() - timedelta(days=1),
            make_event=lambda day, fires: DayEnded(at=fires, date=day),
            every=True,
        ),
        CalendarEntry(
            key=PLANNING,
            trigger=LocalTrigger(zone, lead, hour=start.hour, minute=start.minute, second=start.second),
            date_of=lambda fires: (fires + lead).astimezone(zone).date(),
            make_event=lambda day, fires: PlanningDue(at=fires, date=day),
            useful_until=lambda day: _closes(day, start, end, zone),
        ),
    ]


def _closes(day: date, start: time, end: time, zone: tzinfo) -> datetime:
    closing_day = day if end > start else day + timedelta(days=1)
    return datetime.combine(closing_day, end, tzinfo=zone).astimezone(UTC)


def done_keys(events: Iterable[Event]) -> set[Key]:
    """The keys of planning and day-end events, as read from the journal at start."""
    keys: set[Key] = set()
    for event in events:
        if isinstance(event, PlanningDue):
            keys.add((PLANNING, event.date))
        elif isinstance(event, DayEnded):
            keys.add((DAY_ENDED, event.date))
    return keys


class Agenda:
    """Which entries are due, whatever the clock does: stands still, jumps ahead, goes back.

    ``already_done`` are the keys of earlier events (see ``done_keys``). An entry with ``every`` is made up for from its
    newest such key on. With ``catch_up`` the newest firing before the first look is made up for too, if still useful.
    """

    def __init__(self, entries: Sequence[CalendarEntry], already_done: Iterable[Key] = (), *, catch_up: bool) -> None:
        self._entries = list(entries)
        self._done = set(already_done)
        self._is_first_start = not self._done
        self._catch_up = catch_up
        self._began: datetime | None = None
        self._seen: datetime | None = None
        self._next: dict[str, datetime] = {}

    def due(self, wall: datetime) -> list[Event]:
        """The events due by ``wall``, in order of their times, and a fault for each kind of work that was missed."""
        if self.look(wall) > wall:
            return []
        ripe = [entry for entry in self._entries if self._next[entry.key] <= wall]
        return sorted((event for entry in ripe for event in self._fire(entry, wall)), key=lambda event: event.at)

    def look(self, wall: datetime) -> datetime:
        """The earliest firing not yet dealt with; the end of time when there is none."""
        if self._seen is None or wall < self._seen:
            # The first look, or the clock went back: what it said before no longer counts.
            self._done = {(key, day) for key, day in self._done if day <= wall.date() + timedelta(days=1)}
            self._next = {entry.key: self._first(entry, wall) for entry in self._entries}
        self._began = self._began or wall
        self._seen = wall
        return min(self._next.values(), default=NEVER)

    def _first(self, entry: CalendarEntry, wall: datetime) -> datetime:
        newest = max((day for key, day in self._done if key == entry.key), default=None)
        if not entry.every:
            return _next_after(entry, wall - (_A_NIGHT if self._catch_up else _INSTANT))
        if newest is None:
            return _next_after(entry, wall)
        start = max(wall - LOOK_BACK, datetime.combine(newest, time(0), tzinfo=UTC) - _A_NIGHT)
        return next((fires for fires in _firings(entry, start, NEVER) if entry.date_of(fires) > newest), NEVER)

    def _fire(self, entry: CalendarEntry, wall: datetime) -> list[Event]:
        fires = self._next[entry.key]
        if fires < wall - LOOK_BACK:
            fires = _next_after(entry, wall - LOOK_BACK)
        firings = []
        while fires <= wall and fires != NEVER:
            firings.append(fires)
            fires = _next_after(entry, fires)
        self._next[entry.key] = fires
        wanted = firings if entry.every else firings[-1:]
        return [event for fires in wanted if self._is_new(entry, fires) for event in self._make(entry, fires, wall)]

    def _make(self, entry: CalendarEntry, fires: datetime, wall: datetime) -> list[Event]:
        day = entry.date_of(fires)
        if entry.useful_until is None or wall < entry.useful_until(day):
            return [entry.make_event(day, fires)]
        if self._is_first_start and self._began is not None and fires < self._began:
            return []  # before the very first start nobody was there to miss anything
        text = f"{entry.key} of {day} was missed: dewpond or its clock was not there in time; it is not made up for"
        return [FaultSeen(at=wall, part="calendar", text=text)]

    def _is_new(self, entry: CalendarEntry, fires: datetime) -> bool:
        key = (entry.key, entry.date_of(fires))
        is_new = key not in self._done
        self._done.add(key)
        return is_new


def _next_after(entry: CalendarEntry, after: datetime) -> datetime:
    fires = entry.trigger.get_next_fire_time(None, after + _INSTANT)
    return NEVER if fires is None or fires <= after else fires.astimezone(UTC)


def _firings(entry: CalendarEntry, after: datetime, until: datetime) -> Iterator[datetime]:
    fires = _next_after(entry, after)
    while fires <= until and fires != NEVER:
        yield fires
        fires = _next_after(entry, fires)


class PolledCalendar:
    """The Calendar port on a clock that is told when to be where: replay and demo."""

    def __init__(
        self, entries: Sequence[CalendarEntry], already_done: Iterable[Key] = (), *, catch_up: bool = False
    ) -> None:
        self._agenda = Agenda(entries, already_done, catch_up=catch_up)

    def next_due_s(self, now: Now) -> float:
        """Elapsed time of the next firing. [s]"""
        following = self._agenda.look(now.wall)
        return inf if following == NEVER else now.elapsed_s + (following - now.wall).total_seconds()

    def drain(self, now: Now) -> Sequence[Event]:
        """The events due by now."""
        return self._agenda.due(now.wall)


class LiveCalendar:
    """The Calendar port of the daemon: a scheduler thread wakes the runner, and the agenda says what is due.

    Nothing is due while the wall clock is not trusted. ``start`` it and ``close`` it.
    """

    def __init__(
        self, entries: Sequence[CalendarEntry], clock: Clock, already_done: Iterable[Key] = (), *, catch_up: bool = True
    ) -> None:
        # Imported here because a replay, which needs the rest of this file, does not start a scheduler.
        background: Any = importlib.import_module("apscheduler.schedulers.background")
        memory: Any = importlib.import_module("apscheduler.jobstores.memory")
        pool: Any = importlib.import_module("apscheduler.executors.pool")
        self._agenda = Agenda(entries, already_done, catch_up=catch_up)
        self._clock = clock
        self._faults: SimpleQueue[Event] = SimpleQueue()
        self._wall_ahead_s: float | None = None
        self._scheduler = background.BackgroundScheduler(
            timezone=UTC,
            jobstores={"default": memory.MemoryJobStore()},
            executors={"default": pool.ThreadPoolExecutor(1)},
            job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": MISFIRE_GRACE_S},
        )
        for entry in entries:
            self._scheduler.add_job(clock.wake, entry.trigger, id=entry.key, name=entry.key)
        wrong = (
            scheduler_events.EVENT_JOB_MISSED
            | scheduler_events.EVENT_JOB_ERROR
            | scheduler_events.EVENT_JOB_MAX_INSTANCES
        )
        self._scheduler.add_listener(self._went_wrong, wrong)

    def start(self) -> None:
        """Begin to wake the runner."""
        self._scheduler.start()

    def close(self) -> None:
        """End the scheduler's thread."""
        if self._scheduler.running:
            self._scheduler.pause()
            self._scheduler.get_jobs()  # returns when a round under way is over; stopping in its midst would break it
            self._scheduler.shutdown(wait=False)

    def next_due_s(self, now: Now) -> float:  # noqa: ARG002
        """Never: the scheduler wakes the runner."""
        return inf

    def drain(self, now: Now) -> Sequence[Event]:
        """The events due by now, and what the scheduler could not do in time."""
        self._follow(now)
        faults = [self._faults.get() for _ in range(self._faults.qsize())]
        return [*faults, *(self._agenda.due(now.wall) if now.trusted else ())]

    def _follow(self, now: Now) -> None:
        """Have the scheduler look at the clock again when it was moved: it sleeps by the time it once computed."""
        ahead_s = now.wall.timestamp() - now.elapsed_s
        if self._wall_ahead_s is not None and abs(ahead_s - self._wall_ahead_s) > _STEP_S and self._scheduler.running:
            self._scheduler.wakeup()
        self._wall_ahead_s = ahead_s

    def _went_wrong(self, event: scheduler_events.JobEvent) -> None:
        due = getattr(event, "scheduled_run_time", None)
        error = getattr(event, "exception", None)
        what = f"failed ({error})" if error else "came late"
        text = f"the scheduler's call for {event.job_id}, due {due or 'now'}, {what}; the calendar itself is kept"
        self._faults.put(FaultSeen(at=self._clock.now().wall, part="calendar", text=text))
        self._clock.wake()
