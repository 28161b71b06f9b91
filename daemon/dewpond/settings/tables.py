"""All tables of one site file, each read by its schema. A table with faults keeps its place and what is left of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any, Generic, TypeVar

from pydantic import BaseModel

from dewpond.settings.problems import Place, Report
from dewpond.settings.quantities import shown
from dewpond.settings.reading import Read, read_table
from dewpond.settings.schema import (
    EventTable,
    FeedTable,
    ProgramTable,
    RelaysTable,
    RestrictionTable,
    SensorTable,
    ServiceTable,
    SiteTable,
    SupplyTable,
    WateringTable,
    ZoneTable,
)

M = TypeVar("M", bound=BaseModel)
SINGLE = ("site", "watering", "relays", "service")
REPEATED = ("restriction", "event", "supply", "zone", "program", "sensor", "feed")
_NAMED_BY = {"supply": "id", "zone": "id", "sensor": "id", "program": "name", "restriction": "name", "event": "name"}


@dataclass(frozen=True, slots=True)
class Entry(Generic[M]):
    """One table: where it stands, what was written, and what could be read of it."""

    place: Place
    raw: Mapping[str, Any]
    read: Read[M] | None

    @property
    def table(self) -> M | None:
        """What could be read, refused keys left out. Good for finding more faults."""
        return self.read.table if self.read else None

    @property
    def sound(self) -> M | None:
        """The table, if nothing of it was refused."""
        return self.read.table if self.read and not self.read.dropped else None

    @property
    def dropped(self) -> frozenset[str]:
        """The keys that were refused."""
        return self.read.dropped if self.read else frozenset()

    @property
    def id(self) -> str:
        """Its id as written, even when other keys are at fault; empty when there is none."""
        written = self.raw.get("id")
        return written if isinstance(written, str) else ""


@dataclass(frozen=True, slots=True)
class Tables:
    """Everything a site file holds."""

    site: SiteTable | None
    watering: WateringTable | None
    relays: RelaysTable | None
    service: ServiceTable | None
    restrictions: tuple[Entry[RestrictionTable], ...]
    supplies: tuple[Entry[SupplyTable], ...]
    zones: tuple[Entry[ZoneTable], ...]
    programs: tuple[Entry[ProgramTable], ...]
    sensors: tuple[Entry[SensorTable], ...]
    feeds: tuple[Entry[FeedTable], ...]
    present: frozenset[str]
    events: tuple[Entry[EventTable], ...] = ()


def read_tables(data: Mapping[str, Any], report: Report) -> Tables:
    """Read every table of the parsed file, reporting all faults."""
    for name in data:
        if name not in SINGLE and name not in REPEATED:
            _unknown(name, data[name], report)
    return Tables(
        site=_single(SiteTable, "site", data, report, needed=True),
        watering=_single(WateringTable, "watering", data, report),
        relays=_single(RelaysTable, "relays", data, report),
        service=_single(ServiceTable, "service", data, report),
        restrictions=tuple(_repeated(RestrictionTable, "restriction", data, report)),
        supplies=tuple(_repeated(SupplyTable, "supply", data, report)),
        zones=tuple(_repeated(ZoneTable, "zone", data, report)),
        programs=tuple(_repeated(ProgramTable, "program", data, report)),
        sensors=tuple(_repeated(SensorTable, "sensor", data, report)),
        feeds=tuple(_repeated(FeedTable, "feed", data, report)),
        present=frozenset(data),
        events=tuple(_repeated(EventTable, "event", data, report)),
    )


def _unknown(name: str, value: object, report: Report) -> None:
    known = (*SINGLE, *REPEATED)
    close = get_close_matches(name, known, n=1)
    kind = "table" if isinstance(value, dict | list) else "key outside of any table"
    remedy = f'was "{close[0]}" meant?' if close else "take it out"
    report.error(Place(name, (name,)), "", f"unknown {kind}", f"known tables are {', '.join(known)}", remedy)


def _single(model: type[M], name: str, data: Mapping[str, Any], report: Report, *, needed: bool = False) -> M | None:
    place = Place(name, (name,))
    if name not in data:
        if needed:
            report.error(place, "", "the table is missing", "every site file has one", f"write [{name}] and its keys")
        return None
    if isinstance(data[name], list):
        report.error(place, "", "written more than once or in double brackets", "there is one", f"write [{name}]")
        return None
    read = read_table(model, data[name], place, report)
    return read.table if read else None


def _repeated(model: type[M], name: str, data: Mapping[str, Any], report: Report) -> Iterator[Entry[M]]:
    rows = data.get(name, [])
    if not isinstance(rows, list):
        report.error(
            Place(name, (name,)), "", "written in single brackets", "there may be several", f"write [[{name}]]"
        )
        return
    for number, raw in enumerate(rows):
        label = f"{name} {number + 1}"
        written = raw.get(_NAMED_BY.get(name, "")) if isinstance(raw, Mapping) else None
        place = Place(f"{name} {shown(written)}" if isinstance(written, str) and written else label, (name, number))
        read = read_table(model, raw, place, report)
        yield Entry(place, raw if isinstance(raw, Mapping) else {}, read)
