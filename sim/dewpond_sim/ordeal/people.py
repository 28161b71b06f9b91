"""The people of an ordeal: they ask the daemon, lock at the keeper, and go by what they are told."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from dewpond.model.events import Event, KeeperLock, LocksKnown, Now, OperatorAsked
from dewpond.model.site import Site
from dewpond.model.view import SiteView
from dewpond.ports import OperatorReply
from dewpond_drivers.keeper_core import KeeperCore
from dewpond_sim.ordeal.faults import Deed
from dewpond_sim.ordeal.keeper_line import KeeperLine
from dewpond_sim.ordeal.watch import Watch

WHO = "Ana"
HOLD_S = 43_200.0
LONG_AGO = datetime(2000, 1, 1, tzinfo=UTC)  # the line stamps it when it is told


class People:
    """ports.Desk, and the locks that the keeper refuses by."""

    def __init__(self, site: Site, line: KeeperLine, watch: Watch) -> None:
        self._outputs = {zone.id: zone.output for zone in site.zones}
        self._every = tuple(range(1, site.relays.outputs + 1))
        self._line = line
        self._queued: list[Event] = []
        self._locks: dict[str, KeeperLock] = {}
        self._core: KeeperCore | None = None
        self.told: dict[str, tuple[bool, str]] = {}
        self._watch = watch
        self._asked: dict[str, OperatorAsked] = {}
        self._holds: dict[str, float] = {}  # by zone: true elapsed time at which a hold that was accepted ends
        self._at_s = 0.0
        watch.people_say(lambda output: self.refusal(output) is not None, self._is_held)

    def line_is(self, line: KeeperLine) -> None:
        """A daemon that starts hears of the locks that stand."""
        self._line = line
        self._tell()

    def core_is(self, core: KeeperCore) -> None:
        """A keeper that starts keeps the locks, for they are on its disk."""
        self._core = core

    def refusal(self, output: int) -> str | None:
        """Why an output may not open."""
        return next((f"locked by {lock.who}" for lock in self._locks.values() if output in lock.outputs), None)

    def does(self, deed: Deed, now: Now, *, listens: bool) -> None:
        """One deed. What is asked of a daemon that is not there is not asked again."""
        if deed.action in ("lock", "winter"):
            self._lock(deed, now)
        elif deed.action in ("unlock", "summer"):
            self._locks.pop(deed.name, None)
            self._tell()
        elif listens:
            asked = self._request(deed, now)
            self._asked[asked.request_id] = asked
            self._queued.append(asked)

    def _is_held(self, output: int) -> bool:
        return any(self._outputs[zone] == output for zone in self._holds)

    def _request(self, deed: Deed, now: Now) -> OperatorAsked:
        until = now.wall + timedelta(seconds=HOLD_S) if deed.action == "hold" else None
        return OperatorAsked(
            at=now.wall,
            request_id=f"{deed.name}/{deed.action}",
            who=WHO,
            action=deed.action,
            zone=deed.zone,
            seconds=deed.seconds or None,
            until=until,
            reason="as it was drawn",
        )

    def _lock(self, deed: Deed, now: Now) -> None:
        winter = deed.action == "winter"
        outputs = self._every if winter else (self._outputs[deed.zone],)
        target, kind = ("site", "winter") if winter else (deed.zone, "work")
        self._locks[deed.name] = KeeperLock(
            target=target, kind=kind, who=WHO, reason="repair", since=now.wall, outputs=outputs
        )
        if self._core is not None:
            for output in outputs:
                self._core.close(output, None, now.elapsed_s, f"locked by {WHO}")
        self._tell()

    def _tell(self) -> None:
        self._line.locks_are(LocksKnown(at=LONG_AGO, locks=tuple(self._locks.values())))

    def drain(self, now: Now) -> Sequence[Event]:
        self._at_s = now.elapsed_s
        self._holds = {zone: until_s for zone, until_s in self._holds.items() if until_s > now.elapsed_s}
        queued, self._queued = self._queued, []
        return queued

    def answer(self, request_id: str, reply: OperatorReply) -> None:
        self.told[request_id] = (reply.accepted, reply.text)
        asked = self._asked.pop(request_id)
        if not reply.accepted or asked.zone is None:
            return
        match asked.action:
            case "stop":
                self._watch.stopped(self._outputs[asked.zone], self._at_s)
            case "hold":
                self._holds[asked.zone] = self._at_s + HOLD_S
            case "release":
                self._holds.pop(asked.zone, None)

    def publish(self, view: SiteView) -> None:
        """Nobody looks at the board."""
