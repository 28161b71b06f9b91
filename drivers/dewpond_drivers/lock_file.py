"""Locks on disk: ``locks.json`` holds what is locked now, ``locks.log`` every locking and unlocking.

The file is replaced whole (written beside, synced, renamed, folder synced), so a crash leaves the old or the new locks
and nothing else. What cannot be read, or is missing though something was locked before, counts as: everything is
locked. It never counts as no lock.
"""

from __future__ import annotations

import contextlib
import dataclasses
import json
import os
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dewpond_drivers.layout import SITE

WORK, WINTER, DAMAGED = "work", "winter", "damaged"
KINDS = (WORK, WINTER, DAMAGED)
FILE, LOG = "locks.json", "locks.log"
KEEPER = "the keeper"


@dataclass(frozen=True, slots=True, kw_only=True)
class Lock:
    """One person's lock. ``outputs`` are what the target meant when it was locked; "site" means every output."""

    target: str
    kind: str
    who: str
    reason: str
    since: str  # ISO 8601, UTC
    outputs: tuple[int, ...] = ()

    def covers(self, output: int) -> bool:
        """Whether this output may not open."""
        return self.target == SITE or output in self.outputs

    def words(self) -> str:
        """The lock as a person reads it."""
        if self.kind == WINTER:
            return f"closed for winter by {self.who} since {self.since}{_because(self.reason)}"
        if self.kind == DAMAGED:
            return f"locked by the keeper since {self.since}: {self.reason}"
        return f"locked for work by {self.who} since {self.since}{_because(self.reason)}"


class LockFile:
    """The two files in one folder. Every method may raise OSError; ``read`` alone does not."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._file = folder / FILE
        self._log = folder / LOG

    def read(self, now: str) -> tuple[Lock, ...]:
        """The locks that stand; one lock on the whole site where that cannot be told."""
        try:
            return _parsed(self._file.read_bytes())
        except FileNotFoundError:
            if not _exists(self._log):
                return ()
            return (damage(f"{FILE} is missing, though {LOG} tells of locks", now),)
        except OSError as fault:
            return (damage(f"{FILE} cannot be read ({fault.strerror or fault})", now),)
        except (ValueError, TypeError, KeyError, RecursionError) as fault:
            return (damage(f"{FILE} is damaged ({fault})", now),)

    def write(self, locks: tuple[Lock, ...]) -> None:
        """Replace the locks, durably. After an error the old ones may stand, or the new ones: read again."""
        body = [dataclasses.asdict(lock) for lock in locks]
        text = json.dumps({"version": 1, "crc32": _sum(body), "locks": body}, indent=1).encode() + b"\n"
        beside = self._file.with_suffix(".tmp")
        with beside.open("wb") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(self._file)
        _sync_folder(self._folder)

    def keep_damaged(self) -> None:
        """Keep a copy of a damaged file, as far as it can be read, before the next ``write`` replaces it."""
        with contextlib.suppress(OSError):
            self._file.with_suffix(".damaged").write_bytes(self._file.read_bytes())

    def note(self, now: str, **facts: Any) -> None:
        """Add a line to the log, durably."""
        line = json.dumps({"at": now, **facts}).encode() + b"\n"
        with self._log.open("ab") as log:
            log.write(line)
            log.flush()
            os.fsync(log.fileno())
        _sync_folder(self._folder)


def damage(why: str, now: str) -> Lock:
    """The lock that stands where the locks themselves are not known."""
    reason = f"{why}, so everything is locked; see that nobody works at pipes or valves, then unlock the site as owner"
    return Lock(target=SITE, kind=DAMAGED, who=KEEPER, reason=reason, since=now)


def _parsed(text: bytes) -> tuple[Lock, ...]:
    """The locks of a file's text. Raises ValueError, TypeError or KeyError for any other than a whole, sound file."""
    body = json.loads(text)
    if body["version"] != 1 or body["crc32"] != _sum(body["locks"]):
        raise ValueError("its check sum or version does not fit")
    locks = tuple(Lock(**{**entry, "outputs": tuple(entry["outputs"])}) for entry in body["locks"])
    if not all(lock.kind in KINDS for lock in locks):
        raise ValueError("a lock of an unknown kind")
    return locks


def _sum(body: Any) -> int:
    return zlib.crc32(json.dumps(body, sort_keys=True).encode())


def _exists(path: Path) -> bool:
    """Whether there is such a file; in doubt there is."""
    try:
        path.stat()
    except FileNotFoundError:
        return False
    except OSError:
        return True
    return True


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _because(reason: str) -> str:
    return f": {reason}" if reason else ""
