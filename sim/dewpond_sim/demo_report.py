"""What a demonstration gave each zone and why, in plain lines: read from the daemon's own store."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from dewpond.adapters.store.reader import StoreReader
from dewpond.model.commands import RecordRun
from dewpond.model.reasons import ZoneReason
from dewpond.model.site import Site, Zone


@dataclass(frozen=True, slots=True)
class DemoRecords:
    """Finished openings and the last decision of each zone and night."""

    runs: Sequence[RecordRun]
    reasons: Sequence[ZoneReason]


def read_records(database_url: str, site: Site, start: datetime, days: float) -> DemoRecords:
    """Everything the daemon wrote between ``start`` and ``days`` later. Raises StoreUnusable."""
    reader = StoreReader(database_url)
    end = start + timedelta(days=days)
    place = ZoneInfo(site.timezone)
    reasons = reader.reasons(None, start.astimezone(place).date(), end.astimezone(place).date())
    return DemoRecords(reader.runs(start, end), reasons)


def report_lines(site: Site, records: DemoRecords) -> list[str]:
    """The nights with each zone's reason, then one line a zone with its water."""
    return [*_night_lines(site, records.reasons), "", "Water given", *_zone_lines(site, records)]


def _night_lines(site: Site, reasons: Sequence[ZoneReason]) -> list[str]:
    order = {zone.id: number for number, zone in enumerate(site.zones)}
    names = {zone.id: zone.name for zone in site.zones}
    lines: list[str] = []
    for night in sorted({reason.window_date for reason in reasons}):
        lines.append(f"Night of {night:%A} {night.day} {night:%B %Y}")
        tonight = [reason for reason in reasons if reason.window_date == night and reason.zone in order]
        for reason in sorted(tonight, key=lambda item: order[item.zone]):
            lines.append(f"  {names[reason.zone]}: {reason.summary}")
    return lines or ["No night has been decided yet."]


def _zone_lines(site: Site, records: DemoRecords) -> list[str]:
    width = max((len(zone.name) for zone in site.zones), default=0)
    return [_zone_line(zone, width, records) for zone in site.zones]


def _zone_line(zone: Zone, width: int, records: DemoRecords) -> str:
    runs = [run for run in records.runs if run.zone == zone.id]
    litres = sum(run.litres for run in runs)
    gross_mm = sum(run.gross_mm for run in runs)
    head = f"  {zone.name:<{width}}  {litres:>8,.0f} L  {gross_mm:>5.1f} mm"
    if not runs:
        return f"{head}  no opening"
    minutes = sum(run.seconds for run in runs) / 60.0
    causes = sorted({run.cause for run in runs})
    return f"{head}  {len(runs)} opening{'s' if len(runs) != 1 else ''}, {minutes:.0f} min, {', '.join(causes)}"
