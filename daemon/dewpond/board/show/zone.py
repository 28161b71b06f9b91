"""The page of one zone: its soil, its weeks, why it was watered or left dry, what it was given."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from markupsafe import Markup

from dewpond.board.charts.root_water import WaterDay, root_water
from dewpond.board.charts.soil import CoreLabel, soil_core
from dewpond.board.show.now import VALVES, OpenEntry, decision_words, last_run_sentence, open_entry, water_sentence
from dewpond.board.words import Words, counted, day, known, night, span
from dewpond.model.commands import RecordDay, RecordRun
from dewpond.model.reasons import ZoneReason
from dewpond.model.us_units import MM_PER_IN
from dewpond.model.view import SiteView, ZoneView

WEEKS = 6
NIGHTS = 14


@dataclass(frozen=True, slots=True)
class ZoneRecords:
    """What the records hold of one zone; ``complete`` is False when they could not be read."""

    days: Sequence[RecordDay] = ()
    reasons: Sequence[ZoneReason] = ()
    runs: Sequence[RecordRun] = ()
    fault: str = ""


@dataclass(frozen=True, slots=True)
class InputRow:
    name: str
    value: str
    source: str
    known_at: str


@dataclass(frozen=True, slots=True)
class NightEntry:
    """One night's decision, with what it rested on."""

    night: str
    sign: str
    decision: str
    sentences: tuple[str, ...]
    inputs: tuple[InputRow, ...]
    summing_up: str


@dataclass(frozen=True, slots=True)
class DayRow:
    day: str
    missing: str
    rain: str
    irrigation: str
    demand: str
    reason: str


@dataclass(frozen=True, slots=True)
class RunRow:
    start: str
    length: str
    depth: str
    volume: str
    cause: str


@dataclass(frozen=True, slots=True)
class ZonePage:
    id: str
    name: str
    supply: str
    output: int
    sign: str
    state: str
    entry: OpenEntry | None
    held: str
    water: str
    last_run: str
    week: str
    core: Markup
    weeks: Markup
    tonight: NightEntry | None
    nights: tuple[NightEntry, ...]
    days: tuple[DayRow, ...]
    runs: tuple[RunRow, ...]
    fault: str


def today(view: SiteView) -> date:
    """The site's calendar day of the picture."""
    return Words.of(view).local(view.at).date()


def records_span(view: SiteView) -> tuple[date, date]:
    """First and last day of what the page shows."""
    last = today(view)
    return last - timedelta(weeks=WEEKS) + timedelta(days=1), last


def zone_page(view: SiteView, zone: ZoneView, records: ZoneRecords) -> ZonePage:
    """Everything the page says about one zone."""
    words = Words.of(view)
    sign, state = VALVES.get(zone.valve, VALVES["unknown"])
    nights = sorted(records.reasons, key=lambda reason: reason.window_date, reverse=True)[:NIGHTS]
    return ZonePage(
        id=zone.id,
        name=zone.name or zone.id,
        supply=zone.supply,
        output=zone.output,
        sign=sign,
        state=state,
        entry=open_entry(zone, view.at, words) if zone.valve not in ("closed", "unknown") else None,
        held=zone.held,
        water=water_sentence(zone, words),
        last_run=last_run_sentence(zone, words),
        week=f"{words.volume(zone.week_litres)} in 7 days." if zone.week_litres > 0 else "",
        core=_core(zone, words),
        weeks=_weeks(records.days, words),
        tonight=_night(zone.reason, words, view.at) if zone.reason else None,
        nights=tuple(_night(reason, words, view.at) for reason in nights),
        days=tuple(_day(row, words) for row in sorted(records.days, key=lambda row: row.date, reverse=True)),
        runs=tuple(_run(run, words, view.at) for run in sorted(records.runs, key=lambda run: run.start, reverse=True)),
        fault=records.fault,
    )


def _core(zone: ZoneView, words: Words) -> Markup:
    if not (known(zone.depletion_mm) and known(zone.taw_mm) and zone.taw_mm > 0):
        return Markup("")
    doubt = f", \N{PLUS-MINUS SIGN} {words.depth(zone.depletion_sd_mm)}" if zone.depletion_sd_mm >= 0.05 else ""
    labels = (
        CoreLabel(0.0, "Full", "field capacity"),
        CoreLabel(zone.depletion_mm, "Now", f"{words.depth(zone.depletion_mm)} missing{doubt}"),
        CoreLabel(zone.raw_mm, "Watering due", f"{words.depth(zone.raw_mm)} missing"),
        CoreLabel(zone.taw_mm, "Nothing left for roots", f"{words.depth(zone.taw_mm)}, wilting point"),
    )
    return soil_core(
        depletion_mm=zone.depletion_mm,
        sd_mm=zone.depletion_sd_mm,
        raw_mm=zone.raw_mm,
        taw_mm=zone.taw_mm,
        labels=labels,
        said=f"Soil core of {zone.name}: {water_sentence(zone, words)}.",
    )


def _weeks(days: Sequence[RecordDay], words: Words) -> Markup:
    """The believed water where sensors corrected the ledger, which is the same as the ledger where none do."""
    factor = 1 / MM_PER_IN if words.us else 1.0
    points = [
        WaterDay(
            date=row.date,
            missing=row.belief_mm * factor,
            sd=row.belief_sd_mm * factor,
            rain=row.rain_mm * factor,
            irrigation=row.net_irrigation_mm * factor,
            due=row.raw_mm * factor,
            store=row.taw_mm * factor,
            label=day(row.date)[4:] if row.date.weekday() == 0 else "",
        )
        for row in sorted(days, key=lambda row: row.date)
        if known(row.belief_mm) and known(row.taw_mm)
    ]
    said = (
        f"Root-zone water, rain and irrigation over {counted(len(points), 'day', 'days')}; figures in the table below."
    )
    return root_water(points, unit=words.depth_unit, said=said)


def _night(reason: ZoneReason, words: Words, at: datetime) -> NightEntry:
    sign, decision = decision_words(reason)
    inputs = tuple(
        InputRow(
            name=item.name,
            value=words.quantity(item.value, item.unit)
            if isinstance(item.value, int | float)
            else str(item.value or "not known"),
            source=words.said(item.source),
            known_at=words.when(item.known_at, at) if item.known_at else "",
        )
        for item in reason.inputs
    )
    rested = [f"Missing: {words.depth(reason.depletion_mm)} before, {words.depth(reason.depletion_after_mm)} after."]
    if reason.seconds > 0:
        gross, net = words.depth(reason.gross_mm), words.depth(reason.net_mm)
        rested.append(f"Given: {gross} in {span(reason.seconds)}, {net} of it for the roots.")
    rested.append(f"Rule: {reason.rule}.")
    return NightEntry(
        night(reason.window_date), sign, decision, tuple(map(words.said, reason.sentences())), inputs, " ".join(rested)
    )


def _day(row: RecordDay, words: Words) -> DayRow:
    return DayRow(
        day=day(row.date),
        missing=words.depth(row.belief_mm),
        rain=words.depth(row.rain_mm),
        irrigation=words.depth(row.net_irrigation_mm),
        demand=words.depth(row.etc_mm),
        reason=words.said(row.reason),
    )


def _run(run: RecordRun, words: Words, at: datetime) -> RunRow:
    measured = run.metered_litres
    volume = f"{words.volume(measured)} measured" if measured is not None else f"{words.volume(run.litres)} computed"
    return RunRow(
        words.when(run.start, at), span(run.seconds), words.depth(run.gross_mm), volume, words.said(run.cause)
    )
