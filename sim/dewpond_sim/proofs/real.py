"""A place on the machine's own time: real keeper, daemon and broker, and a relay board of its own process and clock."""

from __future__ import annotations

import random
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

from dewpond.adapters.operator_socket import NotReachable, OperatorClient
from dewpond.adapters.system_clock import SystemClock
from dewpond_sim.proofs import judge, relays
from dewpond_sim.proofs.place import MASTER, OUTPUTS, Crew, Life, Mosquitto, environment, site_text, wait_for
from dewpond_sim.proofs.records import Records

LEASE_S, RENEW_S = 90.0, 20.0
_RELAYS = """driver = "http"
on_url = "http://127.0.0.1:{port}/{{output}}/on"
off_url = "http://127.0.0.1:{port}/{{output}}/off"
state_url = "http://127.0.0.1:{port}/{{output}}"
"""


class RealPlace:
    """Processes of one site in a folder. Times are seconds of this machine's elapsed clock."""

    def __init__(self, folder: Path, *, lease_s: float, renew_s: float, commands: bool = False) -> None:
        self.folder = folder
        self.state = folder / "state"
        self.state.mkdir()
        self.site = folder / "site.toml"
        self.lease_s = lease_s
        self._clock = SystemClock()
        self._record = folder / "record.txt"
        self.broker = Mosquitto(folder)
        more = {"DEWPOND_LEASE_S": str(lease_s), "DEWPOND_RENEW_S": str(renew_s)}
        if commands:
            more["DEWPOND_COMMANDS"] = "1"
        self.crew = Crew(folder, environment(self.state, self.broker.url, **more))
        self.crew.talk("dewpond_sim.proofs.relay_board", str(OUTPUTS), str(self._record))
        self.site.write_text(site_text(_RELAYS.format(port=self.crew.first_line), programs=False), encoding="utf-8")
        self.records = Records(f"sqlite:///{self.state / 'dewpond.db'}")
        self.keeper: Life
        self.daemon: Life

    def start(self) -> None:
        """Keeper and daemon, ready."""
        self.start_keeper()
        self.start_daemon()

    def start_keeper(self) -> None:
        self.keeper = self.crew.start("keeper", "dewpond_drivers.keeper", str(self.site))
        self.keeper.wait_ready()

    def start_daemon(self) -> None:
        self.daemon = self.crew.start("run", "dewpond.cli.main", "run", str(self.site))
        self.daemon.wait_ready()

    def close(self) -> None:
        """End everything."""
        self.crew.close()
        self.broker.kill()

    @property
    def bound_s(self) -> float:
        """How long an output may stay on after a fault, at this place's lease. [s]"""
        return judge.LONGEST_S * self.lease_s / LEASE_S

    @property
    def now_s(self) -> float:
        return self._clock.now().elapsed_s

    def seen(self) -> list[relays.Opened]:
        """What the relay board recorded so far."""
        return relays.read(self._record)

    def zones_seen(self, since_s: float) -> list[relays.Opened]:
        """Openings of zones that began since then."""
        return [item for item in self.seen() if item.output != MASTER and item.on_s >= since_s]

    def is_on(self) -> bool:
        """Whether any zone is on now, by the relay board."""
        return any(item.off_s > self.now_s for item in self.zones_seen(0.0))

    def all_off(self) -> bool:
        """Whether every output is off, by the relay board."""
        return all(item.off_s <= self.now_s for item in self.seen())

    def wait_on(self) -> None:
        wait_for(self.is_on, "a valve to open", step_s=0.05)

    def wait_off(self, patience_s: float) -> None:
        wait_for(self.all_off, "every valve to be shut", patience_s, step_s=0.05)

    def pause(self, seconds: float) -> None:
        threading.Event().wait(seconds)

    def ask(self, op: str, **fields: object) -> bool | None:
        """A person's request. True: promised; False: refused; None: nobody answered."""
        answer = self.answer(op, **fields)
        return None if answer is None else bool(answer["ok"])

    def answer(self, op: str, **fields: object) -> dict[str, object] | None:
        """The whole answer to a person's request; None where nobody answered."""
        try:
            return OperatorClient(self.state / "operator.sock").call(op, **fields)
        except NotReachable:
            return None

    def case(self, asked_s: float, promised: bool | None, since_s: float) -> judge.Case:
        """What came of the one watering asked for since then."""
        now = self._clock.now()
        since = now.wall - timedelta(seconds=now.elapsed_s - since_s)
        nights = sorted({(at + timedelta(hours=hours)).date() for at in (since, now.wall) for hours in (-12, 0, 12)})
        booked = self.records.between(since, now.wall, nights)
        return judge.Case(
            asked_s=asked_s,
            promised=promised is True,
            given_s=sum(item.seconds(to_s=now.elapsed_s) for item in self.zones_seen(since_s)),
            booked_s=sum(item.seconds for item in booked),
            reasons=[word for item in booked for word in item.reasons],
        )


@contextmanager
def real_place(
    folder: Path, *, lease_s: float = LEASE_S, renew_s: float = RENEW_S, commands: bool = False
) -> Iterator[RealPlace]:
    """A place in a new folder, ended at the end. Nothing runs in it yet but broker and relay board."""
    folder.mkdir(parents=True)
    place = RealPlace(folder, lease_s=lease_s, renew_s=renew_s, commands=commands)
    try:
        yield place
    finally:
        place.close()


def chance_of(proof: str, kind: str, seed: int) -> random.Random:
    """Chance that is the same for the same trial, always."""
    return random.Random(f"{proof}/{kind}/{seed}")  # noqa: S311 - repeatable on purpose
