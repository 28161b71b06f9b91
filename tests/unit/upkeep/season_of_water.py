"""A season of an invented site's records, made in a moment: a simple ledger waters, its meter counts, a pipe breaks."""

from __future__ import annotations

import math
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from dewpond.model.commands import RecordDay, RecordRun
from dewpond.model.reasons import Input, ZoneReason
from dewpond.upkeep.accounts.records import Fault, Records, months_of
from dewpond.upkeep.rule_log import Span

METER_SHARE = 1.03  # what the meter counts over the computed litres
BREAK_L = 640.0


def eto_mm(day: date) -> float:
    """A temperate year: 1.3 mm in winter, 5.9 mm at midsummer."""
    return 3.6 - 2.3 * math.cos(2 * math.pi * (day.timetuple().tm_yday - 15) / 365.25) + 0.4 * math.sin(day.day)


def rain_mm(day: date) -> float:
    """A shower every sixth day, larger every eighteenth."""
    place = day.toordinal() % 18
    return {0: 16.0, 6: 3.2, 12: 7.5}.get(place, 0.0)


def season(site, first=date(2027, 4, 1), last=date(2027, 6, 30), *, thirst=1.0, rules=None):
    """Records of every zone from full soil on: watered to full in the night before more than RAW would be missing.

    ``thirst`` multiplies the plants' use. Runs begin at 02:00 site time; one supply, whose meter counts 3 % more.
    """
    place = ZoneInfo(site.timezone)
    span = Span(first, last, place)
    found = {"days": [], "runs": [], "reasons": []}
    for zone in site.zones:
        missing_mm, asked_mm = 0.0, 0.0
        for number in range((last - first).days + 1):
            day = first + timedelta(days=number)
            given_mm, runoff_mm = asked_mm, 0.0
            if given_mm:
                found["runs"].append(_run(site, zone, day, given_mm, place))
            etc_mm = eto_mm(day) * zone.crop_coefficient[day.month - 1] * thirst
            kept_mm = min(0.8 * rain_mm(day), missing_mm + etc_mm)
            missing_mm = max(0.0, missing_mm + etc_mm - kept_mm - given_mm)
            found["days"].append(_day(zone, day, etc_mm, kept_mm, given_mm, runoff_mm, missing_mm))
            due = missing_mm + etc_mm > zone.raw_mm
            asked_mm = missing_mm if due else 0.0
            found["reasons"].append(_reason(zone, day, missing_mm, asked_mm, place))
    runs = sorted(found["runs"], key=lambda run: run.start)
    break_at = datetime.combine(first + timedelta(days=40), datetime.min.time(), place) + timedelta(hours=3)
    faults = [] if not span.has(break_at) else [_broken(site.zones[0], break_at)]
    counted = {
        (site.supplies[0].id, month): sum(run.metered_litres or 0.0 for run in runs if part.has(run.start))
        + (BREAK_L if part.has(break_at) else 0.0)
        for month, part in months_of(span)
    }
    logged = {"runs": [{"run_id": run.run_id, "exemptions": [], "against": [], "in_force": []} for run in runs]}
    return Records(
        span=span,
        days=found["days"],
        runs=runs,
        faults=faults,
        reasons=found["reasons"],
        counted_l=counted,
        rules={"in_file": ["window 21:00 to 06:00; any day"], **logged, **(rules or {})},
    )


def cut(records: Records, span: Span) -> Records:
    """The records of a shorter span, as a store would give them; nothing outside of what was recorded."""
    counted = {}
    for month, part in months_of(span):
        inside = [run for run in records.runs if part.has(run.start)]
        extra = sum(fault.lost_l or 0.0 for fault in records.faults if part.has(fault.at))
        for supply in {supply for supply, _ in records.counted_l}:
            if inside:
                counted[supply, month] = sum(run.metered_litres or 0.0 for run in inside) + extra
    return Records(
        span=span,
        days=[row for row in records.days if span.first <= row.date <= span.last],
        runs=[run for run in records.runs if span.has(run.start)],
        faults=[fault for fault in records.faults if span.has(fault.at)],
        reasons=[one for one in records.reasons if span.first <= one.window_date <= span.last],
        counted_l=counted,
        rules={**records.rules, "runs": [run for run in records.rules["runs"] if span.has(_began(run, span))]},
    )


def _began(logged, span):
    return datetime.combine(date.fromisoformat(logged["run_id"][:10]), datetime.min.time(), span.zone)


def _run(site, zone, day, net_mm, place):
    gross_mm = net_mm / zone.efficiency
    seconds = gross_mm / zone.application_rate_mm_h * 3600.0
    start = datetime.combine(day, datetime.min.time(), place) + timedelta(hours=2)
    litres = gross_mm * zone.area_m2
    metered = litres * METER_SHARE if site.supply(zone.supply).meter else None
    return RecordRun(
        run_id=f"{day}/{zone.id}/refill/1",
        zone=zone.id,
        start=start,
        end=start + timedelta(seconds=seconds),
        seconds=seconds,
        gross_mm=gross_mm,
        litres=litres,
        cause="refill",
        metered_litres=metered,
    )


def _day(zone, day, etc_mm, kept_mm, given_mm, runoff_mm, missing_mm):
    return RecordDay(
        date=day,
        zone=zone.id,
        eto_mm=eto_mm(day),
        etc_mm=etc_mm,
        rain_mm=rain_mm(day),
        effective_rain_mm=kept_mm,
        net_irrigation_mm=given_mm,
        runoff_mm=runoff_mm,
        drainage_mm=0.0,
        depletion_mm=missing_mm,
        taw_mm=zone.taw_mm,
        raw_mm=zone.raw_mm,
        reason="ledger",
        belief_mm=missing_mm,
        belief_sd_mm=0.8,
        correction_mm=0.0,
        eto_method="invented",
    )


def _reason(zone, day, missing_mm, asked_mm, place):
    words = (
        f"Gets {asked_mm:.1f} mm: {missing_mm:.1f} mm are missing, and tomorrow would pass the {zone.raw_mm:.1f} mm "
        "roots take easily."
        if asked_mm
        else f"Left dry: {missing_mm:.1f} mm are missing; roots take {zone.raw_mm:.1f} mm easily, so it can wait."
    )
    return ZoneReason(
        zone=zone.id,
        window_date=day,
        decided_at=datetime.combine(day, datetime.min.time(), place) + timedelta(hours=20),
        decision="water" if asked_mm else "left dry",
        rule="refill",
        summary=words,
        depletion_mm=missing_mm,
        depletion_sd_mm=0.8,
        depletion_after_mm=missing_mm - asked_mm,
        raw_mm=zone.raw_mm,
        taw_mm=zone.taw_mm,
        net_mm=asked_mm,
        gross_mm=asked_mm / zone.efficiency,
        seconds=asked_mm / zone.efficiency / zone.application_rate_mm_h * 3600.0,
        inputs=(Input(name="rain", value=rain_mm(day), unit="mm", source="gauge"),),
        would_change="" if asked_mm else "Three more dry days would have it watered.",
    )


def _broken(zone, at):
    return Fault(
        at=at,
        kind="lateral_break",
        zone=zone.id,
        supply=zone.supply,
        detail=f"{zone.name} takes twice its usual water: 74 L/min, usually 36 L/min. Look for a broken pipe or head.",
        lost_l=BREAK_L,
        cleared_at=at + timedelta(hours=31),
    )
