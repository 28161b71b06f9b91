"""The demonstration: broker, simulated site, keeper, daemon and board in one go, all real but ground and time."""

from __future__ import annotations

import math
import os
import socket
import tempfile
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from dewpond.adapters.stop_signals import on_stop_signals
from dewpond.adapters.store.tables import StoreUnusable
from dewpond.adapters.system_clock import SystemClock
from dewpond.model.site import Site
from dewpond.settings.site_file import require_site
from dewpond_sim import demo_place
from dewpond_sim.children import Child, ChildFailed
from dewpond_sim.conductor_server import ConductorServer, Pace
from dewpond_sim.demo_report import read_records, report_lines
from dewpond_sim.embedded_broker import BrokerFailed, EmbeddedBroker
from dewpond_sim.site_process import SimulatedSite
from dewpond_sim.world.world import World

Say = Callable[[str], None]

DAY_S = 86400.0
READY_S = 60.0  # a small computer needs some time to start two interpreters
LOOK_S = 0.2  # real seconds between two looks at how things stand
PARTICIPANTS = ("keeper", "daemon", "site")


class DemoFailed(RuntimeError):
    """Raised when a part of the demonstration did not start or did not last; the text says which and its last words."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoOptions:
    """``days`` None runs until stopped; ``port`` None takes a free one; ``speed`` simulated seconds per real second."""

    days: int | None
    headless: bool
    port: int | None
    speed: float


@dataclass(frozen=True, slots=True)
class Stage:
    """Everything that runs while a demonstration is on."""

    site: Site
    start: datetime
    world: World
    conductor: ConductorServer
    simulated: SimulatedSite
    children: tuple[Child, ...]
    url: str | None
    stop: threading.Event

    @property
    def wall(self) -> datetime:
        """The simulated time, in UTC."""
        return self.start + timedelta(seconds=self.conductor.now_s)

    def check(self) -> None:
        """Raises DemoFailed when a part has ended."""
        try:
            for child in self.children:
                child.check()
        except ChildFailed as failure:
            raise DemoFailed(str(failure)) from failure
        if self.simulated.failure is not None:
            raise DemoFailed(f"the simulated site ended: {self.simulated.failure}") from self.simulated.failure


def run_demo(options: DemoOptions, say: Say, watch: Callable[[Stage, DemoOptions], None]) -> int:
    """Run it and return the exit code. ``watch`` shows what goes on until the stage is to be left (not when headless).

    Raises DemoFailed.
    """
    stop = threading.Event()
    with tempfile.TemporaryDirectory(prefix="dewpond-demo-") as name, on_stop_signals(stop.set):
        folder = Path(name)
        with _stage(folder, options, stop) as stage:
            if stage.url:
                say(f"Board: {stage.url}")
            if not options.headless:
                watch(stage, options)
                return 0
            finished = _wait_for_the_end(stage, options, say)
        if not finished:
            say("stopped before its end")
            return 1
        _tell(folder, stage, options, say)
        return 0


@contextmanager
def _stage(folder: Path, options: DemoOptions, stop: threading.Event) -> Iterator[Stage]:
    site_file = demo_place.copy_site(folder)
    site = require_site(site_file)
    start = demo_place.start_of(site)
    world = demo_place.world_of(site, start)
    with ExitStack() as stack:
        broker = stack.enter_context(_broker())
        conductor = stack.enter_context(_conductor(folder, start, options))
        simulated = SimulatedSite(world, _relay_log(site, folder), broker.port, conductor.address, start)
        stack.callback(simulated.join)
        stack.callback(conductor.stop)
        simulated.start()
        port = _board_port(options)
        environment = _environment(folder, broker.port, port, conductor.address)
        children = _start_children(stack, site_file, folder, environment)
        url = None if port is None else f"http://127.0.0.1:{port}/"
        yield Stage(site, start, world, conductor, simulated, children, url, stop)


@contextmanager
def _broker() -> Iterator[EmbeddedBroker]:
    try:
        with EmbeddedBroker() as broker:
            yield broker
    except BrokerFailed as failure:
        raise DemoFailed(str(failure)) from failure


def _conductor(folder: Path, start: datetime, options: DemoOptions) -> ConductorServer:
    clock = SystemClock()

    def real_s() -> float:
        return clock.now().elapsed_s

    until_s = math.inf if options.days is None else options.days * DAY_S
    if options.headless:
        pace = Pace(real_s, until_s=until_s)
    else:
        pace = Pace(real_s, speed=options.speed, until_s=until_s, speed_after=1.0)
    return ConductorServer(folder / "clock", start=start, expected=PARTICIPANTS, real_s=real_s, pace=pace)


def _start_children(
    stack: ExitStack, site_file: Path, folder: Path, environment: Mapping[str, str]
) -> tuple[Child, ...]:
    """Keeper, then daemon; left in the opposite order, so that the daemon can still ask for its valves to be closed."""
    commands = {"keeper": ["dewpond_drivers.keeper"], "daemon": ["dewpond.cli.main", "run"]}
    children = tuple(
        stack.enter_context(Child(name, [*words, str(site_file)], environment, folder / f"{name}.log"))
        for name, words in commands.items()
    )
    try:
        for child in children:
            child.wait_ready(READY_S)
    except ChildFailed as failure:
        raise DemoFailed(str(failure)) from failure
    return children


def _environment(folder: Path, broker_port: int, board_port: int | None, clock_address: str) -> dict[str, str]:
    """The caller's environment without anything of another dewpond, and where everything of this one is."""
    inherited = {name: value for name, value in os.environ.items() if not name.startswith("DEWPOND_")}
    return {
        **inherited,
        "DEWPOND_STATE_DIR": str(_state(folder)),
        "DEWPOND_BROKER": f"mqtt://127.0.0.1:{broker_port}",
        "DEWPOND_BOARD": "off" if board_port is None else f"127.0.0.1:{board_port}",
        "DEWPOND_CLOCK": clock_address,
        "DEWPOND_DEMO": "1",
        "PYTHONUNBUFFERED": "1",
    }


def _state(folder: Path) -> Path:
    return folder / "state"


def _relay_log(site: Site, folder: Path) -> Path:
    log = site.relays.options.get("log")
    if not log:
        raise DemoFailed(f'{site.path}, [relays]: the demonstration needs a relay log; add log = "relays.log"')
    return folder / str(log)


def _board_port(options: DemoOptions) -> int | None:
    if options.port is not None:
        return options.port
    if options.headless:
        return None
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


def _wait_for_the_end(stage: Stage, options: DemoOptions, say: Say) -> bool:
    """True when all days are over, False when somebody stopped it."""
    told = 0
    while not stage.stop.is_set():
        if stage.conductor.finished.wait(LOOK_S):
            return True
        stage.check()
        days = int(stage.conductor.now_s // DAY_S)
        if days > told:
            told = days
            here = stage.wall.astimezone(ZoneInfo(stage.site.timezone))
            say(f"{here:%a %d %b %Y, %H:%M} there: {days} of {options.days} days have passed")
    return False


def _tell(folder: Path, stage: Stage, options: DemoOptions, say: Say) -> None:
    days = options.days or 0
    try:
        records = read_records(f"sqlite:///{_state(folder) / 'dewpond.db'}", stage.site, stage.start, days)
    except StoreUnusable as error:
        raise DemoFailed(f"the daemon left no readable store: {error}") from error
    say(f"{stage.site.name}: {days} simulated days")
    for line in report_lines(stage.site, records):
        say(line)
