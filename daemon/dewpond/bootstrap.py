"""Puts the daemon together: the only place that picks adapters. Decisions live in the brain, the loop in the runner."""

from __future__ import annotations

import contextlib
import functools
import logging
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

import numpy as np

from dewpond.adapters import supervision
from dewpond.adapters.calendar import LiveCalendar, PolledCalendar, done_keys, entries_for_site
from dewpond.adapters.care_reminders import CareReminders
from dewpond.adapters.clock_witness import kernel_witness
from dewpond.adapters.desk import OperatorDesk
from dewpond.adapters.keeper_client import KeeperClient
from dewpond.adapters.keeper_stop import close_all_now
from dewpond.adapters.mqtt.bus import MqttBus, NoBus
from dewpond.adapters.operator_socket import OperatorSocket
from dewpond.adapters.paced_clock import PacedClock, paced_clock_for
from dewpond.adapters.rules.child_rules import ChildRules
from dewpond.adapters.single_instance import AlreadyRunning, SingleInstance
from dewpond.adapters.stop_signals import Ending
from dewpond.adapters.store.journal import JournalReader
from dewpond.adapters.store.reader import StoreReader
from dewpond.adapters.store.sql_store import SqlStore
from dewpond.adapters.store.tables import StoreUnusable
from dewpond.adapters.system_clock import SystemClock
from dewpond.adapters.weather.live import CombinedWeather, weather_for
from dewpond.brain.brain import Brain
from dewpond.brain.local_time import LocalDays
from dewpond.brain.planner import plan_night
from dewpond.brain.state import SoilState, State
from dewpond.crash_points import CrashPointsRefused, crash_points
from dewpond.model.codec import to_plain
from dewpond.model.events import (
    DayEnded,
    Now,
    PlanningDue,
    RainKnown,
    ReadingsArrived,
    ReferenceEtKnown,
    ServiceStarted,
    ServiceStopping,
)
from dewpond.model.site import Feed, Site
from dewpond.ports import Bus, Calendar, Clock
from dewpond.runner.look import Look
from dewpond.runner.restore import JournalStep, restore
from dewpond.runner.runner import Ports, Runner
from dewpond.settings.addresses import parse_board
from dewpond.settings.handover import Reading, SettingsRefused
from dewpond.settings.problems import SiteRefused
from dewpond.settings.values import ServiceSettings

if TYPE_CHECKING:
    from dewpond.brain.pipes.state import UsualFlow
    from dewpond.upkeep.desk import UpkeepDesk

FIRST_DEPLETION_SHARE = 0.5  # of RAW, where nothing is known of the soil yet: neither a flood nor a drought
LONGEST_SLEEP_S = 20.0  # the loop looks around at least this often, for clock steps and the watchdog
PACED_LOOK_S = 300.0  # paced time cannot step and has no watchdog; fewer idle turns let it run faster
READINGS_OF_A_DAY = 100_000
_LOG = logging.getLogger(__name__)
KNOWN_DATES = 400  # how many newest days of the journal are asked for weather that is already known


class Refused(Exception):
    """Raised when the daemon cannot start: the text is for the person who started it."""


def run_daemon(reading: Reading, say: Callable[[str], None], ending: Ending) -> int:
    """Run the daemon of one site until it is asked to end; returns the exit code. Raises Refused."""
    with _refusals():
        service, site = reading.values()
        service.state_dir.mkdir(parents=True, exist_ok=True)
        with SingleInstance(service.daemon_lock), contextlib.ExitStack() as stack:
            daemon = _assemble(site, service, stack)
            ending.obeyed_by(daemon.runner.stop)
            return _serve(daemon, service, stack, say)


def plan_without_daemon(service: ServiceSettings, now: Now) -> dict[str, Any]:
    """Tonight's plan from the site file and the stored state, for a person while no daemon runs. Raises Refused."""
    from dewpond.settings.site_file import require_site  # noqa: PLC0415 - the daemon does without this weight

    with _refusals():
        if service.site is None:
            raise Refused("no site file is named; give one, or set DEWPOND_SITE")
        site = require_site(service.site)
        brain = Brain(site)
        _, state = _stored_state(brain, service.database, now)
        window = brain.ground.rules.window_at(now.wall.timestamp())
        state, _ = plan_night(brain.ground, state, window.date, now.wall.timestamp())
        view = to_plain(Look(brain)(state, now))
        reasons = [{**to_plain(told), "sentences": list(told.sentences())} for told in state.reasons.values()]
        night = ("window_date", "window_opens", "window_closes", "timezone", "units", "openings", "programs")
        names = (*night, "stage", "exemptions")
        watching = {supply["id"]: supply["watching"] for supply in view["supplies"]}
        return {**{name: view[name] for name in names}, "reasons": reasons, "watching": watching}


def record_without_daemon(site: Site, service: ServiceSettings, now: Now) -> SoilState:
    """What was measured at a site so far, from its store; empty where it never ran. Raises Refused."""
    with _refusals():
        return _stored_state(Brain(site), service.database, now)[1].soil


def usual_flows(site: Site, service: ServiceSettings, now: Now) -> Callable[[str], UsualFlow | None]:
    """A zone's usual flow by what is stored, None where it has none. The store is read when first asked."""

    @functools.cache  # restoring the state costs a second, and few steps ask
    def flows() -> dict[str, UsualFlow]:
        with _refusals():
            pipes = _stored_state(Brain(site), service.database, now)[1].pipes
            return {zone: usual for memory in pipes.values() for zone, usual in memory.watch.flows.items()}

    return lambda zone: flows().get(zone)


def upkeep_desk(
    site: Site,
    service: ServiceSettings,
    usual: Callable[[str], UsualFlow | None],
    program: Callable[[], Any] | None = None,
    status: Callable[[], Mapping[str, Any] | None] = lambda: None,
) -> UpkeepDesk:
    """The desk of the work on foot over the site's store; the daemon need not run. Raises Refused."""
    from dewpond.adapters.store.upkeep_book import SqlUpkeepBook  # noqa: PLC0415 - nobody else pays for it
    from dewpond.upkeep.desk import UpkeepDesk  # noqa: PLC0415
    from dewpond.upkeep_records import records_of  # noqa: PLC0415

    with _refusals():
        service.state_dir.mkdir(parents=True, exist_ok=True)
        records = functools.partial(records_of, site, service.database)
        book = SqlUpkeepBook(service.database)
        return UpkeepDesk(site, book, usual=usual, program=program, status=status, records=records)


@dataclass(frozen=True, slots=True)
class _Daemon:
    """The assembled parts that have to be started and stopped."""

    site: Site
    runner: Runner
    desk: OperatorDesk
    bus: Bus
    valves: KeeperClient
    store: SqlStore
    clock: SystemClock | PacedClock
    first: bool


def _assemble(site: Site, service: ServiceSettings, stack: contextlib.ExitStack) -> _Daemon:
    brain = Brain(site)
    at = crash_points(service.crash_points, site.relays.driver)
    clock = _clock(site, service)
    now = clock.now()
    store = SqlStore(service.database, now=now, version=version("dewpond"), at=at)
    stack.callback(store.close)
    step_no, state = _stored_state(brain, service.database, now)
    step_no = max(step_no, store.last_step_no)
    journal = JournalReader(service.database)
    desk = OperatorDesk(clock, session=str(step_no))
    bus = _bus(site, service, clock, step_no)
    stack.callback(bus.close)
    _uploads(site, bus, stack)
    if not isinstance(clock, SystemClock):
        clock.count(processed=lambda: bus.processed_count)
    calendar = _calendar(site, service, clock, journal)
    weather = _weather(site, service, clock, journal)
    stack.callback(weather.close)
    paced = not isinstance(clock, SystemClock)
    valves = KeeperClient(
        service.keeper_socket,
        lease_s=service.lease_s,
        renew_s=service.renew_s,
        look_s=PACED_LOOK_S if paced else LONGEST_SLEEP_S,
        at=at,
    )
    stack.callback(valves.disconnect)
    rules = ChildRules(clock)
    stack.callback(rules.stop)

    reminders = _care_reminders(site, service, clock, now, stack)

    def after_pass(now: Now) -> None:
        supervision.alive()
        if isinstance(clock, SystemClock):
            runner.tell(*clock.trust.judged())
        if reminders is not None:
            runner.tell(*reminders.drain(now))

    runner = Runner(
        brain=brain,
        state=state,
        step_no=step_no,
        look=Look(brain),
        after_pass=after_pass,
        longest_sleep_s=math.inf if paced else LONGEST_SLEEP_S,
        vouch=clock.trust.vouch if isinstance(clock, SystemClock) else None,
        at=at,
        ports=Ports(
            clock=clock,
            valves=valves,
            bus=bus,
            store=store,
            calendar=calendar,
            weather=weather,
            desk=desk,
            rules=rules,
        ),
    )
    if isinstance(calendar, LiveCalendar):
        calendar.start()
        stack.callback(calendar.close)
    return _Daemon(site, runner, desk, bus, valves, store, clock, first=step_no == 0)


def _care_reminders(
    site: Site, service: ServiceSettings, clock: Clock, now: Now, stack: contextlib.ExitStack
) -> CareReminders | None:
    """Reminders of the calendar of care; none in paced time, which a child process cannot keep."""
    if service.site is None or not isinstance(clock, SystemClock):
        return None
    reminders = CareReminders(service.site, site.timezone, now)
    stack.callback(reminders.close)
    return reminders


def _upkeep_answers(daemon: _Daemon, service: ServiceSettings) -> Callable[[str, Mapping[str, Any], str], Any]:
    """The work on foot as people reach it through the daemon; loaded when first asked for, by their own threads."""

    def usual(zone: str) -> UsualFlow | None:
        pipes = daemon.runner.state.pipes
        return next((memory.watch.flows[zone] for memory in pipes.values() if zone in memory.watch.flows), None)

    def program() -> Any:
        from dewpond.upkeep.program_look import program_findings  # noqa: PLC0415

        view = daemon.desk.view()
        return program_findings(daemon.site, None if view is None else to_plain(view))

    def status() -> Mapping[str, Any] | None:
        view = daemon.desk.view()
        return None if view is None else to_plain(view)

    @functools.cache
    def desk() -> UpkeepDesk:
        return upkeep_desk(daemon.site, service, usual, program, status)

    def answer(op: str, plain: Mapping[str, Any], who: str) -> Any:
        from dewpond.upkeep.answers import answer as upkeep_answer  # noqa: PLC0415

        try:
            return upkeep_answer(desk(), op, plain, who=who, at=daemon.clock.now().wall)
        except (Refused, StoreUnusable) as fault:
            return {"ok": False, "text": str(fault), "body": {}}

    return answer


def _serve(daemon: _Daemon, service: ServiceSettings, stack: contextlib.ExitStack, say: Callable[[str], None]) -> int:
    try:
        where = _begin(daemon, service, stack, say)
        supervision.ready()
        say(f"{daemon.site.name}: ready, {len(daemon.site.zones)} zones, {where}.")
        daemon.runner.run()
    except BaseException:
        # A fault of our own ends the process; the valves must not wait for their leases to run out.
        daemon.valves.close_all(daemon.clock.now(), "interrupted: the daemon failed")
        raise
    supervision.stopping()
    _shut(daemon)
    say(f"{daemon.site.name}: stopped, valves shut.")
    return 0


def _begin(daemon: _Daemon, service: ServiceSettings, stack: contextlib.ExitStack, say: Callable[[str], None]) -> str:
    """Open the doors and make the first pass, which is on disk before anything else; says where the board is."""
    socket = OperatorSocket(service.operator_socket, daemon.desk, _upkeep_answers(daemon, service))
    socket.start()
    stack.callback(socket.close)
    runner, now = daemon.runner, daemon.clock.now()
    started = ServiceStarted(
        at=now.wall, site_digest=daemon.site.digest, version=version("dewpond"), first=daemon.first
    )
    runner.tell(started)
    runner.at("start-restored")
    runner.pass_once()
    runner.at("start-stepped")
    daemon.store.snapshot(runner.step_no, now, runner.state)
    daemon.store.commit()
    runner.at("start-stored")
    return _board(daemon, service, stack, say)


def _shut(daemon: _Daemon) -> None:
    """Close every valve, book what they gave, and leave a state that the next start can go on from."""
    runner, now = daemon.runner, daemon.clock.now()
    runner.tell(ServiceStopping(at=now.wall), *daemon.valves.close_all(now, "interrupted: the service was ended"))
    runner.at("stop-closed")
    runner.step_events(now)
    daemon.store.snapshot(runner.step_no, now, runner.state)
    daemon.store.commit()
    runner.at("stop-stored")


def _board(daemon: _Daemon, service: ServiceSettings, stack: contextlib.ExitStack, say: Callable[[str], None]) -> str:
    if service.board is None:
        return "no board"
    # The web libraries are loaded only where a board is wanted.
    from dewpond.board.serving import serve_board  # noqa: PLC0415

    board = serve_board(
        host=service.board.host,
        port=service.board.port,
        desk=daemon.desk,
        database=service.database,
        state_dir=service.state_dir,
        clock=daemon.clock,
        stop_now=lambda who: close_all_now(service.keeper_socket, who),
        say=say,
    )
    stack.callback(board.stop)
    return f"board at http://{service.board.host}:{board.port}/"


def _clock(site: Site, service: ServiceSettings) -> SystemClock | PacedClock:
    if service.clock is not None:
        return paced_clock_for(service.clock, site.relays.driver)
    newest = None
    with contextlib.suppress(StoreUnusable):
        newest = JournalReader(service.database).last_trusted()
    return SystemClock(newest=newest, witness=kernel_witness)


def _stored_state(brain: Brain, database: str, now: Now) -> tuple[int, State]:
    """What the store knows, or a first state with an assumed depletion."""
    journal = JournalReader(database)
    with contextlib.suppress(StoreUnusable):
        snapshot = journal.latest_snapshot()
        if snapshot is not None:
            step_no, plain, _meta = snapshot
            return restore(brain, (step_no, plain), _readable(journal, step_no))
    return 0, brain.first_state(now, FIRST_DEPLETION_SHARE)


def _readable(journal: JournalReader, after: int) -> Iterator[JournalStep]:
    """The journal as far as it can be read: a damaged rest must not cost the snapshot before it."""
    try:
        yield from journal.steps(after=after)
    except StoreUnusable as fault:
        _LOG.warning("the journal after step %s cannot be read whole: %s", after, fault)


def _bus(site: Site, service: ServiceSettings, clock: Clock, session: int) -> Any:
    uploads = _upload_feed(site)
    if service.broker is None and uploads is None:
        return NoBus()
    bus = MqttBus(site, service.broker, clock, commands=service.commands, session=str(session))
    bus.start()
    return bus


def _upload_feed(site: Site) -> Feed | None:
    return next((feed for feed in site.feeds if feed.options.get("upload")), None)


def _uploads(site: Site, bus: Bus, stack: contextlib.ExitStack) -> None:
    """Listen for a weather station that uploads, where the site file says so."""
    feed = _upload_feed(site)
    address = parse_board(str(feed.options["upload"])) if feed is not None else None
    if feed is None or address is None or not isinstance(bus, MqttBus):
        return
    from dewpond.adapters.uploads import UploadServer  # noqa: PLC0415 - few sites need a web server without the board

    station_id = feed.options.get("station_id")
    server = UploadServer(address.host, address.port, bus.arrived, station_id=station_id)
    server.start()
    stack.callback(server.close)


def _calendar(site: Site, service: ServiceSettings, clock: Clock, journal: JournalReader) -> Calendar:
    entries = entries_for_site(site)
    done = done_keys([*journal.newest(PlanningDue), *journal.newest(DayEnded)])
    if service.clock is not None:
        return PolledCalendar(entries, done, catch_up=True)
    return LiveCalendar(entries, clock, done)


def _weather(site: Site, service: ServiceSettings, clock: Clock, journal: JournalReader) -> CombinedWeather:
    told = [*journal.newest(ReferenceEtKnown, KNOWN_DATES), *journal.newest(RainKnown, KNOWN_DATES)]
    weather = weather_for(
        site,
        clock,
        state_dir=service.state_dir,
        version=version("dewpond"),
        contact=service.contact or "",
        known_dates={event.date for event in told if isinstance(event, ReferenceEtKnown | RainKnown)},
    )
    weather.observe(_readings_of_today(site, service.database, clock.now()))
    return weather


def _readings_of_today(site: Site, database: str, now: Now) -> list[ReadingsArrived]:
    """The stored readings of the present local day, so that a restart at noon does not lose the morning's weather."""
    days = LocalDays(site.timezone)
    since_s = days.start_s(days.date_at(now.wall.timestamp()))
    reader = StoreReader(database)
    blocks = []
    for sensor in site.sensors:
        time_s, value = reader.readings(sensor.id, since_s, now.wall.timestamp(), limit=READINGS_OF_A_DAY)
        if len(time_s):
            window_s = np.diff(time_s, prepend=since_s) if sensor.kind in ("rain", "flow") else None
            blocks.append(ReadingsArrived(at=now.wall, sensor=sensor.id, time_s=time_s, value=value, window_s=window_s))
    return blocks


@contextlib.contextmanager
def _refusals() -> Iterator[None]:
    """Every way a start can be refused, as one kind of word to the person who asked for it."""
    try:
        yield
    except (SiteRefused, SettingsRefused, AlreadyRunning, StoreUnusable, CrashPointsRefused) as refused:
        raise Refused(str(refused)) from refused
    except OSError as fault:
        raise Refused(f"cannot start: {fault}") from fault
