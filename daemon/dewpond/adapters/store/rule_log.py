"""What the journal holds of the rules of the place, for the log that an inspector reads."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select

from dewpond.adapters.store.reader import ReadOnlyDatabase
from dewpond.adapters.store.rows import COMMAND_KINDS, command_from, event_from
from dewpond.adapters.store.tables import RARE_KINDS, journal
from dewpond.model.commands import AnswerOperator, Command, NoteMaintenance, NoteRules, NoteShortened
from dewpond.model.events import ClockJudged, ClockStepped, Event, Now, OperatorAsked

KINDS = (OperatorAsked, AnswerOperator, NoteRules, NoteShortened, NoteMaintenance, ClockJudged, ClockStepped)


@dataclass(frozen=True, slots=True)
class Entry:
    """One event or command of the journal, with the time of its step."""

    now: Now
    told: Event | Command


class RuleLogReader:
    """Reads the journal at ``url``. Raises StoreUnusable without a database."""

    def __init__(self, url: str) -> None:
        self._database = ReadOnlyDatabase(url)
        self.unreadable = 0  # rows left out because their content is damaged

    def entries(self, until: datetime) -> Iterator[Entry]:
        """Everything of these kinds up to an instant, in order: what stands at one time may have begun long before."""
        names = [kind.__name__ for kind in KINDS]
        statement = (
            select(journal)
            .where(journal.c.kind.in_(names), RARE_KINDS, journal.c.wall < until)
            .order_by(journal.c.step_no, journal.c.seq)
        )
        for row in self._database.all(statement):
            read = command_from if row.kind in COMMAND_KINDS else event_from
            try:
                told = read(row.kind, row.body)
            except (ValueError, TypeError, KeyError):
                self.unreadable += 1
            else:
                yield Entry(Now(wall=row.wall, elapsed_s=row.elapsed_s, trusted=row.trusted), told)
