"""Locks and stops at the keeper: asked for past the daemon, and turned into events for it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from dewpond.adapters.keeper_link import ANSWER_S, KeeperLink, KeeperSilent
from dewpond.model.events import KeeperLock, LocksKnown, Now, PersonsStop, StopsTold


def ask_keeper(socket_path: Path, body: dict[str, Any]) -> dict[str, Any]:
    """One request and its answer. Raises KeeperSilent, an OSError, when there is none."""
    link = KeeperLink(socket_path)
    try:
        answer = link.ask(body, ANSWER_S)
    finally:
        link.close()
    if "ok" not in answer:
        raise KeeperSilent(f"the keeper at {socket_path} speaks another language")
    return answer


def locks_known(told: Sequence[Mapping[str, Any]], now: Now) -> LocksKnown:
    """The keeper's list of locks as an event."""
    return LocksKnown(at=now.wall, locks=tuple(_lock(item) for item in told))


def stops_told(told: Sequence[Mapping[str, Any]], now: Now) -> StopsTold:
    """The keeper's list of people's stops as an event."""
    return StopsTold(at=now.wall, stops=tuple(_stop(item, now) for item in told))


def _stop(item: Mapping[str, Any], now: Now) -> PersonsStop:
    return PersonsStop(
        id=str(item["id"]),
        zone=str(item["target"]),
        output=int(item["output"]),
        who=str(item["who"]),
        at=now.wall - timedelta(seconds=float(item["ago_s"])),
    )


def _lock(item: Mapping[str, Any]) -> KeeperLock:
    return KeeperLock(
        target=str(item["target"]),
        kind=str(item["kind"]),
        who=str(item["who"]),
        reason=str(item["reason"]),
        since=_moment(str(item["since"])),
        outputs=tuple(int(output) for output in item["outputs"]),
    )


def _moment(text: str) -> datetime | None:
    """The moment of a lock; None where the record has none, for the lock stands all the same."""
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        return None
    return at if at.tzinfo else None
