"""A place whose daemon, keeper and recorder share a time of their own, which stands still when one of them dies."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from dewpond.adapters.operator_socket import NotReachable, OperatorClient
from dewpond.adapters.system_clock import SystemClock
from dewpond.crash_points import MAGIC
from dewpond_sim.conductor_server import ConductorServer
from dewpond_sim.proofs import relays
from dewpond_sim.proofs.gate import Gate
from dewpond_sim.proofs.place import Crew, Life, Mosquitto, environment, site_text, wait_for
from dewpond_sim.proofs.records import Records

START = datetime(2027, 6, 1, 10, 0, tzinfo=UTC)
TIMEZONE = "America/New_York"


class PacedPlace:
    """Real settings throughout: leases of 90 s, renewed every 20 s, in seconds of the shared time."""

    def __init__(self, folder: Path, *, programs: bool) -> None:
        self.folder = folder
        self.state = folder / "state"
        self.state.mkdir()
        self.site = folder / "site.toml"
        log, self._record = folder / "relays.log", folder / "record.txt"
        self.site.write_text(site_text(f'driver = "simulated"\nlog = "{log}"', programs=programs), encoding="utf-8")
        self._arming = folder / "arming.txt"
        self.broker = Mosquitto(folder)
        self._gate = Gate(frozenset({"daemon", "keeper"}))
        self.conductor = ConductorServer(
            folder / "clock",
            start=START,
            expected=("daemon", "keeper", "recorder"),
            real_s=_real_s,
            pace=self._gate,
        )
        self._gate.seated = lambda: self.conductor.seated
        own = environment(
            self.state, self.broker.url, DEWPOND_CLOCK=self.conductor.address, DEWPOND_CRASH_POINTS=str(self._arming)
        )
        self.crew = Crew(folder, own)
        self.disarm()
        self.conductor.__enter__()
        self.keeper = self.crew.start("keeper", "dewpond_drivers.keeper", str(self.site))
        self._recorder = self.crew.start(
            "recorder", "dewpond_sim.proofs.recorder", self.conductor.address, str(log), str(self._record)
        )
        self.keeper.wait_ready()
        self.daemon = self.start_daemon()
        self.daemon.wait_ready()
        self.records = Records(f"sqlite:///{self.state / 'dewpond.db'}")

    def close(self) -> None:
        """End everything."""
        self.crew.close()
        self.conductor.__exit__(None, None, None)
        self.broker.kill()

    @property
    def now_s(self) -> float:
        """The shared time. [s]"""
        return self.conductor.now_s

    def wall(self, at_s: float) -> datetime:
        """The date and time of a moment of the shared time, in UTC."""
        return START + timedelta(seconds=at_s)

    def elapsed_s(self, at: datetime) -> float:
        """The moment of the shared time that a date and time is. [s]"""
        return (at - START).total_seconds()

    def local(self, at_s: float) -> datetime:
        """The site's own date and time of a moment of the shared time."""
        return self.wall(at_s).astimezone(ZoneInfo(TIMEZONE))

    def night(self, at_s: float) -> date:
        """The site's calendar day of a moment of the shared time."""
        return self.local(at_s).date()

    def seen(self) -> list[relays.Opened]:
        """What the recorder saw so far."""
        return relays.read(self._record)

    def arm(self, point: str, count: int = 1) -> None:
        """Have the daemon die when it comes to ``point`` for the ``count``-th time from now."""
        self._write_order(f"{point} {count}")

    def disarm(self) -> None:
        """Have it live."""
        self._write_order("")

    def start_daemon(self, *, cold: bool = False) -> Life:
        """A new daemon; it may not be ready yet."""
        if cold:
            return self.crew.start("run", "dewpond.cli.main", "run", str(self.site))
        return self.crew.fork("run", self.site)

    def revive(self, down_s: float, *, cold: bool = False) -> None:
        """Let ``down_s`` of the shared time pass without a daemon, then start the next and wait until it is ready."""
        self.pass_without(down_s)
        self.daemon = self.start_daemon(cold=cold)
        self.daemon.wait_ready()

    def pass_without(self, down_s: float) -> None:
        """Let so much of the shared time pass while the daemon is dead."""
        self._run_to(self.halt() + down_s, absent=True)

    def advance(self, until_s: float) -> bool:
        """Let the shared time run until then. False when the daemon died before."""
        return self._run_to(until_s)

    def run_free(self) -> None:
        """Let the shared time run as fast as it can, with no end."""
        self.conductor.finished.clear()
        self._gate.until_s = math.inf

    def halt(self) -> float:
        """Let no more time pass; the moment at which it stands."""
        self._gate.until_s = 0.0
        wait_for(lambda: "daemon" not in self.conductor.seated, "the dead daemon's seat to be empty", step_s=0.001)
        return self.now_s

    def ask(self, op: str, **fields: object) -> bool | None:
        """A person's request. True: promised; False: refused; None: nobody answered."""
        try:
            answer = OperatorClient(self.state / "operator.sock").call(op, **fields)
        except NotReachable:
            return None
        return bool(answer["ok"])

    def _run_to(self, until_s: float, *, absent: bool = False) -> bool:
        daemon = self.daemon
        self._gate.absent_s = until_s if absent else 0.0
        self._gate.until_s = until_s
        self.conductor.finished.clear()

        def over() -> bool:
            if not absent and daemon.is_dead():
                return True
            if self.now_s < until_s or not self.conductor.finished.is_set():
                return False
            self.conductor.finished.clear()
            return self.conductor.finished.wait(0.2)

        wait_for(over, f"the shared time to come to {until_s:.0f} s", patience_s=300.0)
        return absent or not daemon.is_dead()

    def _write_order(self, order: str) -> None:
        new = self._arming.with_suffix(".new")
        new.write_text(f"{MAGIC}\n{order}", encoding="utf-8")
        new.replace(self._arming)


def downtime_s(chance: random.Random) -> float:
    """How long a daemon stays dead: within its lease, about its end, or long after. [s]"""
    low, high = chance.choice(((1.0, 20.0), (1.0, 20.0), (20.0, 120.0), (100.0, 1800.0)))
    return round(chance.uniform(low, high), 1)


@contextmanager
def paced_place(folder: Path, *, programs: bool = False) -> Iterator[PacedPlace]:
    """A place in a new folder, ended at the end."""
    folder.mkdir(parents=True)
    place = PacedPlace(folder, programs=programs)
    try:
        yield place
    finally:
        place.close()


def _real_s() -> float:
    return SystemClock().now().elapsed_s
