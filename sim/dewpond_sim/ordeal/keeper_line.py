"""ports.Valves to a keeper that can die, as the socket's client is: what it lost sight of, it asks about."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from dewpond.model.events import Event, KeeperFound, KeeperLost, LocksKnown, Now, ValveClosed, ValveOpened, ValveRefused
from dewpond_drivers.keeper_core import KeeperCore
from dewpond_sim.in_process_keeper import InProcessKeeper

LOOK_S = 900.0
RETRY_S = 5.0
LEASE_S, RENEW_S = 90.0, 20.0

Asked = Callable[[str, int, float, Now], None]


class KeeperLine:
    """A daemon's view of the keeper. ``core`` is None while the keeper is dead; ``asked`` hears of every opening."""

    def __init__(self, asked: Asked) -> None:
        self._asked = asked
        self._line: InProcessKeeper | None = None
        self._session = ""
        self._lost = False
        self._due_s = 0.0
        self._held: dict[str, tuple[int, float]] = {}
        self._locks: LocksKnown | None = None

    def core_is(self, core: KeeperCore | None, session: str) -> None:
        """The keeper died, or there is one (again)."""
        self._line = None if core is None else InProcessKeeper(core, lease_s=LEASE_S, renew_s=RENEW_S, session=session)
        self._session = session
        self._due_s = 0.0

    def locks_are(self, locks: LocksKnown) -> None:
        """Locks have changed at the keeper."""
        self._locks = locks
        self._due_s = 0.0

    def open(self, run_id: str, output: int, planned_s: float, now: Now) -> Sequence[Event]:
        if self._line is None:
            why = "the valve keeper does not answer"
            return [*self._gone(now), ValveRefused(at=now.wall, run_id=run_id, output=output, why=why)]
        before = self._news(now)
        self._asked(run_id, output, planned_s, now)
        return [*before, *self._heard(self._line.open(run_id, output, planned_s, now), now)]

    def renew(self, now: Now) -> Sequence[Event]:
        self._due_s = now.elapsed_s + LOOK_S
        if self._line is None:
            self._due_s = now.elapsed_s + RETRY_S
            return self._gone(now)
        return [*self._news(now), *self._heard(self._line.renew(now), now)]

    def look(self, now: Now) -> Sequence[Event]:
        if self._line is None:
            return self._gone(now)
        return [*self._news(now), *self._heard(self._line.look(now), now)]

    def close(self, run_id: str, output: int, now: Now, cause: str) -> Sequence[Event]:
        if self._line is None:
            return self._gone(now)
        return [*self._news(now), *self._heard(self._line.close(run_id, output, now, cause), now)]

    def close_all(self, now: Now, cause: str) -> Sequence[Event]:
        if self._line is None:
            return self._gone(now)
        return [*self._news(now), *self._heard(self._line.close_all(now, cause), now)]

    def next_renewal_s(self) -> float:
        return self._due_s if self._line is None else min(self._due_s, self._line.next_renewal_s())

    def _gone(self, now: Now) -> list[Event]:
        news, self._lost = not self._lost, True
        return [KeeperLost(at=now.wall, why="the keeper does not answer")] if news else []

    def _news(self, now: Now) -> list[Event]:
        locks, self._locks = self._locks, None
        return [] if locks is None else [replace(locks, at=now.wall)]

    def _heard(self, events: Sequence[Event], now: Now) -> list[Event]:
        """Events of the line, with word of runs that a restarted keeper knows nothing of before its finding."""
        told: list[Event] = []
        for event in events:
            if isinstance(event, ValveOpened):
                self._held.setdefault(event.run_id, (event.output, now.elapsed_s))
            elif isinstance(event, ValveClosed):
                self._held.pop(event.run_id, None)
            elif isinstance(event, KeeperFound):
                self._lost = False
                told += self._missing(event, now)
            told.append(event)
        return told

    def _missing(self, found: KeeperFound, now: Now) -> list[Event]:
        if not found.ready:
            return []
        gone = [run for run in self._held if run not in found.open_outputs.values() and run not in found.closed]
        events: list[Event] = []
        for run in gone:
            output, since_s = self._held.pop(run)
            open_s, at = now.elapsed_s - since_s, now.wall
            why = "the keeper was restarted"
            events.append(ValveClosed(at=at, run_id=run, output=output, open_s=open_s, why=why))
        return events
