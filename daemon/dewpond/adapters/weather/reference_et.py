"""Daily reference ET by pyet, with the procedures of FAO-56 chapter 3 where a measurement is missing.

pyet, pandas and xarray are imported by the call alone: the import costs some 60 MB and two seconds.
``PlainReferenceEt`` is the same equation without them, for the day on which the child process fails.
Source of equations: R. G. Allen et al., "Crop evapotranspiration", FAO Irrigation and Drainage Paper 56, 1998.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from importlib import import_module
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dewpond.ports import DayWeather, EtoValue
from dewpond.science.radiation import extraterrestrial_radiation_daily
from dewpond.science.reference_et import fill_missing_weather, hargreaves, penman_monteith_daily
from dewpond.science.vapour import wind_at_2m
from dewpond.science.weather_guards import LIMITS, RADIATION_SLACK

COMPLETE = "FAO-56 Penman-Monteith"
ONLY_TEMPERATURES = "FAO-56 Hargreaves (eq. 52) from temperatures alone"
NOTHING = "none: temperatures missing"

WIND = "wind replaced by 2 m/s"
RADIATION = "radiation replaced by 0.16 sqrt(Tmax - Tmin) Ra"
HUMIDITY = "humidity replaced by Tdew = Tmin"
RHMAX_ALONE = "vapour pressure from RHmax alone (eq. 18)"

# Common practice, no source: daily reference ET above this is a mix-up of units. [mm/day]
MOST_ETO_MM = 20.0
# A largest humidity of a day at or below this is a share that was passed for a percentage. [%]
SHARE_NOT_PERCENT = 1.0

# Standard deviation of one day's value in mm. Full method: spread when temperatures are off by 0.3 degC, humidity by
# 3 %, wind and radiation by 5 % (0.17), against 0.14 mm mean difference of the daily and the hourly step at Durham.
# With replaced inputs: root mean square difference from the full method over the six warmer months of De Bilt
# 2017-2019, Durham 2019-2021, Fallon 2015 and Florianopolis 2018-2019, every station weighing the same, added to
# the spread of the full method (squares added).
SD_COMPLETE_MM = 0.2
SD_HARGREAVES_MM = 0.94
SD_REPLACED_MM = {
    frozenset({WIND}): 0.63,
    frozenset({RADIATION}): 0.59,
    frozenset({HUMIDITY}): 0.42,
    frozenset({RHMAX_ALONE}): 0.24,
    frozenset({WIND, RADIATION}): 0.87,
    frozenset({WIND, HUMIDITY}): 0.65,
    frozenset({WIND, RHMAX_ALONE}): 0.63,
    frozenset({RADIATION, HUMIDITY}): 0.76,
    frozenset({RADIATION, RHMAX_ALONE}): 0.59,
    frozenset({WIND, RADIATION, RHMAX_ALONE}): 0.87,
}

Floats = NDArray[np.float64]


def refuse_implausible(day: DayWeather, ra_mj_m2: float) -> tuple[DayWeather, tuple[str, ...]]:
    """The day without values beyond their physical limits and with pairs in order, and what was done, as phrases.

    ``ra_mj_m2`` is the day's radiation above the atmosphere, which measured radiation cannot pass. [MJ/m2/day]
    """
    notes: list[str] = []
    changed: dict[str, float | None] = {}
    for name in ("t_min_c", "t_max_c", "rh_min_pct", "rh_max_pct", "wind_m_s", "solar_mj_m2"):
        value = getattr(day, name)
        refusal = None if value is None else _refusal(name, value, ra_mj_m2)
        changed[name] = None if refusal else value
        if refusal:
            notes.append(refusal)
    for low, high in (("t_min_c", "t_max_c"), ("rh_min_pct", "rh_max_pct")):
        lower, upper = changed[low], changed[high]
        if lower is not None and upper is not None and lower > upper:
            notes.append(f"{low} and {high} taken as swapped")
            changed[low], changed[high] = upper, lower
    for name in ("rh_min_pct", "rh_max_pct"):
        changed[name] = _at_most_100(name, changed[name], notes)
    return DayWeather(date=day.date, rain_mm=day.rain_mm, **changed), tuple(notes)


def _refusal(name: str, value: float, ra_mj_m2: float) -> str:
    """Why a value cannot be, or nothing."""
    least, most, unit, _remedy = LIMITS[name]
    if name == "solar_mj_m2":
        most = min(most, RADIATION_SLACK * ra_mj_m2 + 0.5)
    if name == "rh_max_pct" and value <= SHARE_NOT_PERCENT:
        return f"rh_max_pct {value:g} % refused (it looks like a share, not a percentage)"
    if least <= value <= most:
        return ""
    return f"{name} {value:g} {unit} refused (limits {least:g} to {most:.3g})"


def _at_most_100(name: str, value: float | None, notes: list[str]) -> float | None:
    if value is None or value <= 100.0:
        return value
    notes.append(f"{name} {value:g} % taken as 100 %")
    return 100.0


def replaced_inputs(day: DayWeather) -> frozenset[str]:
    """Which measurements a day lacks, as the phrases of its method. A humidity pair without RHmax counts as none."""
    lacking = set()
    if day.wind_m_s is None:
        lacking.add(WIND)
    if day.solar_mj_m2 is None:
        lacking.add(RADIATION)
    if day.rh_max_pct is None:
        lacking.add(HUMIDITY)
    elif day.rh_min_pct is None:
        lacking.add(RHMAX_ALONE)
    return frozenset(lacking)


def method_text(lacking: frozenset[str], notes: Sequence[str]) -> str:
    """What a day's value rests on. Days measured in full have a text that no other day has."""
    if is_hargreaves(lacking):
        return "; ".join([ONLY_TEMPERATURES, *notes])
    replaced = [phrase for phrase in (WIND, RADIATION, HUMIDITY, RHMAX_ALONE) if phrase in lacking]
    text = f"{COMPLETE} with {' and '.join(replaced)}" if replaced else COMPLETE
    return "; ".join([text, *notes])


def is_hargreaves(lacking: frozenset[str]) -> bool:
    """True when wind, radiation and humidity are all missing, so that temperatures alone decide."""
    return {WIND, RADIATION, HUMIDITY} <= lacking


def standard_deviation_mm(lacking: frozenset[str]) -> float:
    """Stated standard deviation of one day's reference ET by what was replaced. [mm]"""
    if not lacking:
        return SD_COMPLETE_MM
    return SD_HARGREAVES_MM if is_hargreaves(lacking) else SD_REPLACED_MM[lacking]


@dataclass(frozen=True, slots=True, kw_only=True)
class DailyInputs:
    """What Penman-Monteith needs, complete: arrays of one length in degC, kPa, MJ/m2/day and m/s at 2 m."""

    dates: Sequence[date]
    t_min_c: Floats
    t_max_c: Floats
    ea_kpa: Floats
    rs_mj_m2: Floats
    u2_m_s: Floats
    latitude_rad: float
    elevation_m: float


class PyetReferenceEt:
    """Reference ET of grass by pyet's FAO-56 Penman-Monteith, all days of a batch in one call."""

    def days(
        self, weather: Sequence[DayWeather], *, latitude_deg: float, elevation_m: float, wind_height_m: float
    ) -> Sequence[EtoValue]:
        """One value per day, in order. Wind is measured ``wind_height_m`` above ground.

        Raises ValueError for a place that cannot be. A day without both temperatures has ``eto_mm`` None.
        """
        return _find(weather, latitude_deg, elevation_m, wind_height_m, _by_pyet)


class PlainReferenceEt:
    """The same without pyet; agrees with it within rounding and is named in the method."""

    def days(
        self, weather: Sequence[DayWeather], *, latitude_deg: float, elevation_m: float, wind_height_m: float
    ) -> Sequence[EtoValue]:
        """As ``PyetReferenceEt.days``."""
        found = _find(weather, latitude_deg, elevation_m, wind_height_m, _by_own_form)
        return [
            value if value.eto_mm is None else replace(value, method=f"{value.method}; own form") for value in found
        ]


def check_place(latitude_deg: float, elevation_m: float, wind_height_m: float) -> None:
    """Raise ValueError unless the place of a weather station can be."""
    for name, value in (
        ("latitude_deg", latitude_deg),
        ("elevation_m", elevation_m),
        ("wind_height_m", wind_height_m),
    ):
        least, most, unit, remedy = LIMITS[name]
        if not least <= value <= most:
            raise ValueError(f"weather station, {name}: {value:g} is outside {least:g} to {most:g} {unit}; {remedy}")


def _find(
    weather: Sequence[DayWeather],
    latitude_deg: float,
    elevation_m: float,
    wind_height_m: float,
    penman_monteith: Callable[[DailyInputs], Floats],
) -> list[EtoValue]:
    check_place(latitude_deg, elevation_m, wind_height_m)
    latitude_rad = math.radians(latitude_deg)
    day_no = np.array([day.date.timetuple().tm_yday for day in weather], dtype=np.float64)
    ra = extraterrestrial_radiation_daily(latitude_rad, day_no)
    guarded = [refuse_implausible(day, float(most)) for day, most in zip(weather, ra, strict=True)]
    values = [
        EtoValue(date=day.date, eto_mm=None, method="; ".join([NOTHING, *notes]), sd_mm=SD_HARGREAVES_MM)
        for day, notes in guarded
    ]
    usable = [i for i, (day, _) in enumerate(guarded) if day.t_min_c is not None and day.t_max_c is not None]
    if not usable:
        return values
    inputs = _inputs([guarded[i][0] for i in usable], day_no[usable], latitude_rad, elevation_m, wind_height_m)
    full = penman_monteith(inputs)
    rough = np.maximum(hargreaves(inputs.t_min_c, inputs.t_max_c, ra[usable]), 0.0)
    for i, full_mm, rough_mm in zip(usable, full, rough, strict=True):
        values[i] = _value(*guarded[i], float(full_mm), float(rough_mm))
    return values


def _inputs(
    days: Sequence[DayWeather], day_no: Floats, latitude_rad: float, elevation_m: float, wind_height_m: float
) -> DailyInputs:
    # The floor of 0.5 m/s that FAO-56 p. 63 advises for calm air is left out: at Fallon it moves no day by more than
    # 0.05 mm, and without it a complete day is exactly the published equation.
    t_min, t_max = _column(days, "t_min_c"), _column(days, "t_max_c")
    filled = fill_missing_weather(
        t_min_c=t_min,
        t_max_c=t_max,
        rh_min_pct=_column(days, "rh_min_pct"),
        rh_max_pct=_column(days, "rh_max_pct"),
        rs_mj_m2=_column(days, "solar_mj_m2"),
        u2_m_s=wind_at_2m(_column(days, "wind_m_s"), wind_height_m),
        latitude_rad=latitude_rad,
        day_of_year=day_no,
    )
    return DailyInputs(
        dates=[day.date for day in days],
        t_min_c=t_min,
        t_max_c=t_max,
        ea_kpa=filled.ea_kpa,
        rs_mj_m2=filled.rs_mj_m2,
        u2_m_s=filled.u2_m_s,
        latitude_rad=latitude_rad,
        elevation_m=elevation_m,
    )


def _column(days: Sequence[DayWeather], name: str) -> Floats:
    values = (getattr(day, name) for day in days)
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)


def _by_pyet(inputs: DailyInputs) -> Floats:
    pd: Any = import_module("pandas")
    pyet: Any = import_module("pyet")
    index = pd.DatetimeIndex([pd.Timestamp(day) for day in inputs.dates])

    def series(values: Floats) -> Any:
        return pd.Series(values, index=index)

    found = pyet.pm_fao56(
        tmean=series((inputs.t_max_c + inputs.t_min_c) / 2.0),
        wind=series(inputs.u2_m_s),
        rs=series(inputs.rs_mj_m2),
        tmax=series(inputs.t_max_c),
        tmin=series(inputs.t_min_c),
        ea=series(inputs.ea_kpa),
        elevation=inputs.elevation_m,
        lat=inputs.latitude_rad,
    )
    values: Floats = found.to_numpy()
    return values


def _by_own_form(inputs: DailyInputs) -> Floats:
    found = penman_monteith_daily(
        t_min_c=inputs.t_min_c,
        t_max_c=inputs.t_max_c,
        ea_kpa=inputs.ea_kpa,
        rs_mj_m2=inputs.rs_mj_m2,
        u2_m_s=inputs.u2_m_s,
        latitude_rad=inputs.latitude_rad,
        day_of_year=np.array([day.timetuple().tm_yday for day in inputs.dates], dtype=np.float64),
        elevation_m=inputs.elevation_m,
    )
    values: Floats = np.maximum(found, 0.0)
    return values


def _value(day: DayWeather, notes: tuple[str, ...], full_mm: float, rough_mm: float) -> EtoValue:
    lacking = replaced_inputs(day)
    eto_mm = rough_mm if is_hargreaves(lacking) else full_mm
    if not 0.0 <= eto_mm <= MOST_ETO_MM:
        notes = (*notes, f"{eto_mm:.1f} mm refused (limits 0 to {MOST_ETO_MM:g})")
        eto_mm, lacking = min(rough_mm, MOST_ETO_MM), frozenset({WIND, RADIATION, HUMIDITY})
    return EtoValue(
        date=day.date,
        eto_mm=eto_mm,
        method=method_text(lacking, notes),
        sd_mm=standard_deviation_mm(lacking),
    )
