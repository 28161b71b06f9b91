"""The rules of the place in a site file: restrictions, stages, closed dates and events, checked and built."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from dewpond.model.hours import DateSpan, DayRule, Restriction, SiteEvent
from dewpond.settings.problems import Place, Report
from dewpond.settings.schema import EventTable, RestrictionTable, WateringTable
from dewpond.settings.tables import Entry, Tables
from dewpond.settings.words import date_span

Fault = tuple[str, str, str]
Unknown = Callable[[str, Sequence[str], str, str], Fault | None]


def check(tables: Tables, places: Sequence[str], unknown: Unknown, report: Report) -> None:
    """Report what the rules of the place disagree on. ``places`` are the names that ``applies_to`` may use."""
    stages = known_stages(tables)
    entries: list[Entry[RestrictionTable] | Entry[EventTable]] = [*tables.restrictions, *tables.events]
    for entry in entries:
        table = entry.table
        if table is None:
            continue
        for name in sorted(table.applies_to):
            fault = unknown(name, places, "zone, supply or method", "applies_to")
            if fault:
                report.error(entry.place, "applies_to", *fault)
        _dates(entry, report)
    for restriction in tables.restrictions:
        _restriction(restriction, stages, unknown, report)
    for event in tables.events:
        _event(event, report)
    _names_differ(tables, report)
    _stage_in_force(tables, stages, unknown, report)


def known_stages(tables: Tables) -> tuple[str, ...]:
    """The stages of restriction: as ``[watering]`` lists them, else those that restrictions name, in their order."""
    listed = tables.watering.stages if tables.watering is not None else ()
    found = [entry.table.stage for entry in tables.restrictions if entry.table is not None and entry.table.stage]
    return listed or tuple(dict.fromkeys(name for names in found for name in sorted(names)))


def watering_parts(table: WateringTable, tables: Tables) -> dict[str, Any]:
    """The parts of ``Watering`` that belong to the rules of the place."""
    return {"closed": table.closed_dates, "stages": known_stages(tables), "stage": table.stage or ""}


def restrictions(tables: Tables) -> tuple[Restriction, ...]:
    """Every restriction, in the file's order."""
    return tuple(_built(entry.table) for entry in tables.restrictions if entry.table is not None)


def events(tables: Tables) -> tuple[SiteEvent, ...]:
    """Every event, in the file's order."""
    return tuple(
        SiteEvent(
            name=event.name,
            applies_to=event.applies_to,
            dates=_event_dates(event),
            days=event.days or DayRule(),
            hours=event.hours,
        )
        for event in (entry.table for entry in tables.events)
        if event is not None
    )


def _built(rule: RestrictionTable) -> Restriction:
    dates = _span(rule.from_, rule.until) or DateSpan()
    return Restriction(
        applies_to=rule.applies_to,
        days=rule.days or DayRule(),
        hours=rule.hours,
        from_date=dates.first,
        until_date=dates.last,
        name=rule.name or "",
        methods=rule.method or frozenset(),
        stages=rule.stage or frozenset(),
        season=dates.season,
        stop=rule.stop,
    )


def _event_dates(event: EventTable) -> DateSpan:
    first, last = (event.date, event.date) if event.date is not None else (event.from_, event.until)
    return _span(first, last) or DateSpan()


def _span(first: Any, last: Any) -> DateSpan | None:
    """The span of a table; None where its ends do not fit, which is reported elsewhere."""
    try:
        return date_span(first, last)
    except ValueError:
        return None


def _dates(entry: Entry[RestrictionTable] | Entry[EventTable], report: Report) -> None:
    table = entry.table
    if table is None:
        return
    try:
        date_span(table.from_, table.until)
    except ValueError as fault:
        limit = "both ends are dates, or both are days of every year, and from is not after until"
        report.error(entry.place, "from", str(fault), limit, "exchange them or correct the year")


def _restriction(entry: Entry[RestrictionTable], stages: Sequence[str], unknown: Unknown, report: Report) -> None:
    rule = entry.table
    if rule is None:
        return
    for stage in sorted(rule.stage or ()):
        fault = unknown(stage, stages, "stage", "stage")
        if fault:
            report.error(entry.place, "stage", *fault)
    said = [key for key in ("days", "hours") if key in entry.raw]
    if rule.stop and said:
        what, limit = f"a complete stop with {' and '.join(said)}", "a complete stop leaves no day and no hour"
        report.error(entry.place, "stop", what, limit, f"take out stop, or {' and '.join(said)}")


def _event(entry: Entry[EventTable], report: Report) -> None:
    event = entry.table
    if event is None:
        return
    if event.date is not None and (event.from_ is not None or event.until is not None):
        report.error(entry.place, "date", "from or until is given too", "a date is one day", "take one of them out")
    said = {"date", "from", "until", "days"} & (entry.raw.keys() | entry.dropped)
    if not said:
        what, remedy = "nothing says when it is", 'write date = "2027-06-05", from and until, or days = ["sat"]'
        report.error(entry.place, "date", what, "an event has a date or days", remedy)


def _names_differ(tables: Tables, report: Report) -> None:
    """An exemption names the restriction it passes over, so a name stands for one of them."""
    seen: set[str] = set()
    for entry in tables.restrictions:
        name = entry.table.name if entry.table is not None else None
        if name is not None and name in seen:
            report.error(entry.place, "name", "used twice", "every restriction has its own name", "rename one of them")
        seen.add(name or "")


def _stage_in_force(tables: Tables, stages: Sequence[str], unknown: Unknown, report: Report) -> None:
    watering = tables.watering
    stage = watering.stage if watering is not None else None
    fault = stage and unknown(stage, stages, "stage", "stage")
    if fault:
        report.error(Place("watering", ("watering",)), "stage", *fault)
