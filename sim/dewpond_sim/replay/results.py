"""What a replay leaves behind: runs.csv, days.csv, alarms.csv and summary.json."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from dewpond.adapters.store.memory_store import MemoryStore
from dewpond.model.commands import RaiseAlarm, RecordDay, RecordRun
from dewpond.model.site import Site

DAY_COLUMNS = (
    "date",
    "zone",
    "eto_mm",
    "etc_mm",
    "rain_mm",
    "effective_rain_mm",
    "net_irrigation_mm",
    "runoff_mm",
    "drainage_mm",
    "depletion_mm",
    "taw_mm",
    "raw_mm",
    "reason",
    "belief_mm",
    "belief_sd_mm",
    "correction_mm",
    "eto_method",
)
RUN_COLUMNS = ("zone", "start_utc", "end_utc", "seconds", "gross_mm", "litres", "cause", "metered_litres", "note")
ALARM_COLUMNS = ("time_utc", "kind", "zone", "detail")
PIPE_KINDS = frozenset(
    {
        "lateral_break",
        "high_flow",
        "low_flow",
        "no_flow",
        "idle_flow",
        "stuck_open",
        "main_break",
        "low_pressure",
        "no_supply",
        "meter_fault",
        "wrong_zone",
        "clock_jump",
    }
)
STRESS_SLACK_MM = 1e-6  # a depletion this far past RAW is rounding, not stress


@dataclass(frozen=True, slots=True)
class ReplayRecords:
    """The records of one replay, in order of time."""

    days: tuple[RecordDay, ...]
    runs: tuple[RecordRun, ...]
    alarms: tuple[RaiseAlarm, ...]


def records_of(store: MemoryStore, site: Site, first: date, last: date) -> ReplayRecords:
    """The records of the asked dates from a replay's store."""
    order = {zone.id: number for number, zone in enumerate(site.zones)}
    zone = ZoneInfo(site.timezone)
    days = [row for row in store.recorded(RecordDay) if first <= row.date <= last]
    runs = {row.run_id: row for row in store.recorded(RecordRun) if row.start.astimezone(zone).date() <= last}
    return ReplayRecords(
        days=tuple(sorted(days, key=lambda row: (row.date, order[row.zone]))),
        runs=tuple(sorted(runs.values(), key=lambda row: (row.start, order[row.zone]))),
        alarms=tuple(row for row in store.recorded(RaiseAlarm) if row.kind in PIPE_KINDS),
    )


def sensor_doubts(store: MemoryStore) -> list[dict[str, str]]:
    """Every sensor or source of rain that was not believed: when, which zone's ("" for the site's), and why.

    They are no faults of the pipes, so alarms.csv does not hold them.
    """
    raised = [row for row in store.recorded(RaiseAlarm) if row.kind == "sensor_doubt"]
    return [{"time_utc": _utc(row.at), "zone": row.zone or "", "detail": row.detail} for row in raised]


def write_results(folder: Path, records: ReplayRecords, summary: Mapping[str, Any]) -> None:
    """Write the four files of a replay. The folder is made when absent; files of an earlier replay are replaced."""
    folder.mkdir(parents=True, exist_ok=True)
    _write(folder / "days.csv", DAY_COLUMNS, (_day_row(row) for row in records.days))
    _write(folder / "runs.csv", RUN_COLUMNS, (_run_row(row) for row in records.runs))
    _write(folder / "alarms.csv", ALARM_COLUMNS, (_alarm_row(row) for row in records.alarms))
    (folder / "summary.json").write_text(json.dumps(summary, indent=2) + "\n", encoding="utf-8")


def zone_totals(site: Site, records: ReplayRecords) -> dict[str, dict[str, float | int]]:
    """Sums over the replay of each zone, and how well its ledger closes."""
    return {
        zone.id: {
            **_ledger_totals([row for row in records.days if row.zone == zone.id]),
            **_run_totals([row for row in records.runs if row.zone == zone.id]),
        }
        for zone in site.zones
    }


def _ledger_totals(rows: Sequence[RecordDay]) -> dict[str, float | int]:
    residual_mm, before_mm = 0.0, 0.0
    for row in rows:
        change_mm = row.etc_mm - row.effective_rain_mm - row.net_irrigation_mm + row.drainage_mm
        residual_mm = max(residual_mm, abs(row.depletion_mm - before_mm - change_mm))
        before_mm = row.depletion_mm
    sums = ("eto_mm", "etc_mm", "rain_mm", "effective_rain_mm", "net_irrigation_mm", "runoff_mm", "drainage_mm")
    return {
        **{name: round(sum(getattr(row, name) for row in rows), 3) for name in sums},
        "depletion_end_mm": round(before_mm, 3),
        "stress_days": sum(row.depletion_mm > row.raw_mm + STRESS_SLACK_MM for row in rows),
        "balance_residual_mm": round(residual_mm, 9),
    }


def _run_totals(rows: Sequence[RecordRun]) -> dict[str, float | int]:
    return {
        "openings": len(rows),
        "seconds": round(sum(row.seconds for row in rows), 3),
        "gross_mm": round(sum(row.gross_mm for row in rows), 3),
        "litres": round(sum(row.litres for row in rows), 1),
        "metered_litres": round(sum(row.metered_litres or 0.0 for row in rows), 1),
    }


def _write(path: Path, columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns)
        writer.writerows(rows)


def _day_row(row: RecordDay) -> list[Any]:
    return [_cell(getattr(row, name)) for name in DAY_COLUMNS]


def _run_row(row: RecordRun) -> list[Any]:
    metered = "" if row.metered_litres is None else f"{row.metered_litres:.3f}"
    times = [_utc(row.start), _utc(row.end)]
    return [
        row.zone,
        *times,
        f"{row.seconds:g}",
        f"{row.gross_mm:.4f}",
        f"{row.litres:.3f}",
        row.cause,
        metered,
        row.note,
    ]


def _alarm_row(row: RaiseAlarm) -> list[Any]:
    return [_utc(row.at), row.kind, row.zone or "", row.detail]


def _cell(value: Any) -> Any:
    if isinstance(value, float):
        return f"{value:.4f}"
    return value.isoformat() if isinstance(value, date) else value


def _utc(at: datetime) -> str:
    return at.astimezone(UTC).isoformat().replace("+00:00", "Z")
