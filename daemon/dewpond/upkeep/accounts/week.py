"""Why a zone was watered or left dry, night by night of one week: decision, numbers, what ran, what came of it."""

from __future__ import annotations

import math
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from dewpond.model.site import Site, Zone
from dewpond.upkeep.accounts.records import Records, days_of
from dewpond.upkeep.accounts.volumes import litres_of, metered_supplies
from dewpond.upkeep.rule_log import Span

Plain = dict[str, Any]
DAYS = 7


def week_of(day: date, zone: ZoneInfo) -> Span:
    """The seven dates that end with ``day``."""
    return Span(day - timedelta(days=DAYS - 1), day, zone)


def week_told(site: Site, zone: Zone, records: Records) -> Plain:
    """A page's worth of one zone and span, as plain JSON. A night is named by the date its window opens.

    A run that began before noon belongs to the night before, as its decision does.
    """
    nights = [_night(site, zone, day, records) for day in days_of(records.span)]
    known = [night for night in nights if night["decision"]]
    return {
        "site": site.name,
        "units": site.units,
        "zone": zone.id,
        "name": zone.name,
        "first": records.span.first.isoformat(),
        "last": records.span.last.isoformat(),
        "timezone": site.timezone,
        "raw_mm": zone.raw_mm,
        "area_m2": zone.area_m2,
        "litres": sum(night["litres"] for night in nights),
        "watered": sum(night["decision"] == "water" for night in known),
        "left_dry": sum(night["decision"] == "left dry" for night in known),
        "held": sum(night["decision"] in ("held", "not allowed") for night in known),
        "nights": nights,
    }


def _night(site: Site, zone: Zone, day: date, records: Records) -> Plain:
    reason = next((one for one in records.reasons if one.zone == zone.id and one.window_date == day), None)
    ledger = next((row for row in records.days if row.zone == zone.id and row.date == day), None)
    metered = zone.supply in metered_supplies(site)
    runs = [run for run in records.runs if run.zone == zone.id and night_of(run.start, records.span.zone) == day]
    return {
        "date": day.isoformat(),
        "decision": reason.decision if reason else "",
        "sentences": list(reason.sentences()) if reason else [],
        "inputs": [
            {"name": one.name, "value": one.value, "unit": one.unit, "source": one.source} for one in reason.inputs
        ]
        if reason
        else [],
        "depletion_mm": _known(reason.depletion_mm) if reason else None,
        "depletion_sd_mm": _known(reason.depletion_sd_mm) if reason else None,
        "raw_mm": _known(reason.raw_mm) if reason else None,
        "net_mm": _known(reason.net_mm) if reason else None,
        "etc_mm": _known(ledger.etc_mm) if ledger else None,
        "rain_mm": _known(ledger.rain_mm) if ledger else None,
        "effective_rain_mm": _known(ledger.effective_rain_mm) if ledger else None,
        "litres": sum(litres_of(run, metered=metered).total_l for run in runs),
        "minutes": sum(run.seconds for run in runs) / 60.0,
        "runs": [
            {
                "start": records.span.local(run.start),
                "minutes": run.seconds / 60.0,
                "litres": litres_of(run, metered=metered).total_l,
                "cause": run.cause,
                "note": run.note,
            }
            for run in runs
        ],
    }


def night_of(start: datetime, zone: ZoneInfo) -> date:
    """The date whose night an opening belongs to: before noon it is the night before."""
    local = start.astimezone(zone)
    return local.date() - timedelta(days=1) if local.hour < 12 else local.date()


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None
