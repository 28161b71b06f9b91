"""What is wrong with, or worth saying about, a site file: place, fact, limit and remedy, in that order."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

from dewpond.settings.positions import Path, Positions
from dewpond.settings.quantities import cut


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One error or finding. ``table`` reads like ``zone "north-lawn"``; ``line`` counts from 1, None when unknown."""

    file: str
    table: str
    key: str
    what: str
    limit: str = ""
    remedy: str = ""
    line: int | None = None

    @property
    def said(self) -> str:
        """Fact, limit and remedy without the place."""
        return "; ".join(part for part in (self.what, self.limit, self.remedy) if part)

    def sentence(self) -> str:
        """The whole problem on one line."""
        at = f"{self.file}, line {self.line}" if self.line is not None else self.file
        place = ", ".join(part for part in (at, self.table, self.key) if part)
        return f"{place}: {self.said}{'' if self.said.endswith('?') else '.'}"

    def as_plain(self) -> dict[str, Any]:
        """JSON-ready, with the sentence beside its parts."""
        return {**asdict(self), "text": self.sentence()}


@dataclass(frozen=True, slots=True)
class Place:
    """A table of the site file: how people call it, and where it stands in the parsed data."""

    label: str
    path: Path = ()


@dataclass(slots=True)
class Report:
    """Gathers the problems of one file while it is read."""

    file: str
    positions: Positions
    errors: list[Problem] = field(default_factory=list)
    findings: list[Problem] = field(default_factory=list)

    def error(self, place: Place, key: str | Path, what: str, limit: str = "", remedy: str = "") -> None:
        """Note a fault that keeps the site from running."""
        self.errors.append(self._problem(place, key, what, limit, remedy))

    def finding(self, place: Place, key: str | Path, what: str, limit: str = "", remedy: str = "") -> None:
        """Note something the owner should know; the site still runs."""
        self.findings.append(self._problem(place, key, what, limit, remedy))

    def _problem(self, place: Place, key: str | Path, what: str, limit: str, remedy: str) -> Problem:
        keys = (key,) if isinstance(key, str) else key
        return Problem(
            file=self.file,
            table=cut(place.label),
            key=" ".join(str(part + 1) if isinstance(part, int) else cut(part) for part in keys),
            what=what,
            limit=limit,
            remedy=remedy,
            line=self.positions.line((*place.path, *keys)),
        )


class SiteRefused(Exception):
    """Raised when a site file has errors; carries all of them."""

    def __init__(self, errors: tuple[Problem, ...]) -> None:
        super().__init__("\n".join(problem.sentence() for problem in errors))
        self.errors = errors
