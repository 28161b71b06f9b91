"""Locks as the keeper tells of them: what they keep shut, and how they are worded. The keeper alone sets and ends them.

The keeper refuses every opening that a lock covers; here it is only known beforehand, so that nothing is planned or
tried in vain and every screen can say why.
"""

from __future__ import annotations

from dewpond.brain.alarms import cleared, raised
from dewpond.brain.ground import Ground
from dewpond.brain.state import State
from dewpond.model.commands import Command, PublishState
from dewpond.model.copying import replace
from dewpond.model.events import KeeperLock, LocksKnown, Now
from dewpond.model.site import Zone

SITE = "site"
WINTER, DAMAGED = "winter", "damaged"
ALARM = "locks"


def on(ground: Ground, state: State, zone: Zone) -> KeeperLock | None:
    """The oldest lock that keeps this zone, or the master valve above it, shut; None where there is none."""
    if not state.locks:
        return None
    outputs = {zone.output, ground.site.supply(zone.supply).master_output}
    return next((lock for lock in state.locks if lock.target == SITE or outputs.intersection(lock.outputs)), None)


def words(ground: Ground, lock: KeeperLock) -> str:
    """A lock as a person reads it, in site time."""
    since = "" if lock.since is None else f" since {lock.since.astimezone(ground.days.zone):%Y-%m-%d %H:%M}"
    because = f": {lock.reason}" if lock.reason else ""
    if lock.kind == WINTER:
        return f"Closed for winter by {lock.who}{since}{because}"
    if lock.kind == DAMAGED:
        return f"Locked by the keeper{since}{because}"
    return f"Locked for work by {lock.who}{since}{because}"


def held(ground: Ground, state: State, zone: Zone) -> str:
    """Why nothing opens in this zone whoever asks, or ""."""
    lock = on(ground, state, zone)
    return "" if lock is None else words(ground, lock)


def learn(ground: Ground, state: State, event: LocksKnown, now: Now) -> tuple[State, list[Command]]:
    """Take up the locks that stand now; locks that the keeper has lost are an alarm."""
    state = replace(state, locks=event.locks)
    body = [{"target": lock.target, "by": lock.who, "text": words(ground, lock)} for lock in event.locks]
    told: list[Command] = [PublishState(topic="locks", body={"at": now.wall.isoformat(), "locks": body})]
    lost = next((lock for lock in event.locks if lock.kind == DAMAGED), None)
    if lost is None:
        state, alarms = cleared(state, ALARM, now, "the keeper's locks are in order")
    else:
        state, alarms = raised(state, ALARM, "service_fault", f"{words(ground, lost)}.", now)
    return state, told + alarms
