"""The valve keeper: ``python -m dewpond_drivers.keeper [--off] SITE``.

A small process that owns the relays. It closes everything at start, at stop and when a lease runs out, and needs
neither broker, database nor wall clock. ``--off`` only switches everything off, through the running keeper or, where
none answers, itself.

Exit code 0 with everything off, 1 when that is not sure or another keeper is in charge, 2 for a bad site file.
"""

from __future__ import annotations

import math
import os
import selectors
import signal
import socket
import sys
import threading
import time
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

from dewpond_drivers.driver import Relays, ValveDriver
from dewpond_drivers.guard import GuardedRelays
from dewpond_drivers.keeper_core import KeeperCore
from dewpond_drivers.keeper_facts import Answer
from dewpond_drivers.keeper_loop import KeeperLoop, RelaysHang
from dewpond_drivers.keeper_ports import KeeperClock
from dewpond_drivers.latching import LatchingRelays
from dewpond_drivers.layout import Layout, read_layout
from dewpond_drivers.locks import LockBook
from dewpond_drivers.ownership import HeldByAnother, Ownership
from dewpond_drivers.pump_order import read_order
from dewpond_drivers.stops import StopBook
from dewpond_drivers.supervision import Systemd
from dewpond_drivers.table import (
    RelaysTable,
    TableRefused,
    build_driver,
    find_driver,
    read_pairs,
    read_relays,
    settings_for,
)
from dewpond_drivers.voice import Voice
from dewpond_drivers.wire import reply
from dewpond_drivers.worker import Worker, WorkerFailed

SOCKET = "keeper.sock"
LOCK = "keeper.lock"
# SIGHUP and SIGQUIT too: a terminal that is closed must not leave a valve open.
STOPS = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGQUIT)
BY = "--by="
LOOK_S = 20.0  # between looks at relays that are all shut; simulated ones on a paced clock do nothing by themselves
ASK_S = 7.0
OFF_S = 12.0
WAITING = 1024  # so many may stand at the door before one is turned away
TAKE_OVER_TRIES = 5  # a killed keeper may need a moment to be gone
TAKE_OVER_PAUSE_S = 0.1
ANEW_PAUSE_S = 5.0  # no relay chatters because its keeper fails again and again


class SystemClock:
    """CLOCK_MONOTONIC."""

    def now_s(self) -> float:
        return time.monotonic()

    def select_timeout(self, deadline_s: float) -> float | None:
        return None if math.isinf(deadline_s) and deadline_s > 0 else max(0.0, deadline_s - time.monotonic())

    def register(self, selector: selectors.BaseSelector) -> None:
        """It has no socket."""

    def handle(self, _key: selectors.SelectorKey, /) -> bool:
        return False

    def acted(self) -> None:
        """Nobody waits for it."""


class SeenClock:
    """Another clock, with its last answer kept for the relay thread, which must not read that clock itself."""

    def __init__(self, clock: KeeperClock) -> None:
        self._clock = clock
        self.seen_s = clock.now_s()
        self.select_timeout, self.register = clock.select_timeout, clock.register
        self.handle, self.acted = clock.handle, clock.acted

    def now_s(self) -> float:
        self.seen_s = self._clock.now_s()
        return self.seen_s


@dataclass(frozen=True, slots=True)
class Plant:
    """Everything that ``[relays]`` says, ready to be built."""

    table: RelaysTable
    kind: type[ValveDriver]
    settings: Any
    folder: Path
    pairs: Mapping[int, int]

    def driver(self, elapsed_s: Callable[[], float]) -> Relays:
        """The relays as valves that are open or shut, whatever it takes to move them."""
        extra = {"elapsed_s": elapsed_s} if getattr(self.kind, "takes_clock", False) else {}
        relays = GuardedRelays(build_driver(self.kind, self.settings, self.table, **extra))
        return LatchingRelays(relays, self.pairs, self.table.valves.pulse_s) if self.pairs else relays

    def core(
        self,
        driver: Relays,
        refuse: Callable[[int], str | None] = lambda _output: None,
        look_s: float = math.inf,
    ) -> KeeperCore:
        """The keeper's rules over those relays; outputs that give close pulses are never opened."""
        closers = frozenset(self.pairs.values())

        def refusal(output: int) -> str | None:
            return f"output {output} gives close pulses and cannot be opened" if output in closers else refuse(output)

        pumps = read_order(self.table.site_file)
        again = tuple(self.pairs)
        return KeeperCore(driver, self.table.outputs, refuse=refusal, again=again, pumps=pumps, look_s=look_s)

    def resources(self) -> list[str]:
        """Names of what no second keeper may drive; by the settings' own method, else by all of the settings."""
        name = getattr(self.settings, "resources", None)
        if name is not None:
            return list(name(self.table.outputs))
        return [f"{self.table.driver}:{zlib.crc32(repr(self.settings).encode())}"]


def main(arguments: list[str] | None = None, environment: Mapping[str, str] = os.environ) -> int:
    """Run the keeper, or with ``--off`` switch everything off. Returns the exit code.

    With ``--by=NAME`` that is a person's wish, and the daemon opens nothing again that it closes.
    """
    words = sys.argv[1:] if arguments is None else arguments
    only_off = "--off" in words
    by = next((word.removeprefix(BY) for word in words if word.startswith(BY)), "")
    sites = [word for word in words if word != "--off" and not word.startswith(BY)]
    if len(sites) != 1 or sites[0].startswith("-") or (by and not only_off):
        print(f"usage: python -m dewpond_drivers.keeper [--off [{BY}NAME]] SITE", file=sys.stderr)
        return 2
    try:
        plant = _plant(Path(sites[0]), environment)
    except (TableRefused, OSError) as refused:
        print(refused, file=sys.stderr)
        return 2
    os.chdir(plant.folder)  # socket names are short by law, folder names are not
    return _off(plant, by) if only_off else _keep(plant, environment)


def _plant(site_file: Path, environment: Mapping[str, str]) -> Plant:
    table = read_relays(site_file)
    kind = find_driver(table)
    settings = settings_for(kind, table)
    build_driver(kind, settings, table)
    if environment.get("DEWPOND_CLOCK") and table.driver != "simulated":
        raise TableRefused(
            f'DEWPOND_CLOCK: {table.site_file.name} has driver "{table.driver}", and a paced clock may only drive '
            'the driver "simulated"; unset DEWPOND_CLOCK'
        )
    named = environment.get("DEWPOND_STATE_DIR")
    folder = Path(named).absolute() if named else table.site_file.with_suffix(".state")
    folder.mkdir(parents=True, exist_ok=True)
    return Plant(table, kind, settings, folder, read_pairs(table))


def _keep(plant: Plant, environment: Mapping[str, str]) -> int:
    try:
        ownership = _take_over(plant)
    except HeldByAnother as held:
        print(held, file=sys.stderr)
        return 2
    try:
        clock, elapsed_s = _clock(environment)
    except (OSError, ValueError) as fault:
        print(fault, file=sys.stderr)
        return 2
    voice = Voice()
    driver = plant.driver(elapsed_s)
    locks = LockBook(Path(), plant.table.site_file, _wall)
    for lock in locks.standing:
        voice.say(f"{lock.target} is {lock.words()}")
    session = os.urandom(8).hex()
    stops = StopBook(Path(), session, time.time, clock.now_s(), voice.say)
    loop = KeeperLoop(
        plant.core(driver, locks.refusal, LOOK_S if elapsed_s is time.monotonic else math.inf),
        clock,
        _listen(),
        session=session,
        say=voice.say,
        announce=lambda: voice.announce(f"valve keeper ready: {plant.table.outputs} outputs, all off"),
        supervisor=Systemd(environment),
        locks=locks,
        stops=stops,
        layout=_layout(plant.table.site_file, voice),
    )
    ringer = _obey_signals(loop)
    try:
        return _serve(loop, driver, plant, voice)
    finally:
        ownership.release()
        stops.finish()
        voice.finish()
        signal.set_wakeup_fd(-1)
        ringer.close()


def _serve(loop: KeeperLoop, driver: Relays, plant: Plant, voice: Voice) -> int:
    """Run until stopped, and switch everything off whatever ended it, a mistake of the program included."""
    code = 0
    try:
        loop.run()
    except (RelaysHang, WorkerFailed) as lost:
        voice.say(f"{lost}; the keeper starts anew")
        voice.finish()
        _start_anew(plant, loop)
    except ConnectionError as lost:
        voice.say(str(lost))
        code = 1
    finally:
        if not loop.shut_down(driver.close):
            voice.say("the keeper ends, and it is not sure that every output is off; look at the valves")
            code = 1
        Path(SOCKET).unlink(missing_ok=True)
    return code


class _StopAsked(Exception):
    """Raised by a signal that ends programs, while the keeper waits to start anew."""


def _start_anew(plant: Plant, loop: KeeperLoop) -> NoReturn:
    """Become a new keeper, which switches everything off; a stuck thread cannot be stopped in any other way.

    A signal to end that has come, or comes meanwhile, makes it a program that only switches everything off, at once.
    From then on such signals wait until the new program can obey them, for a valve may be open.
    """
    options: list[str] = []
    try:
        for number in STOPS:
            if signal.getsignal(number) != signal.SIG_IGN:
                signal.signal(number, _raise_stop)
        if loop.stopping:
            raise _StopAsked  # noqa: TRY301 - the same as one that comes now
        threading.Event().wait(ANEW_PAUSE_S)
        signal.pthread_sigmask(signal.SIG_BLOCK, STOPS)
    except _StopAsked:
        signal.pthread_sigmask(signal.SIG_BLOCK, STOPS)
        options = ["--off"]
    os.environ["DEWPOND_STATE_DIR"] = str(plant.folder)
    command = [sys.executable, "-P", "-m", "dewpond_drivers.keeper", *options, str(plant.table.site_file)]
    os.execv(sys.executable, command)  # noqa: S606 - the same program again


def _raise_stop(_number: int, _frame: object) -> NoReturn:
    raise _StopAsked


def _take_over(plant: Plant) -> Ownership:
    pause = threading.Event()
    for _ in range(TAKE_OVER_TRIES - 1):
        try:
            return Ownership(Path(LOCK), plant.resources())
        except HeldByAnother:
            pause.wait(TAKE_OVER_PAUSE_S)
    return Ownership(Path(LOCK), plant.resources())


def _clock(environment: Mapping[str, str]) -> tuple[KeeperClock, Callable[[], float]]:
    address = environment.get("DEWPOND_CLOCK")
    if not address:
        return SystemClock(), time.monotonic
    from dewpond_drivers.paced_clock import PacedClock  # noqa: PLC0415 - only a demonstration needs it

    seen = SeenClock(PacedClock(address, "keeper"))
    return seen, lambda: seen.seen_s


def _layout(site_file: Path, voice: Voice) -> Layout:
    """Which output belongs to which zone and supply; a file that cannot be read keeps no keeper from its relays."""
    try:
        return read_layout(site_file)
    except (OSError, ValueError) as fault:
        voice.say(f"{site_file.name}: zones and supplies cannot be read: {fault}")
        return Layout()


def _wall() -> str:
    """The machine's date and time in UTC, for records of locks only; nothing is decided by it."""
    return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())


def _listen() -> socket.socket:
    """The keeper's socket, new each time; a stale one belongs to nobody, for the lock is held."""
    Path(SOCKET).unlink(missing_ok=True)
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    before = os.umask(0o117)
    try:
        listener.bind(SOCKET)
    finally:
        os.umask(before)
    listener.listen(WAITING)
    return listener


def _obey_signals(loop: KeeperLoop) -> socket.socket:
    """Have the signals that end a program stop the loop; the returned socket wakes it and must stay open."""
    bell, ringer = socket.socketpair()
    ringer.setblocking(False)
    signal.set_wakeup_fd(ringer.fileno(), warn_on_full_buffer=False)
    loop.watch(bell)
    for number in STOPS:
        if number == signal.SIGHUP and signal.getsignal(number) == signal.SIG_IGN:
            continue  # whoever started it wants it to outlive its terminal
        signal.signal(number, lambda _number, _frame: loop.stop())
    signal.pthread_sigmask(signal.SIG_UNBLOCK, STOPS)  # a keeper that started anew let them wait until here
    return ringer


def _off(plant: Plant, by: str) -> int:
    """Ask the running keeper; where none answers, reach for the relays at once, locks or no locks."""
    if _asked_keeper(by):
        return 0
    driver = plant.driver(time.monotonic)
    core = plant.core(driver)

    def job() -> Answer:
        core.expire(time.monotonic())
        driver.close()
        return Answer(core.ready, core.alarm)

    worker = Worker()
    worker.start(job)
    answer = worker.wait(OFF_S)
    if by:
        _note_stop(by)
    if answer is not None and answer.ok:
        return 0
    print(answer.why if answer else "the relay driver does not answer; look at the valves", file=sys.stderr)
    return 1


def _note_stop(by: str) -> None:
    """Leave a person's stop of everything for the daemon and the keeper to come."""

    def say(text: str) -> None:
        print(text, file=sys.stderr)

    stops = StopBook(Path(), os.urandom(8).hex(), time.time, time.monotonic(), say)
    stops.add(f"stopped by {by}", time.monotonic())
    stops.finish()


def _asked_keeper(by: str) -> bool:
    who = f"stopped by {by}" if by else "everything was switched off from the command line"
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as link:
        link.settimeout(ASK_S)
        try:
            link.connect(SOCKET)
            link.sendall(reply(op="close_all", who=who, wish=bool(by)))
            return b'"ok":true' in link.makefile("rb").readline()
        except OSError:
            return False


if __name__ == "__main__":
    sys.exit(main())
