"""Reads the records of a span of dates from a site's store for the water accounts; bootstrap alone asks for it."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from dewpond.adapters.store.reader import AlarmRecord, StoreReader
from dewpond.adapters.store.rule_log import RuleLogReader
from dewpond.brain import place_words
from dewpond.model.site import Site
from dewpond.upkeep.accounts.records import Fault, Records, months_of
from dewpond.upkeep.rule_log import Span, rule_log


def records_of(site: Site, database: str, span: Span, *, decisions: bool = True) -> Records:
    """Everything of the span, or all but decisions and rules. Raises StoreUnusable where there is no store."""
    reader = StoreReader(database)
    runs = reader.runs(span.begins, span.ends)
    told: dict[str, Any] = {}
    if decisions:
        entries = [(entry.now, entry.told) for entry in RuleLogReader(database).entries(span.ends)]
        told["rules"] = {"in_file": rules_in_file(site), **rule_log(runs, entries, span)}
        told["reasons"] = reader.reasons(None, span.first - timedelta(days=1), span.last)
    return Records(
        span=span,
        days=reader.days(None, span.first, span.last),
        runs=runs,
        faults=[_fault(alarm) for alarm in reader.alarms(open_only=False) if span.has(alarm.raised_at)],
        counted_l=_counted(site, reader, span),
        **told,
    )


def rules_in_file(site: Site) -> list[str]:
    """The rules of the place as the site file has them now, a sentence each."""
    hours = site.watering.window
    found = [f"window {hours.start:%H:%M} to {hours.end:%H:%M}; {place_words.days(site.watering.days)}"]
    found += [place_words.described(number, rule) for number, rule in enumerate(site.restrictions)]
    found += [f"closed {place_words.dates(span)}" for span in site.watering.closed]
    return found + [place_words.event(event) for event in site.events]


def _fault(alarm: AlarmRecord) -> Fault:
    return Fault(
        at=alarm.raised_at,
        kind=alarm.kind,
        zone=alarm.zone,
        detail=alarm.detail,
        supply=str(alarm.facts.get("supply", "")),
        lost_l=_litres(alarm.facts.get("lost_l")),
        cleared_at=alarm.cleared_at,
    )


def _litres(value: Any) -> float | None:
    return float(value) if isinstance(value, int | float) and value > 0.0 else None


def _counted(site: Site, reader: StoreReader, span: Span) -> dict[tuple[str, str], float]:
    """What each meter counted in each month; a month without a reading is left out."""
    found = {}
    for supply in site.supplies:
        for month, part in months_of(span) if supply.meter else ():
            litres, count = reader.counted(str(supply.meter), part.begins.timestamp(), part.ends.timestamp())
            if count:
                found[supply.id, month] = litres
    return found
