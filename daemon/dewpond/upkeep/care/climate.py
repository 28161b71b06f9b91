"""When frost ends and comes at a place: by a person's word, by measured lows, or assumed from latitude and height.

A year's halves meet at midsummer (1 July in the north, 1 January in the south). The last frost is the latest day at or
below 0 degC of a half before it, the first frost the earliest of a half after it; of all halves on record the later
last frost and the earlier first frost are taken, so that few years err to the safe side. A half counts only where nine
days in ten were measured.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo
from typing import Any

from dewpond.model.site import Site
from dewpond.upkeep.refusal import Refused

FROST_C = 0.0
HALF_DAYS = 182
MEASURED_SHARE = 0.9
# A. D. Hopkins, The bioclimatic law, Monthly Weather Review 1920: 4 days a degree of latitude and 400 ft (from memory).
DAYS_A_DEGREE, DAYS_A_M = 4.0, 4.0 / 122.0
ANCHOR_DEG, ANCHOR_M, ANCHOR_LAST, ANCHOR_FIRST = 40.0, 300.0, -67, 106  # 25 April and 15 October, from memory
MOST_SHIFT_DAYS = 45.0
FROST_FREE_DAYS = 330  # an assumed season as long as this counts as free of frost
ASSUMED = (
    "assumed from latitude and height: 4 days for each degree and each 122 m (Hopkins 1920, from memory) from 25 April "
    "and 15 October at 40 degrees and 300 m (from memory); a place may lie a month off, so enter its own dates"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Climate:
    """Days from midsummer to the last frost before it (negative) and the first after it; None where there is none."""

    south: bool
    last: int | None
    first: int | None
    source: str

    def season(self, year: int) -> Season:
        """The season around the midsummer of a year. A place without frost has one from midwinter to midwinter."""
        middle = midsummer(year, south=self.south)
        begins = middle + timedelta(days=-HALF_DAYS if self.last is None else self.last)
        ends = middle + timedelta(days=HALF_DAYS if self.first is None else self.first)
        return Season(begins=begins, ends=ends)


@dataclass(frozen=True, slots=True)
class Season:
    """From the last frost to the first one."""

    begins: date
    ends: date

    @property
    def middle(self) -> date:
        """Half way."""
        return self.begins + (self.ends - self.begins) / 2


def midsummer(year: int, *, south: bool) -> date:
    """Where the halves of a year meet."""
    return date(year, 1, 1) if south else date(year, 7, 1)


def assumed(site: Site) -> Climate:
    """The frost dates of a place of which nothing is known; they say so."""
    beyond = DAYS_A_DEGREE * (abs(site.latitude_deg) - ANCHOR_DEG) + DAYS_A_M * (site.elevation_m - ANCHOR_M)
    shift = round(min(beyond, MOST_SHIFT_DAYS))
    last, first = ANCHOR_LAST + shift, ANCHOR_FIRST - shift
    free = first - last >= FROST_FREE_DAYS
    return Climate(
        south=site.latitude_deg < 0.0, last=None if free else last, first=None if free else first, source=ASSUMED
    )


def of_lows(days: Sequence[date], lows_c: Sequence[float], *, south: bool, told: str) -> Climate:
    """Frost dates by the lowest temperature of each day [degC]. Raises Refused where no half-year is measured."""
    low = {day: value for day, value in zip(days, lows_c, strict=True) if math.isfinite(value)}
    years = range(min(low).year - 1, max(low).year + 2) if low else range(0)
    before = [half for year in years if (half := _half(low, midsummer(year, south=south), -1)) is not None]
    after = [half for year in years if (half := _half(low, midsummer(year, south=south), 1)) is not None]
    if not before or not after:
        raise Refused(
            f"frost dates: {told} has {len(low)} days of lows, and no half-year before and after midsummer of which "
            "nine days in ten were measured; enter the dates by hand"
        )
    lasts, firsts = [day for half in before for day in half], [day for half in after for day in half]
    source = (
        f"latest and earliest day at or below 0 degC of {told}, springs: {len(before)}, autumns: {len(after)}, "
        f"{min(low)} to {max(low)}"
    )
    return Climate(south=south, last=max(lasts, default=None), first=min(firsts, default=None), source=source)


def daily_lows(time_s: Sequence[float], value_c: Sequence[float], zone: tzinfo) -> list[tuple[date, float]]:
    """Days of the place with their lowest reading [degC], of those that have readings in nine hours of ten."""
    lows: dict[date, float] = {}
    hours: dict[date, set[int]] = {}
    for at_s, low_c in zip(time_s, value_c, strict=True):
        local = datetime.fromtimestamp(at_s, zone)
        lows[local.date()] = min(low_c, lows.get(local.date(), low_c))
        hours.setdefault(local.date(), set()).add(local.hour)
    return [(day, low_c) for day, low_c in sorted(lows.items()) if len(hours[day]) >= MEASURED_SHARE * 24]


def _half(low: Mapping[date, float], middle: date, way: int) -> list[int] | None:
    """Days from midsummer of each frost in the half before (-1) or after it; None where too little was measured."""
    offsets = range(0, -HALF_DAYS, -1) if way < 0 else range(1, HALF_DAYS + 1)
    known = [(number, low[day]) for number in offsets if (day := middle + timedelta(days=number)) in low]
    if len(known) < MEASURED_SHARE * HALF_DAYS:
        return None
    return [number for number, value in known if value <= FROST_C]


def of_person(form: Mapping[str, Any], *, south: bool) -> Climate:
    """Frost dates as a person knows them, MM-DD or "none". Raises Refused."""
    last, first = (_offset(form[name], name, south=south) for name in ("last_frost", "first_frost"))
    if (last is None) != (first is None):
        raise Refused("frost dates: one is given and the other none; give both, or none for both")
    if last is not None and (last > 0 or last < -HALF_DAYS):
        raise Refused(f"last_frost {form['last_frost']}: it is not in the half-year before midsummer; swap the two?")
    if first is not None and first <= 0:
        raise Refused(f"first_frost {form['first_frost']}: it is not in the half-year after midsummer; swap the two?")
    return Climate(south=south, last=last, first=first, source=form.get("source") or "entered by hand")


def _offset(text: str, name: str, *, south: bool) -> int | None:
    """Days from midsummer to a day of the year, the nearer way; None for "none"."""
    if text.strip().lower() == "none":
        return None
    try:
        day = date.fromisoformat(f"2027-{text.strip()}")
    except ValueError:
        raise Refused(f"{name}: {text[:20]!r} is no day of the year; write it as MM-DD, or none") from None
    offset = (day - midsummer(2027, south=south)).days
    return offset - 365 if offset > HALF_DAYS + 1 else offset


def body_of(climate: Climate) -> dict[str, Any]:
    """As it is kept."""
    return {"last": climate.last, "first": climate.first, "source": climate.source}


def shown(climate: Climate, year: int) -> dict[str, Any]:
    """As it is told, with the dates of one season."""
    season = climate.season(year)
    return {
        "last_frost": None if climate.last is None else f"{season.begins:%m-%d}",
        "first_frost": None if climate.first is None else f"{season.ends:%m-%d}",
        "source": climate.source,
    }
