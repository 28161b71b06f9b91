"""The keeper's rules inside this process, as ``ports.Valves``: for replays and unit tests, over any driver."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from datetime import timedelta

from dewpond.model.events import Event, KeeperFound, Now, ValveClosed, ValveOpened, ValveRefused
from dewpond.model.site import Site
from dewpond_drivers.keeper_core import KeeperCore
from dewpond_drivers.keeper_facts import Closing, Opening
from dewpond_drivers.pump_order import PumpHead, PumpOrder


class InProcessKeeper:
    """Valves over a keeper core, with the events that the socket's client gives.

    Parameters
    ----------
    core : KeeperCore          The rules and their relays; nobody else may use it.
    lease_s, renew_s : float   How long an opening lasts without renewal, and how often it is renewed [s]. With both inf
                               an opening ends 5 s after its plan unless closed before, and nothing is renewed.
    """

    def __init__(
        self, core: KeeperCore, *, lease_s: float = 90.0, renew_s: float = 20.0, session: str = "in this process"
    ) -> None:
        self._core = core
        self._lease_s = lease_s
        self._renew_s = renew_s
        self._session = session
        self._told_ready: bool | None = None
        self._renew_at_s = math.inf
        self._wanted: dict[str, Opening] = {}

    def open(self, run_id: str, output: int, planned_s: float, now: Now) -> Sequence[Event]:
        """Open on a lease, or extend the planned end of the run that holds the output."""
        core, now_s = self._core, now.elapsed_s
        events = self._settle((), now) if core.ready else list(self.renew(now))
        answer = core.open(output, run_id, self._lease_s, planned_s, now_s)
        if not answer.ok:
            events += self._settle((closing for closing in answer.closings if closing.run != run_id), now)
            events.append(ValveRefused(at=now.wall, run_id=run_id, output=output, why=answer.why))
            return events
        opening = self._wanted.get(run_id)
        if opening is None:
            opening = self._wanted[run_id] = core.opening(output)
        self._renew_at_s = min(self._renew_at_s, now_s + self._renew_s)
        at = now.wall if opening.opened_s == now_s else now.wall - timedelta(seconds=now_s - opening.opened_s)
        events.append(ValveOpened(at=at, run_id=run_id, output=output))
        return events

    def renew(self, now: Now) -> Sequence[Event]:
        """Let time pass for the core, and renew the leases that are due."""
        now_s = now.elapsed_s
        events = self._settle(self._core.expire(now_s), now)
        if now_s >= self._renew_at_s:
            self._renew_at_s = now_s + self._renew_s
            for run_id, opening in list(self._wanted.items()):
                answer = self._core.renew(opening.output, run_id, self._lease_s, now_s)
                events += self._settle(answer.closings, now)
        return events

    def look(self, now: Now) -> Sequence[Event]:
        """Nothing can get lost inside one process."""
        return self._settle((), now)

    def close(self, run_id: str, output: int, now: Now, cause: str) -> Sequence[Event]:
        """Close. Where the relays do not obey yet, the closing follows from a later ``renew``."""
        answer = self._core.close(output, run_id, now.elapsed_s, cause)
        events = self._settle(answer.closings, now)
        if not any(closing.run == run_id for closing in answer.closings) and self._core.ready:
            before = self._core.closings.get(run_id)
            if before is not None:
                events.append(_closed(before, now))
            else:
                why = answer.why or "it was not open"
                events.append(ValveClosed(at=now.wall, run_id=run_id, output=output, open_s=0.0, why=why))
        return events

    def close_all(self, now: Now, cause: str) -> Sequence[Event]:
        """Close everything."""
        return self._settle(self._core.close_all(now.elapsed_s, cause).closings, now)

    def next_renewal_s(self) -> float:
        """Elapsed time at which a lease ends, is renewed, or the relays are tried again; inf with nothing open."""
        return min(self._core.next_deadline_s(), self._renew_at_s if self._wanted else math.inf)

    def _settle(self, closings: Iterable[Closing], now: Now) -> list[Event]:
        """Closings as events, and word of the keeper whenever it has become ready or ceased to be."""
        events: list[Event] = []
        for closing in closings:
            self._wanted.pop(closing.run, None)
            events.append(_closed(closing, now))
        core = self._core
        if core.ready is not self._told_ready:
            self._told_ready = core.ready
            events.append(
                KeeperFound(
                    at=now.wall,
                    session=self._session,
                    ready=core.ready,
                    open_outputs={opening.output: opening.run for opening in core.openings},
                    closed={run: closing.open_s for run, closing in core.closings.items()},
                    closed_at={
                        run: now.wall - timedelta(seconds=now.elapsed_s - closing.at_s)
                        for run, closing in core.closings.items()
                    },
                )
            )
        return events


def pump_order(site: Site) -> PumpOrder:
    """What the keeper reads from a site file about pumps, from the site itself."""
    return PumpOrder(
        PumpHead(
            supply.pump.output,
            frozenset(zone.output for zone in site.zones if zone.supply == supply.id),
            supply.master_output,
        )
        for supply in site.supplies
        if supply.pump is not None
    )


def _closed(closing: Closing, now: Now) -> ValveClosed:
    ago_s = now.elapsed_s - closing.at_s
    at = now.wall - timedelta(seconds=ago_s) if ago_s else now.wall
    return ValveClosed(
        at=at,
        run_id=closing.run,
        output=closing.output,
        open_s=closing.open_s,
        why=closing.why,
        wished=closing.wished,
    )
