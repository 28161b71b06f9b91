"""Faults of the disk below the state folder: full (a small one in memory), read-only, locked, and a damaged database.

The first two take root; without it they say so and prove nothing.
"""

from __future__ import annotations

import os
import random
import sqlite3
import subprocess
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, closing, contextmanager
from pathlib import Path

from dewpond_sim.proofs import judge, relays
from dewpond_sim.proofs.place import ZONES, ProofBroken
from dewpond_sim.proofs.real import RealPlace, chance_of
from dewpond_sim.proofs.results import Result

PROOF = "disk"
SIZE = "6m"
RUN_S = (12, 25)  # of the watering that the fault hits
LATER_S = 4.0  # asked once all is well
AFTER_S = 9.0  # for an overrun and the settling
HELD_OFF_S = 12.0  # how long an opening without a record is looked out for
MOST_DAMAGE = 40


@contextmanager
def small_disk(folder: Path) -> Iterator[None]:
    """A file system of its own in memory at ``folder``. Raises ProofBroken where mounting is not allowed."""
    folder.mkdir(exist_ok=True)
    _system("mount", "-t", "tmpfs", "-o", f"size={SIZE},mode=0700", "dewpond-proof", str(folder))
    try:
        yield
    finally:
        _system("umount", "--lazy", str(folder))


def trial(place: RealPlace, kind: str, seed: int) -> Result:
    """Water, spoil the disk meanwhile, ask again, mend the disk, ask once more, and judge."""
    chance = chance_of(PROOF, kind, seed)
    asked_s = float(chance.randrange(*RUN_S))
    first_s = place.now_s
    promised = place.ask("water", zone=chance.choice(sorted(ZONES)), seconds=asked_s)
    place.wait_on()
    place.pause(chance.uniform(0.5, 4.0))
    fault_s = place.now_s
    if kind == DAMAGED:
        return _damaged(place, seed, chance, asked_s, fault_s)
    with SPOILS[kind](place):
        place.pause(max(0.0, asked_s - (place.now_s - first_s)) + AFTER_S)
        opened = _asked_meanwhile(place, chance)
    place.pause(HELD_OFF_S)  # what was refused for want of a record may be taken up now
    _stop(place)
    case = place.case(asked_s, promised, first_s)
    in_time = [item for item in place.zones_seen(first_s) if item.on_s < fault_s]
    given_s = sum(item.seconds() for item in in_time)
    figures = {
        "asked_s": asked_s,
        "given_s": round(given_s, 1),
        "booked_s": round(case.booked_s, 1),
        "over_plan_s": round(given_s - asked_s, 2),
        "opened_without_record": opened,
    }
    wrong = [f"open: {given_s:.1f} s given of {asked_s:.0f} s asked"] if given_s > asked_s + judge.TOLERANCE_S else []
    wrong += [f"unbooked: {case.given_s:.1f} s given, {case.booked_s:.1f} s on record"] if _short(case) else []
    wrong += ["opened without a record"] if opened else []
    wrong += _waters_again(place, chance)
    return Result(proof=PROOF, kind=kind, seed=seed, wrong=wrong, figures=figures)


def _short(case: judge.Case) -> bool:
    return case.booked_s < case.given_s - judge.TOLERANCE_S


def _asked_meanwhile(place: RealPlace, chance: random.Random) -> bool:
    """Ask while nothing can be written; whether a valve opened."""
    since_s = place.now_s
    place.ask("water", zone=chance.choice(sorted(ZONES)), seconds=LATER_S)
    place.pause(HELD_OFF_S)
    return bool(place.zones_seen(since_s))


def _waters_again(place: RealPlace, chance: random.Random) -> list[str]:
    since_s = place.now_s
    place.ask("water", zone=chance.choice(sorted(ZONES)), seconds=LATER_S)
    place.pause(LATER_S + AFTER_S)
    given_s = sum(item.seconds(to_s=place.now_s) for item in place.zones_seen(since_s))
    right = abs(given_s - LATER_S) <= judge.TOLERANCE_S and given_s > 0.0
    return [] if right else [f"it does not water when the disk is well again: {given_s:.1f} s given"]


def _stop(place: RealPlace) -> None:
    place.ask("stop")
    place.wait_off(30.0)
    place.pause(1.0)


def _damaged(place: RealPlace, seed: int, chance: random.Random, asked_s: float, fault_s: float) -> Result:
    """The daemon is killed with a valve open, its database is damaged, and it must start again."""
    place.daemon.kill()
    done = _spoil(place.state / "dewpond.db", chance)
    place.start_daemon()
    helped_s = place.now_s
    place.pause(asked_s + AFTER_S)
    _stop(place)
    found = [item for item in place.zones_seen(0.0) if item.on_s <= fault_s < item.off_s or item.on_s > fault_s]
    given_s = sum(item.seconds() for item in found)
    figures = {
        "asked_s": asked_s,
        "given_s": round(given_s, 1),
        "open_after_fault_s": round(relays.longest_after(place.seen(), fault_s, helped_s), 2),
        "damage": done,
        "set_aside": len(list(place.state.glob("dewpond.db.damaged-*"))),
    }
    wrong = [f"doubled: {given_s:.1f} s of {asked_s:.0f} s"] if given_s > asked_s + judge.TOLERANCE_S else []
    wrong += _waters_again(place, chance)
    return Result(proof=PROOF, kind=DAMAGED, seed=seed, wrong=wrong, figures=figures)


def _spoil(database: Path, chance: random.Random) -> str:
    """Cut the database or its log, or write nonsense over parts of it."""
    log = database.with_name(database.name + "-wal")
    in_log = chance.random() < 0.4
    if not in_log:
        with closing(sqlite3.connect(database)) as other:
            other.execute("PRAGMA wal_checkpoint(TRUNCATE)")  # all is in the database then, and the log is empty
    target = log if in_log else database
    size = target.stat().st_size
    if chance.random() < 0.3:
        left = chance.randrange(size)
        os.truncate(target, left)
        return f"{target.name} cut to {left} of {size} bytes"
    hits = chance.randint(1, MOST_DAMAGE)
    with target.open("r+b") as file:
        for _ in range(hits):
            file.seek(chance.randrange(size))
            file.write(chance.randbytes(chance.randint(1, 512)))
    return f"{target.name}: {hits} places of {size} bytes overwritten"


@contextmanager
def _full(place: RealPlace) -> Iterator[None]:
    filler = place.state / "filler"
    with filler.open("wb") as file:
        try:
            while True:
                os.write(file.fileno(), bytes(4096))
        except OSError:
            pass  # that is the point
    yield
    filler.unlink()


@contextmanager
def _read_only(place: RealPlace) -> Iterator[None]:
    # Permission bits stop no one who runs as root, and a file system with open files cannot be remounted; a file that
    # is marked immutable refuses every write, through files opened before as well (ext4).
    files = [path for path in place.state.glob("dewpond.db*") if not path.name.endswith("-shm")]
    _system("chattr", "+i", *map(str, files))
    try:
        yield
    finally:
        _system("chattr", "-i", *map(str, files))


@contextmanager
def _locked(place: RealPlace) -> Iterator[None]:
    with closing(sqlite3.connect(place.state / "dewpond.db", timeout=30.0, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        yield
        other.execute("ROLLBACK")


def _system(*words: str) -> None:
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise ProofBroken(f"{' '.join(words)}: {done.stderr.strip()}; this proof needs root")


FULL, READ_ONLY, LOCKED, DAMAGED = "full", "read-only", "locked", "damaged"
SPOILS: dict[str, Callable[[RealPlace], AbstractContextManager[None]]] = {
    FULL: _full,
    READ_ONLY: _read_only,
    LOCKED: _locked,
}
KINDS = (*SPOILS, DAMAGED)
