"""Why a zone was watered or left dry: data first, one wording for every screen."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime


@dataclass(frozen=True, kw_only=True)
class Input:
    """One fact a decision used, with its age and where it came from."""

    name: str
    value: float | str | None
    unit: str
    source: str
    known_at: datetime | None = None


@dataclass(frozen=True, kw_only=True)
class ZoneReason:
    """One zone's decision for one night.

    ``decision`` is one of ``water``, ``left dry``, ``held``, ``not allowed``. ``limits`` are the caps and rules that
    changed the outcome, ``would_change`` says what would have made it come out differently. Depths are net, in mm.
    """

    zone: str
    window_date: date
    decided_at: datetime
    decision: str
    rule: str
    summary: str
    depletion_mm: float
    depletion_sd_mm: float
    depletion_after_mm: float
    raw_mm: float
    taw_mm: float
    net_mm: float
    gross_mm: float
    seconds: float
    inputs: tuple[Input, ...] = ()
    limits: tuple[str, ...] = ()
    would_change: str = ""

    def sentences(self) -> tuple[str, ...]:
        """The explanation as plain sentences, the same in command line, page, journal and API."""
        lines = [self.summary, *self.limits]
        if self.would_change:
            lines.append(self.would_change)
        return tuple(lines)
