"""The percent of each program's minutes: a person's, the site file's, or from ET; and why.

From ET, a program runs in proportion to the water its zones used: ETc of the last known days against ETc of the weather
its minutes were set for. Within a program, zones count by their area.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from dewpond.brain.ground import Ground
from dewpond.brain.local_time import EPOCH
from dewpond.brain.state import PercentState, SoilState
from dewpond.model.site import Program

KNOWN_DAYS = 7
OLDEST_DAYS = 21  # what was known longer ago says nothing of now
MONTH_KNOWN_DAYS = 20  # days of one month in the record from which its mean is the site's own
HIGHEST_PCT = 200.0
MID_MONTH = 15


@dataclass(frozen=True, slots=True)
class PercentToday:
    """A program's percent and a sentence on where it comes from; ``worth_saying`` where it is not the plain 100."""

    percent: float
    why: str
    worth_saying: bool = True


def today(ground: Ground, soil: SoilState, changed: Mapping[str, PercentState], night: date) -> dict[str, PercentToday]:
    """The percent of every program for the night that opens on a date, by program name."""
    return {
        program.name: _of(ground, soil, changed.get(program.name), program, night) for program in ground.site.programs
    }


def _of(ground: Ground, soil: SoilState, changed: PercentState | None, program: Program, night: date) -> PercentToday:
    if changed is not None:
        at = changed.since.astimezone(ground.days.zone)
        why = f"set by {changed.who} on {at:%Y-%m-%d %H:%M}"
        return PercentToday(changed.percent, f'"{program.name}" runs at {changed.percent:.0f} % of its minutes, {why}.')
    if program.percent_from_et:
        return _from_et(ground, soil, program, night)
    why = f'"{program.name}" runs at {program.percent:.0f} % of its minutes, by the site file.'
    return PercentToday(program.percent, why, worth_saying=program.percent != 100.0)


def _from_et(ground: Ground, soil: SoilState, program: Program, night: date) -> PercentToday:
    recent_mm, recently = _recent(ground, soil, program, night)
    set_for_mm, set_for = _reference(ground, soil, program, night)
    wanted = 100.0 * recent_mm / set_for_mm if set_for_mm > 0.0 else 100.0
    percent = round(min(max(wanted, 0.0), HIGHEST_PCT), 1)
    capped = (
        f" ET alone would make it {wanted:.0f} %; {HIGHEST_PCT:.0f} % is the limit." if wanted > HIGHEST_PCT else ""
    )
    why = (
        f'"{program.name}" runs at {percent:.0f} % of its minutes, from ET: its zones used {recent_mm:.1f} mm/d '
        f"({recently}); its minutes were set for {set_for_mm:.1f} mm/d ({set_for}).{capped}"
    )
    return PercentToday(percent, why)


def _recent(ground: Ground, soil: SoilState, program: Program, night: date) -> tuple[float, str]:
    """Mean ETc of the last known days, and which they are. [mm/d]"""
    first = (night - EPOCH).days - OLDEST_DAYS
    rows = [(day, mm) for day, mm in zip(soil.record_day, soil.record_eto_mm, strict=True) if day >= first][
        -KNOWN_DAYS:
    ]
    if not rows:
        assumed = ground.assumed_eto(soil, night)
        return assumed.eto_mm * _coefficient(
            ground, program, night.month
        ), f"no day was measured lately; {assumed.method}"
    months = [(EPOCH + timedelta(days=int(day))).month for day, _ in rows]
    etc_mm = [float(mm) * _coefficient(ground, program, month) for (_, mm), month in zip(rows, months, strict=True)]
    return math.fsum(etc_mm) / len(etc_mm), f"the last {len(rows)} known days" if len(
        rows
    ) > 1 else "the last known day"


def _reference(ground: Ground, soil: SoilState, program: Program, night: date) -> tuple[float, str]:
    """ETc of what the minutes were set for, and what that is. [mm/d]"""
    if program.set_for_month is not None:
        eto_mm, how = usual_eto(ground, soil, program.set_for_month)
        name = date(2001, program.set_for_month, 1).strftime("%B")
        return eto_mm * _coefficient(ground, program, program.set_for_month), f"{name}: {how}"
    eto_mm = program.set_for_eto_mm_d or 0.0
    # The plants of now under the stated weather: the site file says nothing of the season it was meant for.
    return eto_mm * _coefficient(ground, program, night.month), f"reference ET of {eto_mm:.1f} mm/d, by the site file"


def usual_eto(ground: Ground, soil: SoilState, month: int) -> tuple[float, str]:
    """Usual reference ET of a calendar month here, and how it is known. [mm/d]"""
    months = np.array([(EPOCH + timedelta(days=int(day))).month for day in soil.record_day], dtype=int)
    here_mm = np.asarray(soil.record_eto_mm)[months == month] if len(months) else np.zeros(0)
    if len(here_mm) >= MONTH_KNOWN_DAYS:
        return float(here_mm.mean()), f"mean of {len(here_mm)} measured days here"
    mild_mm = ground.mild_eto_mm(date(2001, month, MID_MONTH))
    return mild_mm, "assumed, mild days by Hargreaves for this latitude, until the month was measured"


def _coefficient(ground: Ground, program: Program, month: int) -> float:
    """Crop coefficient of the program's zones together, by area. [-]"""
    places = [ground.table.index[zone] for zone in program.zone_minutes if zone in ground.table.index]
    area_m2 = ground.table.area_m2[places]
    return float(np.average(ground.table.coefficient_by_month[month - 1, places], weights=area_m2)) if places else 1.0
