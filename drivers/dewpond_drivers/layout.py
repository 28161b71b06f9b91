"""Which outputs belong together by the site file: zones, supplies and their master valves. It reads nothing else."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from dewpond_drivers.site_text import read_tables

SITE, SUPPLY = "site", "supply:"
MOST_DIGITS = 6  # of an output, written as text


class TargetRefused(ValueError):
    """Raised when a lock's target is neither a zone, a supply nor the site."""


@dataclass(frozen=True, slots=True)
class Layout:
    """Outputs by zone and by supply: zone id -> (output, supply id), and supply id -> output of its master and pump."""

    zones: Mapping[str, tuple[int, str]] = field(default_factory=dict)
    supplies: frozenset[str] = frozenset()
    masters: Mapping[str, int] = field(default_factory=dict)
    pumps: Mapping[str, int] = field(default_factory=dict)

    def outputs_of(self, target: str) -> tuple[int, ...]:
        """The outputs of a zone's id, ``supply:ID`` or ``site``; of the site all that the file names.

        Raises TargetRefused with the known targets.
        """
        if target == SITE:
            return self._sorted(self.zones)
        supply = target.removeprefix(SUPPLY)
        if target.startswith(SUPPLY) and supply in self.supplies:
            here = [zone for zone, (_, fed_by) in self.zones.items() if fed_by == supply]
            return self._sorted(here, supply)
        if target in self.zones:
            return (self.zones[target][0],)
        known = ", ".join([SITE, *sorted(SUPPLY + supply for supply in self.supplies), *sorted(self.zones)])
        raise TargetRefused(f"there is nothing called {target!r} to lock here; targets are {known}")

    def idle_masters(self, shut: Collection[int], running: Collection[int]) -> tuple[int, ...]:
        """Masters that run and feed a zone among ``shut`` but none that still runs: they would only feed a leak."""
        supplies = {supply for output, supply in self.zones.values() if output in shut}
        supplies -= {supply for output, supply in self.zones.values() if output in running}
        return tuple(sorted(self.masters[s] for s in supplies if s in self.masters and self.masters[s] in running))

    def _sorted(self, zones: Collection[str], supply: str | None = None) -> tuple[int, ...]:
        heads = [output for fed, output in (*self.masters.items(), *self.pumps.items()) if supply in (None, fed)]
        return tuple(sorted({*(self.zones[zone][0] for zone in zones), *heads}))


def read_layout(site_file: Path) -> Layout:
    """Read zones and supplies. Raises SiteUnreadable for an unreadable file; odd entries are left out."""
    tables = read_tables(site_file)
    supplies = {str(entry["id"]): entry for entry in entries(tables, "supply") if "id" in entry}
    only = next(iter(supplies)) if len(supplies) == 1 else ""
    zones = {}
    for entry in entries(tables, "zone"):
        output = output_number(entry.get("output"))
        if "id" in entry and output is not None:
            zones[str(entry["id"])] = (output, str(entry.get("supply", only)))
    masters = {supply: output_number(entry.get("master")) for supply, entry in supplies.items()}
    pumps = {supply: _pump_output(entry.get("pump")) for supply, entry in supplies.items()}
    return Layout(zones, frozenset(supplies), _known(masters), _known(pumps))


def _pump_output(table: Any) -> int | None:
    return output_number(table.get("output")) if isinstance(table, dict) else None


def _known(outputs: Mapping[str, int | None]) -> dict[str, int]:
    return {supply: output for supply, output in outputs.items() if output is not None}


def entries(tables: Mapping[str, Any], name: str) -> list[dict[str, Any]]:
    """The tables of one name, as far as they are tables."""
    found = tables.get(name)
    return [entry for entry in found if isinstance(entry, dict)] if isinstance(found, list) else []


def output_number(written: Any) -> int | None:
    """An output as written in the site file, 3 or "relays:3"; None for anything else."""
    if isinstance(written, str):
        number = written.strip().removeprefix("relays:")
        return int(number) if number.isdecimal() and len(number) <= MOST_DIGITS else None
    return written if type(written) is int else None
