"""What the cups held: read from a table, checked, and brought to rates; placements merged where they were run alike."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from dewpond.science.uniformity import CUP_UNITS, catch_rate_mm_h
from dewpond.upkeep.cups.layout import MOST_CUPS, MOST_MINUTES, WIND_LIMIT_M_S
from dewpond.upkeep.cups.outline import MOST_M, Floats
from dewpond.upkeep.cups.refusal import AuditRefused, refuse_all

COLUMNS = ("x_m", "y_m", "value")
FURTHER = ("placement", "minutes", "pressure_kpa", "cup")  # may stand beside them
# Above this in one cup a unit was mixed up: a spray head gives about 30 mm/h (Waller and Yitayew, 2016, ch. 13) and a
# cup beside it some three times as much (common practice, no source). [mm/h]
MOST_RATE_MM_H = 400.0
MOUTH_CM2 = (5.0, 5000.0)  # of a cup, from an egg cup to a wash tub (common practice, no source)
SAME_PLACE_M = 0.05
SAME_MINUTES = 0.02  # placements may differ in run time by this share, and in pressure by the next one
SAME_PRESSURE = 0.10  # 5 % of flow (common practice, no source)
PRESSURE_KPA = (10.0, 2000.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cup:
    """One cup: where it stood [m], what it showed in the test's unit, and in which placement and how long."""

    x_m: float
    y_m: float
    value: float
    placement: str = "1"
    minutes: float | None = None
    pressure_kpa: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CupTest:
    """A checked test of one zone. ``rates_mm_h`` is None where minutes or mouth of the cups were not told."""

    cups: tuple[Cup, ...]
    unit: str
    minutes: float | None
    mouth_cm2: float | None
    wind_m_s: float | None = None

    @property
    def placements(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(cup.placement for cup in self.cups))

    @property
    def values(self) -> Floats:
        return np.array([cup.value for cup in self.cups])

    @property
    def rates_mm_h(self) -> Floats | None:
        """Catch rate of each cup. [mm/h]"""
        if self.unit not in ("mm/h", "in/h") and self.minutes is None:
            return None
        if self.unit == "mL" and self.mouth_cm2 is None:
            return None
        return np.asarray(catch_rate_mm_h(self.values, self.unit, self.minutes, self.mouth_cm2), dtype=float)


def read_cups(text: str, where: str = "cups") -> tuple[Cup, ...]:
    """The cups of a CSV text: x_m, y_m, value and where wanted placement, minutes, pressure_kpa.

    Raises AuditRefused with every bad cell, named by line.
    """
    try:
        rows = list(csv.DictReader(io.StringIO(text.removeprefix("\ufeff"))))
    except csv.Error as fault:
        raise AuditRefused(f"{where}: no CSV table ({fault}); the columns are {', '.join(COLUMNS)}") from None
    names = [name for name in (rows[0] if rows else {}) if name is not None]
    missing = [name for name in COLUMNS if name not in names]
    if missing:
        raise AuditRefused(
            f"{where}: no column {', '.join(missing)}; the columns are {', '.join(COLUMNS)}, a row a cup"
        )
    unknown = [name for name in names if name not in (*COLUMNS, *FURTHER)]
    if unknown:
        known = ", ".join((*COLUMNS, *FURTHER))
        told = ", ".join(name[:40] for name in unknown[:5])
        raise AuditRefused(f"{where}: column {told} is not known; known are {known}; rename or drop it")
    faults: list[str] = []
    cups = [_cup(row, f"{where}, line {line}", faults) for line, row in enumerate(rows, start=2)]
    refuse_all(faults)
    return tuple(cups)


def _cup(row: Mapping[str, str | None], at: str, faults: list[str]) -> Cup:
    return Cup(
        x_m=_number(row, "x_m", at, faults, -MOST_M, MOST_M, "metres from a corner of the zone"),
        y_m=_number(row, "y_m", at, faults, -MOST_M, MOST_M, "metres from a corner of the zone"),
        value=_number(row, "value", at, faults, 0.0, 1e6, "what the cup shows, 0 or more"),
        placement=(row.get("placement") or "1").strip()[:40],
        minutes=_optional(row, "minutes", at, faults, 0.5, MOST_MINUTES, "how long the water ran"),
        pressure_kpa=_optional(row, "pressure_kpa", at, faults, *PRESSURE_KPA, "kPa at a head of the zone"),
    )


def _optional(
    row: Mapping[str, str | None], name: str, at: str, faults: list[str], low: float, high: float, what: str
) -> float | None:
    return _number(row, name, at, faults, low, high, what) if (row.get(name) or "").strip() else None


def _number(
    row: Mapping[str, str | None], name: str, at: str, faults: list[str], low: float, high: float, what: str
) -> float:
    text = (row.get(name) or "").strip()
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not low <= number <= high:
        faults.append(f'{at}: {name} "{text[:40]}" cannot be; between {low:g} and {high:g}; write {what}')
        return math.nan
    return number


def cup_test(
    cups: Sequence[Cup],
    *,
    unit: str,
    minutes: float | None = None,
    mouth_cm2: float | None = None,
    wind_m_s: float | None = None,
) -> CupTest:
    """A test made of cups that belong together. Raises AuditRefused with every fault.

    ``minutes`` holds for cups without their own; ``mouth_cm2`` is the area of one cup's mouth, needed for mL.
    """
    faults: list[str] = []
    if unit not in CUP_UNITS:
        faults.append(f'unit "{unit}" is not known; cups are read in one of {", ".join(CUP_UNITS)}')
    if not 2 <= len(cups) <= MOST_CUPS:
        faults.append(f"cups: {len(cups)} of them; between 2 and {MOST_CUPS}; set out a grid")
    if mouth_cm2 is not None and not MOUTH_CM2[0] <= mouth_cm2 <= MOUTH_CM2[1]:
        limit = f"between {MOUTH_CM2[0]:g} and {MOUTH_CM2[1]:g} cm2"
        faults.append(f"cup mouth: {mouth_cm2:.4g} cm2 cannot be; {limit}; measure across the rim and check the unit")
    if minutes is not None and not 0.5 <= minutes <= MOST_MINUTES:
        faults.append(f"minutes: {minutes:g} cannot be; between 0.5 and {MOST_MINUTES}; write how long the water ran")
    if wind_m_s is not None and not 0.0 <= wind_m_s <= 60.0:
        faults.append(f"wind: {wind_m_s:g} m/s cannot be; between 0 and 60 m/s; check the unit")
    elif wind_m_s is not None and wind_m_s > WIND_LIMIT_M_S:
        faults.append(
            f"wind: {wind_m_s:.1f} m/s; at most {WIND_LIMIT_M_S:.1f} m/s (5 mph, Irrigation Association audit "
            "guidelines); the cups tell of the wind, repeat it when it is calm"
        )
    faults += _bad_values(cups) + _bad_places(cups) + _unlike_placements(cups, minutes)
    refuse_all(faults)
    own = [cup.minutes for cup in cups if cup.minutes is not None]
    test = CupTest(
        cups=tuple(cups),
        unit=unit,
        minutes=sum(own) / len(own) if own else minutes,
        mouth_cm2=mouth_cm2,
        wind_m_s=wind_m_s,
    )
    refuse_all(_bad_rates(test))
    return test


def _bad_values(cups: Sequence[Cup]) -> list[str]:
    bad = [n for n, cup in enumerate(cups, start=1) if not 0.0 <= cup.value < math.inf]
    if bad:
        return [f"cup {n}: {cups[n - 1].value:g} is no catch; 0 or more; read the cup again" for n in bad]
    if cups and not sum(cup.value for cup in cups) > 0.0:
        return ["cups: all are empty; some water is needed; did the zone run, and do the cups stand in it?"]
    return []


def _bad_places(cups: Sequence[Cup]) -> list[str]:
    """Two cups at one place, which would count one place twice."""
    seen: dict[tuple[int, int], int] = {}
    faults = []
    for number, cup in enumerate(cups, start=1):
        if not (math.isfinite(cup.x_m) and math.isfinite(cup.y_m)):
            faults.append(f"cup {number}: its place is no number; metres from a corner; write x_m and y_m")
            continue
        place = round(cup.x_m / SAME_PLACE_M), round(cup.y_m / SAME_PLACE_M)
        if place in seen:
            at = f"x {cup.x_m:g} m, y {cup.y_m:g} m"
            faults.append(f"cups {seen[place]} and {number}: both at {at}; one cup a place; correct one of them")
        seen.setdefault(place, number)
    return faults


def _unlike_placements(cups: Sequence[Cup], minutes: float | None) -> list[str]:
    """Placements that cannot be merged because they ran for unequal times or at unequal pressures."""
    faults = []
    ran = [minutes if cup.minutes is None else cup.minutes for cup in cups]
    times = [value for value in ran if value is not None]
    if len(times) not in (0, len(ran)):
        faults.append("minutes: given for some cups only; all placements run alike; write them for each")
    elif times and max(times) - min(times) > SAME_MINUTES * max(times):
        limit = f"equal to {SAME_MINUTES:.0%}"
        faults.append(
            f"minutes: {min(times):g} and {max(times):g}; {limit}; run the placements for the same time again"
        )
    pressures = [cup.pressure_kpa for cup in cups if cup.pressure_kpa is not None]
    if pressures and max(pressures) - min(pressures) > SAME_PRESSURE * max(pressures):
        faults.append(
            f"pressure: {min(pressures):.0f} and {max(pressures):.0f} kPa; equal to {SAME_PRESSURE:.0%}, 5 % of flow; "
            "run the placements at the same pressure again"
        )
    return faults


def _bad_rates(test: CupTest) -> list[str]:
    rates = test.rates_mm_h
    if rates is None:
        return []
    faults = []
    for number in np.flatnonzero(rates > MOST_RATE_MM_H)[:5]:
        value, ran = test.cups[number].value, "" if test.minutes is None else f" in {test.minutes:g} min"
        faults.append(
            f"cup {number + 1}: {value:g} {test.unit}{ran} is {rates[number]:.0f} mm/h; at most {MOST_RATE_MM_H:g} "
            "mm/h can be; check unit, minutes and mouth"
        )
    return faults
