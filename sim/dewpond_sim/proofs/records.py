"""What the daemon has on record, as a judge reads it: by output, in seconds, with the words on what was cut short."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from dewpond.adapters.store.journal import JournalReader
from dewpond.adapters.store.reader import StoreReader
from dewpond.model.commands import RecordPlan, RecordRun
from dewpond_sim.proofs.place import PROGRAM, ZONES

BY_HAND = "by hand"


@dataclass(frozen=True, slots=True, kw_only=True)
class Booked:
    """One planned or asked opening with all its parts: seconds on record, and every word on why it was less."""

    key: str
    zone: str
    runs: tuple[RecordRun, ...]
    seconds: float
    reasons: tuple[str, ...]


class Records:
    """The store of a site, read anew at each call."""

    def __init__(self, database: str) -> None:
        self._reader = StoreReader(database)
        self._journal = JournalReader(database)
        self._told_to = 0

    def between(self, first: datetime, last: datetime, dates: list[date]) -> list[Booked]:
        """Everything that began in [first, last), or that the plans of these nights dropped."""
        parts: dict[str, list[RecordRun]] = {}
        for run in self._reader.runs(first, last):
            parts.setdefault(run.run_id.removesuffix("/remainder"), []).append(run)
        rows = {_key(row): row for day in dates for row in self._reader.plan(day)}
        keys = [*parts, *(key for key, row in rows.items() if key not in parts and first <= row.start < last)]
        return [_booked(key, parts.get(key, []), rows.get(key)) for key in keys]

    def asked_by_hand(self, since: datetime) -> list[RecordPlan]:
        """What was asked by hand since then, as it stood in the plan at first. Each is told by one call only."""
        found: dict[str, RecordPlan] = {}
        for number, commands in self._journal.commands(after=self._told_to):
            self._told_to = number
            for row in commands:
                if isinstance(row, RecordPlan) and row.source == BY_HAND and row.start >= since:
                    found.setdefault(_key(row), row)
        return list(found.values())


def _key(row: RecordPlan) -> str:
    """The run's name that belongs to a row of the plan, as the brain makes it."""
    if row.source == BY_HAND:
        return f"by-hand/{row.start_no}/{row.zone}"
    return f"{row.window_date}/{row.zone}/{row.source}/{row.start_no}"


def _booked(key: str, runs: list[RecordRun], row: RecordPlan | None) -> Booked:
    words = [run.note for run in runs if run.note] + [run.cause for run in runs if ", cut from " in run.cause]
    if row is not None and row.state == "dropped":
        words.append(f"plan: {row.state}")
    zone = runs[0].zone if runs else row.zone if row is not None else ""
    return Booked(key=key, zone=zone, runs=tuple(runs), seconds=sum(run.seconds for run in runs), reasons=tuple(words))


def is_program(booked: Booked) -> bool:
    """Whether it is a run of the site file's program."""
    return f"/{PROGRAM}/" in booked.key


def output_of(booked: Booked) -> int:
    """The output that waters its zone."""
    return ZONES[booked.zone]
