"""What the soil holds: the daily ledger of every zone, closed one calendar date at a time.

A date is closed once it is over by the site's clock and its weather is known, or is overdue and has been assumed.
Rain is booked at the end of its date, after that day's ET: 80 % of it, no more than the storage then left.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np

from dewpond.brain import rain_split, top_soil
from dewpond.brain.local_time import EPOCH, LocalDays
from dewpond.brain.rain_split import RainParts
from dewpond.brain.state import Booking, EtoFact, SoilState
from dewpond.brain.zone_table import FloatArray, ZoneTable
from dewpond.model.commands import RecordDay
from dewpond.model.copying import replace
from dewpond.model.site import Zone
from dewpond.science.application import surface_store_after
from dewpond.science.rainfall import effective_rain
from dewpond.science.soil_water import stress_coefficient

RECENT_DAYS = 7  # days of known ETo that stand for an unknown one
PAST_DAYS_KEPT = 3  # closed dates whose weather stays in the state, for screens and late corrections
RECORD_DAYS = 1100  # measured days kept for the weather to expect: three years
STRESS_HALF_LIFE_DAYS = 240.0  # how long a zone's day of stress keeps its decisions more careful
STRESS_SLACK_MM = 1e-6  # a depletion this far past RAW is rounding, not stress
OVERDUE_S = 30 * 3600.0  # a date whose weather is still unknown this long after its end is closed on an assumption


@dataclass(frozen=True, slots=True)
class DayAmounts:
    """One date's amounts, per zone, in mm; ``depletion_mm`` is at the end of the span."""

    etc_mm: FloatArray
    effective_rain_mm: FloatArray
    net_mm: FloatArray
    runoff_mm: FloatArray
    drainage_mm: FloatArray
    depletion_mm: FloatArray
    raw_mm: FloatArray
    layer_mm: FloatArray  # depletion of the evaporating layer
    rain: RainParts | None = None  # where rain is split


def first_soil(table: ZoneTable, day: date, depletion_share_of_raw: float) -> SoilState:
    """The ledger before its first date: each zone this share of RAW below field capacity."""
    zones = len(table.ids)
    return SoilState(
        zone_ids=table.ids,
        day=day,
        ended=None,
        depletion_mm=table.raw_on(day) * depletion_share_of_raw,
        surface_mm=np.zeros(zones),
        surface_at_s=np.zeros(zones),
    )


def advance_day(
    table: ZoneTable,
    day: date,
    depletion_mm: FloatArray,
    bookings: tuple[Booking, ...],
    eto_mm: float,
    rain_mm: float,
    share_of_day: float = 1.0,
    use: FloatArray | float = 1.0,
    *,
    layer_mm: FloatArray | None = None,
    hourly_mm: Sequence[float] | None = None,
) -> DayAmounts:
    """One date's balance from its evening before: ET and water in the order of the day, rain last.

    FAO-56 eq. 85-88 with the deep percolation of each wetting booked as drainage. ``share_of_day`` below 1 stops
    part way through the day's ET (half-sine), for an estimate of the present; ``use`` is true over tabulated water use.

    Where new plants root, TAW and RAW are those of the date. Depletion in mm stays what it was while roots grow: the
    soil they grow into is taken to be at field capacity, as it was wetted before them, so it adds storage that is full
    (FAO-56 ch. 8, eq. 82 and 85; the assumption is common practice for irrigated ground).

    ``layer_mm`` is the evaporating layer of beds with bare soil the evening before, ``hourly_mm`` the day's rain by
    the hour, used where rain is split.
    """
    unstressed_mm = eto_mm * table.coefficients(day) * use
    irrigated_mm = _irrigated_mm(table, bookings)
    evaporated_mm, layer_mm = top_soil.evaporation(table, day, top_soil.fitting(table, layer_mm), irrigated_mm, eto_mm)
    raw_mm, taw_mm = table.readily_available_mm(unstressed_mm + evaporated_mm, day), table.taw_on(day)
    share_p = raw_mm / taw_mm
    depletion = depletion_mm.copy()
    etc, net, runoff, drainage, done = np.zeros((5, len(depletion)))
    for booking in sorted(bookings, key=lambda item: item.et_share):
        z = booking.zone
        share = min(booking.et_share, share_of_day)
        part = max(0.0, share - done[z])
        et_mm = _actual_et(unstressed_mm[z] * part, depletion[z], taw_mm[z], share_p[z], evaporated_mm[z] * part)
        left = depletion[z] + et_mm - booking.net_mm
        etc[z] += et_mm
        net[z] += booking.net_mm
        runoff[z] += booking.runoff_mm
        drainage[z] += max(0.0, -left)
        depletion[z] = max(0.0, left)
        done[z] = max(done[z], share)
    left_share = share_of_day - done
    rest = _actual_et(unstressed_mm * left_share, depletion, taw_mm, share_p, evaporated_mm * left_share)
    depletion = depletion + rest
    parts = rain_split.split(table, rain_mm, hourly_mm, depletion) if table.splits_rain else None
    rained = effective_rain(rain_mm * table.rain_share, depletion) if parts is None else parts.kept_mm
    layer_mm = np.maximum(layer_mm - rain_mm, 0.0)
    return DayAmounts(etc + rest, rained, net, runoff, drainage, depletion - rained, raw_mm, layer_mm, parts)


def _irrigated_mm(table: ZoneTable, bookings: tuple[Booking, ...]) -> FloatArray:
    """Net irrigation of a date by zone. [mm]"""
    found = np.zeros(len(table.ids))
    for booking in bookings:
        found[booking.zone] += booking.net_mm
    return found


def _actual_et(unstressed_mm: Any, depletion_mm: Any, taw_mm: Any, share_p: Any, evaporation_mm: Any = 0.0) -> Any:
    """(Ks Kcb + Ke) ETo of a step (FAO-56 eq. 80), never more than the roots still hold. [mm]"""
    wanted = unstressed_mm * stress_coefficient(depletion_mm, taw_mm, share_p) + evaporation_mm
    return np.maximum(np.minimum(wanted, taw_mm - depletion_mm), 0.0)


def learn_eto(soil: SoilState, day: date, fact: EtoFact | None, assumed: EtoFact) -> SoilState:
    """Take up a day's reference ET. Without a value the assumption stands, and says so in its method."""
    if soil.day is None or day < soil.day - timedelta(days=PAST_DAYS_KEPT):
        return soil
    recent = soil.recent_eto_mm
    if fact is not None:
        recent = (*recent, fact.eto_mm)[-RECENT_DAYS:]
    return replace(soil, eto={**soil.eto, day: fact or assumed}, recent_eto_mm=recent)


def learn_rain(
    soil: SoilState, day: date, rain_mm: float | None, hourly_mm: tuple[float, ...] | None = None
) -> SoilState:
    """Take up a day's rain. A missing measurement counts as no rain, and is remembered as missing."""
    if soil.day is None or day < soil.day:
        return soil
    if hourly_mm is not None:
        soil = replace(soil, rain_hours={**soil.rain_hours, day: hourly_mm})
    missing = soil.rain_missing | {day} if rain_mm is None else soil.rain_missing - {day}
    return replace(soil, rain={**soil.rain, day: max(0.0, rain_mm or 0.0)}, rain_missing=missing)


def book_opening(
    soil: SoilState,
    table: ZoneTable,
    zone: Zone,
    days: LocalDays,
    start_s: float,
    open_s: float,
    why: str = "",
    metered_share: float | None = None,
) -> tuple[SoilState, float]:
    """Book the water of one finished opening, split at local midnight; returns the state and its gross depth in mm."""
    z = table.index[zone.id]
    stood_mm = float(soil.surface_mm[z])
    gap_s = max(0.0, start_s - float(soil.surface_at_s[z]))
    stood_mm, _ = surface_store_after(stood_mm, 0.0, zone.intake_mm_h, zone.surface_storage_mm, 0.0, gap_s)
    bookings = list(soil.bookings)
    for part_start_s, part_s in days.parts_by_date(start_s, open_s):
        stood_mm, runoff_mm = surface_store_after(
            stood_mm, zone.application_rate_mm_h, zone.intake_mm_h, zone.surface_storage_mm, part_s, 0.0
        )
        gross_mm = zone.application_rate_mm_h * part_s / 3600.0
        day = days.date_at(part_start_s)
        bookings.append(
            Booking(
                zone=z,
                date=day,
                et_share=days.et_share(part_start_s),
                net_mm=float((gross_mm - runoff_mm) * zone.efficiency),
                runoff_mm=float(runoff_mm),
                why=why,
                metered_share=metered_share,
            )
        )
    surface_mm, surface_at_s = soil.surface_mm.copy(), soil.surface_at_s.copy()
    surface_mm[z], surface_at_s[z] = stood_mm, start_s + open_s
    state = replace(soil, bookings=tuple(bookings), surface_mm=surface_mm, surface_at_s=surface_at_s)
    return state, zone.application_rate_mm_h * open_s / 3600.0


def depletion_at(
    soil: SoilState,
    table: ZoneTable,
    days: LocalDays,
    at_s: float,
    expected_eto_mm: float,
    use: FloatArray | float = 1.0,
) -> FloatArray:
    """Depletion of every zone at a moment, known days by what is known and the rest by the expected ETo. [mm]"""
    if soil.day is None:
        return soil.depletion_mm
    depletion, layer_mm = soil.depletion_mm, soil.layer_mm
    last = days.date_at(at_s)
    day = soil.day
    while day <= last:
        fact = soil.eto.get(day)
        share = days.et_share(at_s) if day == last else 1.0
        bookings = tuple(item for item in soil.bookings if item.date == day)
        eto_mm = fact.eto_mm if fact else expected_eto_mm
        rain_mm = soil.rain.get(day, 0.0) if day < last or share >= 1.0 else 0.0
        hourly_mm = soil.rain_hours.get(day)
        amounts = advance_day(
            table, day, depletion, bookings, eto_mm, rain_mm, share, use, layer_mm=layer_mm, hourly_mm=hourly_mm
        )
        depletion, layer_mm = amounts.depletion_mm, amounts.layer_mm
        day += timedelta(days=1)
    return depletion


def may_close(soil: SoilState) -> bool:
    """Whether a date is over that is still open."""
    return soil.day is not None and soil.ended is not None and soil.day <= soil.ended


def closable(soil: SoilState, days: LocalDays, now_s: float, assumed: EtoFact) -> tuple[SoilState, date] | None:
    """The next date that can be closed now, its weather known or overdue; None while it must stay open."""
    day = soil.day
    if day is None or not may_close(soil):
        return None
    if day not in soil.eto or day not in soil.rain:
        if now_s < days.end_s(day) + OVERDUE_S:
            return None
        soil = soil if day in soil.eto else learn_eto(soil, day, None, assumed)
        soil = soil if day in soil.rain else learn_rain(soil, day, None)
    return soil, day


def close_day(
    soil: SoilState, table: ZoneTable, day: date, reasons: tuple[str, ...]
) -> tuple[SoilState, list[RecordDay]]:
    """Close one date: its ledger rows, and the state with the next date open."""
    fact, rain_mm = soil.eto[day], soil.rain[day]
    today = tuple(item for item in soil.bookings if item.date == day)
    amounts = advance_day(
        table,
        day,
        soil.depletion_mm,
        today,
        fact.eto_mm,
        rain_mm,
        layer_mm=soil.layer_mm,
        hourly_mm=soil.rain_hours.get(day),
    )
    unmeasured = day in soil.rain_missing
    whys = [_why(reasons[z] if reasons else "", today, z, unmeasured) for z in range(len(table.ids))]
    if amounts.rain is not None:
        whys = [f"{why} {amounts.rain.said(z, rain_mm)}".strip() for z, why in enumerate(whys)]
    rows = [_day_row(table, z, day, fact, rain_mm, amounts, why) for z, why in enumerate(whys)]
    kept_from = day - timedelta(days=PAST_DAYS_KEPT)
    state = replace(
        soil,
        day=day + timedelta(days=1),
        depletion_mm=amounts.depletion_mm,
        bookings=tuple(item for item in soil.bookings if item.date > day),
        eto={known: value for known, value in soil.eto.items() if known >= kept_from},
        rain={known: value for known, value in soil.rain.items() if known >= kept_from},
        rain_missing=frozenset(known for known in soil.rain_missing if known >= kept_from),
        rain_hours={known: hours for known, hours in soil.rain_hours.items() if known >= kept_from},
        layer_mm=amounts.layer_mm,
        stress_memory=stress_memory(soil, table, amounts.depletion_mm, amounts.raw_mm, day),
    )
    return _record(state, day, fact, rain_mm, day not in soil.rain_missing), rows


def stress_memory(
    soil: SoilState, table: ZoneTable, depletion_mm: FloatArray, raw_mm: FloatArray, day: date
) -> dict[str, float]:
    """Every zone's past days of stress, faded by one day, with today's; plants that still root teach nothing."""
    fade = 0.5 ** (1.0 / STRESS_HALF_LIFE_DAYS)
    memory = {zone: fade * past for zone, past in soil.stress_memory.items() if past > 0.01}
    rooted = table.root_share(day) >= 1.0
    for z in np.flatnonzero((depletion_mm > raw_mm + STRESS_SLACK_MM) & rooted):
        memory[table.ids[z]] = memory.get(table.ids[z], 0.0) + 1.0
    return memory


def _record(soil: SoilState, day: date, fact: EtoFact, rain_mm: float, measured: bool) -> SoilState:
    """The state with a closed day added to what is known of this place; a day whose ETo was assumed teaches nothing."""
    if fact.method.startswith("assumed"):
        return soil
    return replace(
        soil,
        record_day=np.append(soil.record_day, float((day - EPOCH).days))[-RECORD_DAYS:],
        record_eto_mm=np.append(soil.record_eto_mm, fact.eto_mm)[-RECORD_DAYS:],
        record_rain_mm=np.append(soil.record_rain_mm, rain_mm)[-RECORD_DAYS:],
        rain_days=soil.rain_days + int(measured),
    )


def _why(decided: str, today: tuple[Booking, ...], z: int, unmeasured: bool) -> str:
    """A date's reason: that of the water which ran on it, else of the night that ended on it."""
    ran = dict.fromkeys(booking.why for booking in today if booking.zone == z and booking.why)
    if ran:
        text = " ".join(ran)
    elif decided.startswith("Gets"):
        text = f"Nothing ran on this date itself; decided for the night that ended on it: {decided}"
    else:
        text = decided or "No decision yet: the first window is still to come."
    return f"{text} Rain of this date was not measured and counts as none." if unmeasured else text


def _day_row(
    table: ZoneTable, z: int, day: date, fact: EtoFact, rain_mm: float, amounts: DayAmounts, reason: str
) -> RecordDay:
    depletion_mm = float(amounts.depletion_mm[z])
    return RecordDay(
        date=day,
        zone=table.ids[z],
        eto_mm=fact.eto_mm,
        etc_mm=float(amounts.etc_mm[z]),
        rain_mm=rain_mm,
        effective_rain_mm=float(amounts.effective_rain_mm[z]),
        net_irrigation_mm=float(amounts.net_mm[z]),
        runoff_mm=float(amounts.runoff_mm[z]),
        drainage_mm=float(amounts.drainage_mm[z]),
        depletion_mm=depletion_mm,
        taw_mm=float(table.taw_on(day)[z]),
        raw_mm=float(amounts.raw_mm[z]),
        reason=reason,
        belief_mm=depletion_mm,
        belief_sd_mm=0.0,
        correction_mm=0.0,
        eto_method=fact.method,
    )
