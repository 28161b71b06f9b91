"""Locks that people set: while one stands, the keeper opens nothing that it covers, whoever asks.

A lock never expires and survives restarts. Each person locks and unlocks for themselves, as with padlocks on one hasp:
a target stays locked until the last lock on it is gone. A software lock is not isolation.
"""

from __future__ import annotations

import dataclasses
import json
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dewpond_drivers.layout import SITE, Layout, TargetRefused, read_layout
from dewpond_drivers.lock_file import DAMAGED, WINTER, WORK, Lock, LockFile
from dewpond_drivers.winter import unsigned

MOST_LOCKS = 60
MOST_WITH_SITE = 70  # the whole site can be locked when all else is full
LONGEST_NAME, LONGEST_REASON = 80, 200


class LockRefused(ValueError):
    """Raised when a lock cannot be set or taken off; the text says why and what to do. Nothing has changed."""


@dataclass(frozen=True, slots=True)
class Done:
    """What was done, as a sentence; a new lock, and what its outputs belong to, so that they can be shut now."""

    told: str
    lock: Lock | None = None
    layout: Layout = dataclasses.field(default_factory=Layout)


class LockBook:
    """The locks that stand, and the only hand that changes them.

    ``refusal`` and ``standing`` may be called from any thread at any time. The other methods wait for the disk and
    belong to one thread of their own.

    Parameters
    ----------
    folder : Path        Where ``locks.json`` and ``locks.log`` are.
    site_file : Path     Read anew at each locking for what a target means.
    wall : callable      The moment for the record, ISO 8601.
    """

    def __init__(self, folder: Path, site_file: Path, wall: Callable[[], str]) -> None:
        self._file = LockFile(folder)
        self._site_file = site_file
        self._wall = wall
        self._locks = self._widened(self._file.read(wall()))
        self._coming: tuple[Lock, ...] = ()  # being written down; a disk may take half a minute for that

    @property
    def standing(self) -> tuple[Lock, ...]:
        """Every lock, the oldest first."""
        return self._locks

    def refusal(self, output: int) -> str | None:
        """Why this output may not open, or None. A lock that is still being written counts, until the disk refuses."""
        locks = (*self._coming, *self._locks)
        return next((f"output {output} is {lock.words()}" for lock in locks if lock.covers(output)), None)

    def mark(self) -> str:
        """Changes whenever the locks do, so that a client knows when to ask for them again."""
        return mark(self._locks)

    def lock(self, target: str, who: str, reason: str) -> Done:
        """Lock a zone, a supply or the site for work. Raises LockRefused."""
        who, reason = _named(who), _reasoned(reason)
        if any(_is(lock, WORK, target) and _same(lock.who, who) for lock in self._locks):
            raise LockRefused(f"{target} is locked by {who} already; unlock it first to lock it for another reason")
        return self._add(target, WORK, who, reason)

    def unlock(self, target: str, who: str, reason: str, *, owner: bool = False) -> Done:
        """Take off ``who``'s own lock, or as the owner every lock of the target. Raises LockRefused."""
        who, reason = _named(who), _reasoned(reason)
        here = [lock for lock in self._locks if lock.target == target and lock.kind != WINTER]
        own = [lock for lock in here if owner or (lock.kind == WORK and _same(lock.who, who))]
        if not here:
            raise LockRefused(f"no work lock stands on {target!r}; {self._list()}")
        if not own:
            whose = " and ".join(lock.who for lock in here)
            raise LockRefused(
                f"{target} is locked by {whose}, not by {who}; it is taken off by that person, or by the owner "
                "with --owner and a reason, once nobody works there"
            )
        self._remove(own, "unlock", who, reason, owner=owner)
        left = [lock for lock in here if lock not in own]
        still = f"; it stays {' and '.join(lock.words() for lock in left)}" if left else ""
        return Done(f"{target}: the lock of {' and '.join(lock.who for lock in own)} is off{still}.")

    def winter_close(self, who: str, reason: str) -> Done:
        """Close the whole site for winter. Raises LockRefused."""
        who = _named(who)
        for lock in self._locks:
            if lock.kind == WINTER:
                raise LockRefused(f"the site is {lock.words()} already")
        return self._add(SITE, WINTER, who, reason.strip()[:LONGEST_REASON])

    def winter_open(self, who: str, signed: tuple[str, ...]) -> Done:
        """End the winter with every item of the start-up list signed. Raises LockRefused."""
        who = _named(who)
        standing = [lock for lock in self._locks if lock.kind == WINTER]
        if not standing:
            raise LockRefused("the site is not closed for winter")
        missing = unsigned(signed)
        if missing:
            raise LockRefused(f"the site stays closed for winter; {missing}")
        self._remove(standing, "winter open", who, "start-up list", signed=sorted(set(signed)))
        left = "; ".join(lock.words() for lock in self._locks)
        return Done(f"The site is open after winter, signed by {who}.{' Still: ' + left + '.' if left else ''}")

    def _add(self, target: str, kind: str, who: str, reason: str) -> Done:
        if len(self._locks) >= (MOST_WITH_SITE if target == SITE else MOST_LOCKS):
            raise LockRefused(f"{MOST_LOCKS} locks stand already; take off those that are done, or lock the site")
        layout = self._layout_for(target)
        outputs = layout.outputs_of(target)
        lock = Lock(target=target, kind=kind, who=who, reason=reason, since=self._wall(), outputs=outputs)
        self._coming = (lock,)
        try:
            self._replace((*self._locks, lock), f"{kind} lock", lock.since, target=target, who=who, reason=reason)
        finally:
            self._coming = ()
        return Done(f"{target} is {lock.words()}.", lock, layout)

    def _remove(self, gone: list[Lock], what: str, who: str, reason: str, **facts: Any) -> None:
        left = tuple(lock for lock in self._locks if lock not in gone)
        was = [{"who": lock.who, "since": lock.since, "kind": lock.kind} for lock in gone]
        self._replace(left, what, self._wall(), target=gone[0].target, who=who, reason=reason, taken_off=was, **facts)

    def _replace(self, locks: tuple[Lock, ...], what: str, now: str, **facts: Any) -> None:
        """Record first, then write, then obey. Where the disk fails, what can be read back from it holds."""
        try:
            self._file.note(now, what=what, **facts)
            if any(lock.kind == DAMAGED for lock in self._locks):
                self._file.keep_damaged()
            self._file.write(locks)
        except OSError as fault:
            self._locks = self._widened(self._file.read(now))
            raise LockRefused(f"the disk would not take it ({fault.strerror or fault}); {self._list()}") from fault
        self._locks = self._widened(locks)

    def _layout_for(self, target: str) -> Layout:
        """The site file's word; the whole site can be locked without it."""
        try:
            return read_layout(self._site_file)
        except (OSError, ValueError) as fault:
            if target == SITE:
                return Layout()
            raise LockRefused(
                f"{self._site_file.name} cannot be read ({fault}), so {target!r} is not known; lock the site instead"
            ) from fault

    def _widened(self, locks: tuple[Lock, ...]) -> tuple[Lock, ...]:
        """Each lock with what its target means now beside what it meant then: rewiring never unlocks."""
        try:
            layout = read_layout(self._site_file)
        except (OSError, ValueError):
            return locks
        return tuple(_wider(lock, layout) for lock in locks)

    def _list(self) -> str:
        return "; ".join(f"{lock.target} is {lock.words()}" for lock in self._locks) or "nothing is locked"


def mark(locks: tuple[Lock, ...]) -> str:
    """A short text that differs for different locks."""
    return f"{zlib.crc32(json.dumps(plain(locks)).encode()):08x}"


def plain(locks: tuple[Lock, ...]) -> list[dict[str, Any]]:
    """The locks for the socket."""
    return [{**dataclasses.asdict(lock), "words": lock.words()} for lock in locks]


def _wider(lock: Lock, layout: Layout) -> Lock:
    try:
        now = layout.outputs_of(lock.target)
    except TargetRefused:
        return lock
    return dataclasses.replace(lock, outputs=tuple(sorted({*lock.outputs, *now})))


def _named(who: str) -> str:
    who = " ".join(who.split())
    if not 0 < len(who) <= LONGEST_NAME:
        raise LockRefused(f"a lock needs a person's name of 1 to {LONGEST_NAME} characters; give --who")
    return who


def _reasoned(reason: str) -> str:
    reason = " ".join(reason.split())
    if not 0 < len(reason) <= LONGEST_REASON:
        raise LockRefused(f"this needs a reason of 1 to {LONGEST_REASON} characters; give --reason")
    return reason


def _same(one: str, other: str) -> bool:
    return one.casefold() == other.casefold()


def _is(lock: Lock, kind: str, target: str) -> bool:
    return lock.kind == kind and lock.target == target
