"""Forecasts from the moment they are known to the futures of tonight's question.

The last forecast of every source is kept, with what it earned where a gauge could check it. A forecast is fresh, stale
(believed less) or expired (not used: the days ahead are then the record's). No forecast is never a dry one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import NamedTuple

import numpy as np

from dewpond.brain.local_time import LocalDays
from dewpond.brain.rules import forecast_trust
from dewpond.brain.rules.forecast_trust import FloatArray, Trust
from dewpond.model.copying import replace
from dewpond.model.events import ForecastDay, ForecastKnown, ReferenceEtKnown
from dewpond.model.reasons import Input
from dewpond.science import forecast_blend as fb
from dewpond.science.weather_futures import Futures

# Ages counted from the issue. Common practice, no source: models run a few times a day, some services issue once.
FRESH_S = 26 * 3600.0
EXPIRED_S = 48 * 3600.0
STALE_SHARE = 0.6  # of the usual weight
AHEAD_S = 3600.0  # an issue this far in the future is a wrong clock's
SPOKEN_DAYS = 3  # ahead, in the words of a reason
FRESH, STALE, EXPIRED = "fresh", "stale", "expired"


@dataclass(frozen=True, slots=True, kw_only=True)
class Promise:
    """What a source last said of one date at one lead day, until the day is measured."""

    date: date
    lead: int
    rain_mm: float | None
    rain_probability: float | None
    eto_mm: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One source: its last forecast, its open promises, and what it has earned."""

    last: ForecastKnown
    rain_promises: tuple[Promise, ...] = ()
    eto_promises: tuple[Promise, ...] = ()
    trust: Trust = field(default_factory=Trust)


Known = Mapping[str, Source]


class Chosen(NamedTuple):
    """The forecast that tonight uses, and how old it is."""

    source: Source
    age: str
    age_s: float


def lead_days(days: LocalDays, issued_s: float, day: date) -> int:
    """Lead day of a date: 1 when it begins within 24 h of the issue, or has begun."""
    return max(1, math.ceil((days.start_s(day) - issued_s) / 86400.0))


def learn(known: Known, event: ForecastKnown, days: LocalDays, now_s: float) -> Known:
    """Keep a forecast in place of the source's last. One from the future, or older than the last, is not taken up."""
    issued_s = event.issued_at.timestamp()
    before = known.get(event.source)
    if issued_s > now_s + AHEAD_S or (before is not None and event.issued_at < before.last.issued_at):
        return known
    fresh = {
        (day.date, lead): Promise(
            date=day.date,
            lead=lead,
            rain_mm=day.rain_mm,
            rain_probability=day.rain_probability,
            eto_mm=day.eto_mm,
        )
        for day in event.days
        if days.start_s(day.date) >= issued_s and (lead := lead_days(days, issued_s, day.date)) <= fb.LEADS
    }
    source = Source(last=event) if before is None else replace(before, last=event)
    source = replace(
        source,
        rain_promises=_with(source.rain_promises, fresh, days.date_at(now_s)),
        eto_promises=_with(source.eto_promises, fresh, days.date_at(now_s)),
    )
    return {**known, event.source: source}


def _with(promises: tuple[Promise, ...], fresh: dict[tuple[date, int], Promise], today: date) -> tuple[Promise, ...]:
    """The last word on each date and lead day; those that nobody measured for days are given up."""
    oldest = today - timedelta(days=3)
    kept = {(item.date, item.lead): item for item in promises if item.date >= oldest} | fresh
    return tuple(kept[key] for key in sorted(kept))


def check_rain(known: Known, day: date, rain_mm: float | None, told_by: str, record_rain_mm: FloatArray) -> Known:
    """Set what was said of a day beside what was measured. A source's own word on the past is no measurement."""
    if rain_mm is None:
        return known
    chance = forecast_trust.usual_chance(record_rain_mm)
    checked = dict(known)
    for name, source in known.items():
        said = [(p.lead, p.rain_mm, p.rain_probability) for p in source.rain_promises if p.date == day]
        known_said = [(lead, mm, chance_of) for lead, mm, chance_of in said if mm is not None]
        if not known_said or name in told_by:
            continue
        trust = forecast_trust.check_rain(source.trust, day, known_said, rain_mm, chance)
        checked[name] = replace(
            source, trust=trust, rain_promises=tuple(p for p in source.rain_promises if p.date != day)
        )
    return checked


def check_eto(known: Known, event: ReferenceEtKnown, usual_mm: float) -> Known:
    """The same for reference ET."""
    if event.eto_mm is None or not math.isfinite(event.eto_mm):
        return known
    checked = dict(known)
    for name, source in known.items():
        said = [(p.lead, p.eto_mm) for p in source.eto_promises if p.date == event.date and p.eto_mm is not None]
        if not said or name in event.method:
            continue
        trust = forecast_trust.check_eto(source.trust, said, event.eto_mm, usual_mm)
        checked[name] = replace(
            source, trust=trust, eto_promises=tuple(p for p in source.eto_promises if p.date != event.date)
        )
    return checked


def doubted(known: Known) -> list[tuple[str, str]]:
    """Sources that are hardly believed any more: name, and a sentence with the evidence."""
    found = []
    for name, source in sorted(known.items()):
        trust, why = source.trust, []
        if trust.checked_days and trust.rain_belief()[0] < forecast_trust.DOUBT_SHARE:
            why.append(f"{forecast_trust.evidence(trust)}; check the rain gauge")
        if trust.eto_checked_days and trust.eto_belief()[0] < forecast_trust.DOUBT_SHARE:
            why.append("its reference ET misses by more than the mean of the last days; check the weather station")
        if why:
            told = f"The forecast of {name} is hardly believed here: {', and '.join(why)} and the site's place."
            found.append((name, f"{told} Waterings count on the record instead."))
    return found


def choose(known: Known, now_s: float) -> Chosen | None:
    """The forecast to use now: the one believed most, of several the latest. None where none may be used."""
    usable = [_aged(source, now_s) for _, source in sorted(known.items())]
    usable = [chosen for chosen in usable if chosen.age != EXPIRED]
    return max(usable, key=lambda chosen: (_share(chosen), -chosen.age_s), default=None)


def _aged(source: Source, now_s: float) -> Chosen:
    age_s = max(0.0, now_s - source.last.issued_at.timestamp())
    age = FRESH if age_s <= FRESH_S else STALE if age_s <= EXPIRED_S else EXPIRED
    return Chosen(source, age, age_s)


def _share(chosen: Chosen) -> float:
    care = STALE_SHARE if chosen.age == STALE else 1.0
    return care * float(chosen.source.trust.rain_belief()[0])


def blend(
    drawn: Futures, chosen: Chosen | None, days: LocalDays, first: date, seed: int, *, rain_counts: bool
) -> Futures:
    """Futures from ``first`` on that follow the chosen forecast as far as it is believed.

    Without ``rain_counts`` no future brings rain: the site's ledger would never hear of it.
    """
    if chosen is None:
        return drawn
    outlook = _outlook(chosen, days, first, drawn.rain_mm.shape[1])
    if not rain_counts:
        outlook = outlook._replace(rain_weight=np.zeros_like(outlook.rain_weight))
    blended: Futures = fb.blend(drawn, outlook, seed=seed)
    return blended


def _outlook(chosen: Chosen, days: LocalDays, first: date, count: int) -> fb.Outlook:
    last, trust = chosen.source.last, chosen.source.trust
    by_date = {day.date: day for day in last.days}
    dates = [first + timedelta(days=ahead) for ahead in range(count)]
    words = [by_date.get(day, ForecastDay(date=day)) for day in dates]
    lead = np.array([lead_days(days, last.issued_at.timestamp(), day) for day in dates])
    place = np.minimum(lead, fb.LEADS) - 1
    care = (STALE_SHARE if chosen.age == STALE else 1.0) * (lead <= fb.LEADS)
    return fb.Outlook(
        rain_mm=_column([word.rain_mm for word in words]),
        rain_probability=_column([word.rain_probability for word in words]),
        eto_mm=_column([word.eto_mm for word in words]),
        rain_weight=care * (fb.RAIN_WEIGHT * trust.rain_belief())[place],
        eto_weight=care * (fb.ETO_WEIGHT * trust.eto_belief())[place],
        lead=lead,
    )


def _column(values: list[float | None]) -> FloatArray:
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)


def described(chosen: Chosen | None) -> str:
    """A clause on the source of the futures, after that of the record."""
    if chosen is None:
        return ""
    last = chosen.source.last
    return f"; the first days by the {chosen.age} forecast of {last.source} of {last.issued_at:%Y-%m-%d %H:%M} UTC"


def inputs(known: Known, days: LocalDays, now_s: float) -> tuple[Input, ...]:
    """Every source's last forecast as a fact of the decision: its age, its figures, and how far it is believed."""
    chosen = choose(known, now_s)
    return tuple(_input(_aged(source, now_s), chosen, days, now_s) for _, source in sorted(known.items()))


def _input(aged: Chosen, chosen: Chosen | None, days: LocalDays, now_s: float) -> Input:
    last = aged.source.last
    name = f"forecast of {last.issued_at:%Y-%m-%d %H:%M} UTC, {aged.age_s / 3600.0:.0f} h old"
    until = days.date_at(now_s) + timedelta(days=SPOKEN_DAYS)
    ahead = [day for day in last.days if days.date_at(now_s) < day.date <= until and day.rain_mm is not None]
    rain_mm = math.fsum(day.rain_mm or 0.0 for day in ahead) if ahead else None
    spoken = f"{rain_mm:.0f} mm by {ahead[-1].date:%A}" if ahead else "no word on the rain of the next days"
    if aged.age == EXPIRED:
        told = "expired, not used; the days ahead are drawn from the record alone"
    elif chosen is None or chosen.source.last.source != last.source:
        told = f"{aged.age}, another one is believed more"
    else:
        told = f"{aged.age}, {_share(aged):.0%} of the usual belief, {forecast_trust.evidence(aged.source.trust)}"
    kept = f", answer kept as {last.raw_ref}" if last.raw_ref else ""
    return Input(name=name, value=rain_mm, unit="mm", source=f"{last.source}: {spoken}; {told}{kept}", known_at=last.at)
