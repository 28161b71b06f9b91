"""Refuses weather that cannot be in the unit it claims, before an equation turns it into a plausible wrong number.

The limits are wide: they catch mix-ups of units (degF for degC, fractions for percent, W/m2 for MJ/m2/day, degrees
for radians), not sensor faults of a few percent.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dewpond.science.radiation import extraterrestrial_radiation_daily

FloatArray = NDArray[np.float64]

# Name -> (lowest, highest, unit, remedy). Temperatures: the records are -89.2 and 56.7 degC (WMO); the others are
# physical limits with room for sensor error (common practice, no source).
LIMITS: Mapping[str, tuple[float, float, str, str]] = {
    "latitude_deg": (-90.0, 90.0, "degrees", "give latitude in degrees, negative in the south"),
    "latitude_rad": (-np.pi / 2, np.pi / 2, "radians", "it looks like degrees; multiply by pi/180"),
    "elevation_m": (-450.0, 6000.0, "m", "it looks like feet; multiply by 0.3048"),
    "day_of_year": (1.0, 366.0, "days", "give the number of the day in the year, 1 on 1 January"),
    "t_min_c": (-90.0, 45.0, "degC", "it looks like degrees Fahrenheit or kelvin; convert it to degrees Celsius"),
    "t_max_c": (-80.0, 58.0, "degC", "it looks like degrees Fahrenheit or kelvin; convert it to degrees Celsius"),
    "t_dew_c": (-95.0, 36.0, "degC", "it looks like degrees Fahrenheit or kelvin; convert it to degrees Celsius"),
    "rh_min_pct": (0.0, 105.0, "%", "give relative humidity in percent, 0 to 100"),
    "rh_max_pct": (0.0, 105.0, "%", "give relative humidity in percent, 0 to 100"),
    "wind_m_s": (0.0, 40.0, "m/s", "it looks like km/day or km/h; divide by 86.4 or 3.6"),
    "wind_height_m": (0.5, 100.0, "m", "give the height of the anemometer above ground in metres"),
    "solar_mj_m2": (0.0, 46.0, "MJ/m2/day", "it looks like a mean in W/m2; multiply by 0.0864"),
    "rain_mm": (0.0, 2000.0, "mm", "a day's rain cannot be negative nor above the world record of about 1,825 mm"),
}
SOLAR_REMEDY = LIMITS["solar_mj_m2"][3]
# Measured radiation may pass extraterrestrial radiation by this much (sensor error, clouds that focus light). [-]
RADIATION_SLACK = 1.1
# And by this much in polar twilight, where Ra is next to nothing. [MJ/m2/day]
TWILIGHT_MJ_M2 = 0.5


def weather_faults(*, where: str = "weather", labels: Sequence[Any] | None = None, **quantities: Any) -> list[str]:
    """Every quantity that cannot be in its unit, as sentences.

    Parameters
    ----------
    where : str
        What the numbers came from, such as a file name; it opens each sentence.
    labels : sequence, optional
        One label a row, such as dates; otherwise rows are counted from 1.
    **quantities : float or array
        Named as in ``LIMITS``, in the units their names carry. None and NaN count as missing and pass.

    Returns
    -------
    list of str: what, where, limit, remedy; empty when all is plausible.

    Raises
    ------
    TypeError
        For a quantity that ``LIMITS`` does not name.
    """
    unknown = sorted(set(quantities) - set(LIMITS))
    if unknown:
        raise TypeError(f"weather_faults knows no quantity {', '.join(unknown)}; it knows {', '.join(LIMITS)}")
    given = {
        name: np.atleast_1d(np.asarray(value, dtype=float)) for name, value in quantities.items() if value is not None
    }
    place = _Place(where, labels)
    faults = [fault for name, values in given.items() if (fault := _out_of_limits(name, values, place))]
    faults += _fractions(given, place) + _wrong_order(given, place)
    if not any("solar_mj_m2" in fault for fault in faults):
        faults += _more_than_the_sun_gives(given, place)
    return faults


def refuse_implausible(*, where: str = "weather", labels: Sequence[Any] | None = None, **quantities: Any) -> None:
    """Raise ValueError with every sentence of ``weather_faults``, if there is any. Arguments as there."""
    faults = weather_faults(where=where, labels=labels, **quantities)
    if faults:
        raise ValueError(" ".join(faults))


class _Place:
    """Says where the first bad value of a mask stands, and how many there are."""

    def __init__(self, where: str, labels: Sequence[Any] | None) -> None:
        self.where, self._labels = where, labels

    def first(self, bad: NDArray[np.bool_]) -> str:
        """The row of the first bad value, in words; empty for a single value."""
        if bad.size == 1:
            return ""
        row = int(np.argmax(bad.any(axis=tuple(range(1, bad.ndim)))))
        label = f"{self._labels[row]}" if self._labels is not None else f"row {row + 1}"
        return f" on {label} ({int(bad.sum())} of {bad.size} values)"


def _out_of_limits(name: str, values: FloatArray, place: _Place) -> str:
    low, high, unit, remedy = LIMITS[name]
    bad = (values < low) | (values > high)
    if not bad.any():
        return ""
    return (
        f"{place.where}, {name}: {values[bad][0]:g} {unit}{place.first(bad)} is outside {low:g} to {high:g} {unit}; "
        f"{remedy}."
    )


def _fractions(given: Mapping[str, FloatArray], place: _Place) -> list[str]:
    """Humidity whose highest values never pass 1 % was given as a fraction."""
    name = "rh_max_pct" if "rh_max_pct" in given else "rh_min_pct"
    known = given.get(name, np.array([]))
    known = known[~np.isnan(known)]
    if known.size == 0 or known.max() > 1.0:
        return []
    return [
        f"{place.where}, {name}: no value is above {known.max():g} %, which no place on earth has; "
        "it looks like a fraction, multiply by 100."
    ]


def _wrong_order(given: Mapping[str, FloatArray], place: _Place) -> list[str]:
    """A minimum above its maximum, or a dew point above the highest temperature."""
    faults = []
    for low, high in (("t_min_c", "t_max_c"), ("rh_min_pct", "rh_max_pct"), ("t_dew_c", "t_max_c")):
        if low in given and high in given:
            bad = np.asarray(given[low] > given[high])
            if bad.any():
                faults.append(
                    f"{place.where}, {low}: it is above {high}{place.first(bad)}, limit {high}; exchange the two or "
                    "leave both empty."
                )
    return faults


def _more_than_the_sun_gives(given: Mapping[str, FloatArray], place: _Place) -> list[str]:
    """Radiation above what reaches the top of the atmosphere on that day at that latitude."""
    if not {"solar_mj_m2", "day_of_year"} <= given.keys() or not given.keys() & {"latitude_deg", "latitude_rad"}:
        return []
    latitude = given["latitude_rad"] if "latitude_rad" in given else np.radians(given["latitude_deg"])
    most = RADIATION_SLACK * extraterrestrial_radiation_daily(latitude, given["day_of_year"]) + TWILIGHT_MJ_M2
    bad = np.asarray(given["solar_mj_m2"] > most)
    if not bad.any():
        return []
    value = np.broadcast_to(given["solar_mj_m2"], bad.shape)[bad][0]
    limit = np.broadcast_to(most, bad.shape)[bad][0]
    return [
        f"{place.where}, solar_mj_m2: {value:g} MJ/m2/day{place.first(bad)} is more than the sun gives "
        f"at that latitude and date, limit {limit:.1f}; {SOLAR_REMEDY}."
    ]
