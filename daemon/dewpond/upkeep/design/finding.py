"""What a design review says: a fact with its number, the limit it is held against with its source, and a remedy."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

# What a finding is worth: people or the supply may be harmed; plants or pipes suffer; water is wasted; worth knowing.
HAZARD, HARM, WASTE, NOTE = "hazard", "harm", "waste", "note"
WEIGHTS = (HAZARD, HARM, WASTE, NOTE)


@dataclass(frozen=True, slots=True)
class Limit:
    """A number of the trade: its value, its unit, and its published source or the words for having none."""

    value: float
    unit: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One finding. ``table`` and ``id`` name the table of the site file it is about; numbers may be None."""

    code: str
    weight: str
    table: str
    id: str
    what: str
    source: str
    remedy: str
    number: float | None = None
    limit: float | None = None
    unit: str = ""
    limit_said: str = ""

    def sentence(self) -> str:
        """The whole finding on one line."""
        place = f'{self.table} "{self.id}"' if self.id else self.table
        return f"{place}: {self.what}; {self.bound()}; {self.remedy}."

    def bound(self) -> str:
        """The limit and its source, in words."""
        return f"{self.limit_said} ({self.source})" if self.limit_said else self.source

    def as_plain(self) -> dict[str, Any]:
        """JSON-ready, with the sentence beside its parts."""
        return {**asdict(self), "text": self.sentence()}
