"""A keeper loop in a thread of this process, on a clock that the test moves."""

from __future__ import annotations

import math
import selectors
import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from dewpond_drivers.driver import DriverUnreachable
from dewpond_drivers.keeper_core import KeeperCore
from dewpond_drivers.keeper_loop import KeeperLoop
from dewpond_drivers.locks import LockBook
from dewpond_drivers.simulated import SimulatedDriver, SimulatedSettings
from dewpond_drivers.stops import StopBook


class Relays(SimulatedDriver):
    """Simulated relays that can be unplugged, or hang until they are let go."""

    def __init__(self, outputs: int) -> None:
        super().__init__(SimulatedSettings(), outputs)
        self.unplugged = False
        self.free = threading.Event()
        self.free.set()

    def set_output(self, output: int, on: bool) -> None:
        self.free.wait()
        if self.unplugged:
            raise DriverUnreachable("nobody answers")
        super().set_output(output, on)

    def on(self) -> list[int]:
        return [output for output, state in self._on.items() if state]


class MovedClock:
    """Elapsed time stands still until the test moves it; the loop looks at it every few milliseconds."""

    def __init__(self) -> None:
        self.elapsed_s = 1000.0
        self.acts = 0

    def now_s(self) -> float:
        return self.elapsed_s

    def select_timeout(self, deadline_s: float) -> float | None:
        return 0.0 if deadline_s <= self.elapsed_s else 0.005

    def register(self, selector: selectors.BaseSelector) -> None:
        pass

    def handle(self, _key: selectors.SelectorKey, /) -> bool:
        return False

    def acted(self) -> None:
        self.acts += 1


class Watcher:
    """A supervisor that counts what it is told."""

    def __init__(self) -> None:
        self.starts = 0
        self.pulses = 0

    def started(self) -> None:
        self.starts += 1

    def alive(self, _now_s: float) -> None:
        self.pulses += 1

    def next_due_s(self) -> float:
        return math.inf


class KeeperThread:
    """One life of a keeper; ``said`` is its log."""

    def __init__(self, path: Path, session: str, relays: Relays, clock: MovedClock) -> None:
        path.unlink(missing_ok=True)
        listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        listener.bind(str(path))
        listener.listen(1024)
        self.said: list[str] = []
        self.raised: BaseException | None = None
        self.announced = threading.Event()
        self.watcher = Watcher()
        self._relays = relays
        locks = LockBook(path.parent, path.with_name("site.toml"), lambda: "2027-06-01T04:00:00Z")
        self._stops = StopBook(path.parent, session, lambda: 0.0, clock.now_s(), self.said.append)
        self._loop = KeeperLoop(
            KeeperCore(relays, 4, refuse=locks.refusal),
            clock,
            listener,
            session=session,
            say=self.said.append,
            announce=self.announced.set,
            supervisor=self.watcher,
            locks=locks,
            stops=self._stops,
        )
        self._bell, self._ringer = socket.socketpair()
        self._loop.watch(self._bell)
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def wake(self) -> None:
        """Have the loop look at its clock, which it does not expect to jump."""
        self._ringer.send(b"!")

    def stop(self) -> bool:
        """Stop as by SIGTERM; whether all was surely off."""
        self._end()
        all_off = self._loop.shut_down(self._relays.close)
        self._stops.finish()
        return all_off

    def kill(self) -> None:
        """Die as by kill -9: sockets close, relays stay as they were."""
        self._end()
        self._loop._clients.close()
        self._loop._let_go()
        self._stops.finish()

    def _run(self) -> None:
        try:
            self._loop.run()
        except RuntimeError as error:
            self.raised = error

    def _end(self) -> None:
        if self._thread.is_alive():
            self._loop.stop()
            self._ringer.send(b"!")
            self._thread.join(10.0)
        for end in (self._bell, self._ringer):
            end.close()


class Place:
    """A socket path, relays and a clock that outlive the keepers there."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "keeper.sock"
        self.relays = Relays(4)
        self.clock = MovedClock()
        self.keeper: KeeperThread | None = None
        self._lives = 0

    def start(self) -> KeeperThread:
        self._lives += 1
        self.keeper = KeeperThread(self.path, f"life {self._lives}", self.relays, self.clock)
        return self.keeper

    def until(self, holds) -> None:
        """Wait, in real time, for something that the keeper's thread brings about."""
        pause = threading.Event()
        for _ in range(1000):
            if holds():
                return
            pause.wait(0.005)
        raise AssertionError("it did not come about within 5 s")


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Place]:
    place = Place(tmp_path)
    yield place
    place.relays.free.set()
    if place.keeper is not None:
        place.keeper.stop()
