"""Where one zone is worked out: its table, its place for messages, and what was noted on the way."""

from __future__ import annotations

from dataclasses import dataclass, field

from dewpond.settings.problems import Place, Report
from dewpond.settings.schema import ZoneTable


@dataclass(frozen=True, slots=True)
class SiteFacts:
    """What the rest of the site contributes to a zone. ``only_supply`` is the id when there is no choice."""

    climate: str | None
    only_supply: str | None
    programmed: frozenset[str] = frozenset()  # zones that a program names
    air_temperature: bool = False  # a sensor of the open air reads it
    minimum_run_min: float = 0.0  # of zones that state none


@dataclass(slots=True)
class Desk:
    """One zone under work. ``notes`` becomes the zone's own; ``assumed`` one finding.

    ``dropped`` are keys whose values were refused already: what follows from their absence is not worth reporting.
    """

    table: ZoneTable
    place: Place
    report: Report
    facts: SiteFacts
    dropped: frozenset[str] = frozenset()
    notes: dict[str, str] = field(default_factory=dict)
    assumed: list[str] = field(default_factory=list)

    def note(self, key: str, text: str) -> None:
        """Say where a number came from."""
        self.notes[key] = text

    def assume(self, key: str, text: str) -> None:
        """Note a value that nobody stated; it is told as a finding."""
        self.notes[key] = f"assumed: {text}"
        self.assumed.append(text)

    def refuse(self, key: str, what: str, limit: str = "", remedy: str = "") -> None:
        """Report an error of this zone; no site comes of it."""
        self.report.error(self.place, key, what, limit, remedy)

    def tell(self, key: str, what: str, limit: str = "", remedy: str = "") -> None:
        """Report a finding of this zone, if all of it could be read."""
        if not self.dropped:
            self.report.finding(self.place, key, what, limit, remedy)

    def one_of(self, *keys: str) -> None:
        """Refuse all but one of several ways to say the same thing."""
        given = [key for key in keys if getattr(self.table, key) is not None]
        if len(given) > 1:
            self.refuse(given[1], f"{' and '.join(given)} say the same thing", "only one may stand", f"keep {given[0]}")
