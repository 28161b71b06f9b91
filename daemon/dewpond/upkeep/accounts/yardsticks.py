"""What the litres are held against: the plants' need, the water allowance, a timer never changed, and last year.

A saving is a difference between what was used and what a stated other way would have used. It is never measured, so
each comes with its method, an uncertainty, and the word whether the difference is larger than that.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dewpond.model.commands import RecordDay
from dewpond.model.site import Site
from dewpond.science.accounts import maximum_applied_water_allowance
from dewpond.upkeep.accounts.volumes import Litres

PEAK_DAYS = 30  # a plain timer is set for the hottest month (common practice, no source)
FEWEST_DAYS = 10  # with fewer days of record there is no peak to set a timer by
NEED_DOUBT = 0.15  # of reference ET x coefficient over efficiency (our assumption, no source)
COVERAGE = 2.0  # standard uncertainties that a difference must pass (about 95 %, JCGM 100:2008, 6.2)
# California's Model Water Efficient Landscape Ordinance, 23 CCR 491: 0.55 for homes (worksheet of a 2021 project).
HOME_FACTOR = 0.55

TIMER_METHOD = (
    "A plain timer, set once for the {days} days of highest plant use on record up to the end of this report, "
    "at this site's own efficiencies, running every night of the report and knowing no rain."
)
LAST_YEAR_METHOD = (
    "The same dates last year, times this year's plant need over last year's (adjusted for the weather as avoided-use "
    "methods of measurement and verification do, IPMVP core concepts, from memory). Areas and plants are taken as the "
    "same in both."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """A stated other way and what it would have used, ``other_l`` with one standard uncertainty ``doubt_l``. [L]"""

    name: str
    method: str
    other_l: float
    doubt_l: float
    saved_l: float
    saved_doubt_l: float

    @property
    def proved(self) -> bool:
        """Whether the difference is larger than its expanded uncertainty."""
        return abs(self.saved_l) > COVERAGE * self.saved_doubt_l


@dataclass(frozen=True, slots=True, kw_only=True)
class Allowance:
    """The site's water allowance for the span. ``used_share`` is litres over it, None where ET is not known. [L, -]"""

    litres: float | None
    factor: float
    area_m2: float
    special_m2: float
    eto_mm: float
    days: int
    used_share: float | None


def need_l(site: Site, days: Sequence[RecordDay]) -> dict[str, float]:
    """Litres each zone's plants needed from the valves: (ETc - effective rain) / efficiency x area, not below 0. [L]"""
    net_mm: dict[str, float] = defaultdict(float)
    for row in days:
        if math.isfinite(row.etc_mm):
            net_mm[row.zone] += row.etc_mm - (row.effective_rain_mm if math.isfinite(row.effective_rain_mm) else 0.0)
    return {
        zone.id: max(0.0, net_mm[zone.id]) / zone.efficiency * zone.area_m2 for zone in site.zones if zone.id in net_mm
    }


def allowance(
    site: Site, days: Sequence[RecordDay], used: Litres, *, factor: float = HOME_FACTOR, special: Sequence[str] = ()
) -> Allowance:
    """ETo (factor x area + (1 - factor) x special area), as ``science.accounts`` has it, over the span's ETo."""
    by_day = {row.date: row.eto_mm for row in days if math.isfinite(row.eto_mm)}
    eto_mm = sum(by_day.values())
    area_m2 = sum(zone.area_m2 for zone in site.zones)
    special_m2 = sum(zone.area_m2 for zone in site.zones if zone.id in special)
    litres = float(maximum_applied_water_allowance(eto_mm, factor, area_m2, special_m2)) if by_day else None
    return Allowance(
        litres=litres,
        factor=factor,
        area_m2=area_m2,
        special_m2=special_m2,
        eto_mm=eto_mm,
        days=len(by_day),
        used_share=used.total_l / litres if litres else None,
    )


def peak_mm_d(days: Sequence[RecordDay], zone: str) -> float | None:
    """Highest mean ETc of PEAK_DAYS days in a row, or of all where there are fewer; None with too few. [mm/d]"""
    use_mm = np.array([row.etc_mm for row in days if row.zone == zone and math.isfinite(row.etc_mm)])
    if len(use_mm) < FEWEST_DAYS:
        return None
    width = min(PEAK_DAYS, len(use_mm))
    return float(np.convolve(use_mm, np.full(width, 1.0 / width), mode="valid").max())


def timer_l_d(site: Site, record: Sequence[RecordDay]) -> float | None:
    """Litres a day of the timer that is never changed; None where too little is on record. [L/d]"""
    total_l = 0.0
    for zone in site.zones:
        peak = peak_mm_d(record, zone.id)
        if peak is None:
            return None
        total_l += peak / zone.efficiency * zone.area_m2
    return total_l


def days_set_for(record: Sequence[RecordDay]) -> int:
    """How many days the timer is set for: PEAK_DAYS, or all that are on record where they are fewer."""
    return min(PEAK_DAYS, len({row.date for row in record if math.isfinite(row.etc_mm)}))


def against_timer(
    litres_a_day: float | None, count: int, used: Litres, *, set_for_days: int = PEAK_DAYS
) -> Comparison | None:
    """Set against the timer that is never changed."""
    if litres_a_day is None:
        return None
    other_l = litres_a_day * count
    method = TIMER_METHOD.format(days=set_for_days)
    return _comparison("a fixed calendar", method, other_l, NEED_DOUBT * other_l, used)


def against_last_year(
    used: Litres, need: dict[str, float], last: Litres, last_need: dict[str, float]
) -> Comparison | None:
    """Set against last year's use, adjusted for weather; None without a need on record for both years."""
    now_l, then_l = sum(need.values()), sum(last_need.values())
    if last.total_l <= 0.0 or then_l <= 0.0 or need.keys() != last_need.keys():
        return None
    ratio = now_l / then_l
    # Both needs share coefficients and efficiencies, so most of their error cancels in the ratio.
    doubt_l = ratio * math.hypot(last.doubt_l, NEED_DOUBT / 2.0 * last.total_l)
    return _comparison("last year", LAST_YEAR_METHOD, ratio * last.total_l, doubt_l, used)


def _comparison(name: str, method: str, other_l: float, doubt_l: float, used: Litres) -> Comparison:
    return Comparison(
        name=name,
        method=method,
        other_l=other_l,
        doubt_l=doubt_l,
        saved_l=other_l - used.total_l,
        saved_doubt_l=math.hypot(doubt_l, used.doubt_l),
    )
