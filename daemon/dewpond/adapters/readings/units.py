"""Units that sensors report in, each to its canonical unit.

Factors: A. Thompson and B. N. Taylor, "Guide for the Use of the International System of Units (SI)", NIST Special
Publication 811, 2008 edition, appendix B. Symbols of RFC 8428 section 12.1 (``Cel``, ``%RH``, ``m3/s``, ...) are among
the spellings.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass

from dewpond.settings import quantities as q

RAW = "raw"
BOOL = "bool"


@dataclass(frozen=True, slots=True)
class Conversion:
    """canonical value = number x ``factor`` + ``offset``; ``unit`` is the canonical one."""

    unit: str
    factor: float = 1.0
    offset: float = 0.0

    def value(self, number: float) -> float:
        """A level or state in the canonical unit."""
        return number * self.factor + self.offset

    def increment(self, number: float) -> float:
        """A difference in the canonical unit: the zero of the scale does not matter."""
        return number * self.factor


# Metres per second in a mile per hour and a knot, exact. NIST SP 811, B.8 "mile per hour", "knot".
_M_S_PER_MPH = 0.44704
_M_S_PER_KNOT = 1852.0 / 3600.0
# Kilopascals in a conventional inch and millimetre of mercury. NIST SP 811, B.8.
_KPA_PER_IN_HG = 3.386389
_KPA_PER_MM_HG = 0.1333224

# One litre on one square metre stands one millimetre deep.
_DEPTH = {**q.LENGTH_MM.worth, "L/m2": 1.0}
_PRESSURE = {
    **q.PRESSURE_KPA.worth,
    "Pa": 0.001, "hPa": 0.1, "mbar": 0.1, "cbar": 1.0, "cb": 1.0, "inHg": _KPA_PER_IN_HG, "mmHg": _KPA_PER_MM_HG,
}  # fmt: skip
_FLOW = {
    **q.FLOW_L_MIN.worth,
    "m3/s": 60_000.0, "m3/min": 1000.0, "m3/d": 1000.0 / 1440.0, "ft3/min": q.L_PER_FT3,
}  # fmt: skip
_WIND = {
    "m/s": 1.0, "km/h": 1 / 3.6, "kph": 1 / 3.6, "mph": _M_S_PER_MPH, "mi/h": _M_S_PER_MPH, "mp/h": _M_S_PER_MPH,
    "kn": _M_S_PER_KNOT, "kt": _M_S_PER_KNOT, "knots": _M_S_PER_KNOT, "ft/s": q.M_PER_FT,
}  # fmt: skip
_WATER_CONTENT = {"m3/m3": 1.0, "cm3/cm3": 1.0, "/": 1.0, "%vol": 0.01, "vol%": 0.01, "%vwc": 0.01}


def _dimension(name: str, canonical: str, worth: Mapping[str, float]) -> q.Dimension:
    return q.Dimension(name, canonical, "", dict(worth))


# The order decides what a symbol of two dimensions means ("m" is a depth) unless the sensor's kind asks otherwise.
_DIMENSIONS = (
    _dimension("soil water content", "m3/m3", _WATER_CONTENT),
    _dimension("percentage", "%", {"%": 1.0, "%RH": 1.0, "%EL": 1.0}),
    _dimension("voltage", "V", {"V": 1.0, "volt": 1.0, "volts": 1.0}),
    _dimension("depth of water", "mm", _DEPTH),
    _dimension("rate", "mm/h", q.RATE_MM_H.worth),
    _dimension("volume", "L", {**q.VOLUME_L.worth, "dm3": 1.0}),
    _dimension("flow", "L/min", _FLOW),
    _dimension("speed", "m/s", _WIND),
    _dimension("irradiance", "W/m2", {"W/m2": 1.0, "kW/m2": 1000.0}),
    _dimension("pressure", "kPa", _PRESSURE),
    _dimension("state", BOOL, {BOOL: 1.0, "boolean": 1.0}),
    _dimension("plain number", RAW, {RAW: 1.0}),
)
# Temperature scales differ in their zero too. NIST SP 811, B.8 "degree Fahrenheit (temperature)", and section 4.2.1.1.
_CELSIUS = Conversion("degC")
_FAHRENHEIT = Conversion("degC", 5.0 / 9.0, -160.0 / 9.0)
_KELVIN = Conversion("degC", 1.0, -273.15)
_TEMPERATURES = {
    **dict.fromkeys(("degc", "c", "cel", "celsius", "°c"), _CELSIUS),
    **dict.fromkeys(("degf", "f", "fahrenheit", "°f"), _FAHRENHEIT),
    **dict.fromkeys(("k", "kelvin"), _KELVIN),
}
# Symbols in which the case of the prefix decides between milli and mega.
_BY_CASE = {
    "mL": Conversion("L", 0.001), "ml": Conversion("L", 0.001), "ML": Conversion("L", 1e6),
    "mV": Conversion("V", 0.001), "mPa": Conversion("kPa", 1e-6), "MPa": Conversion("kPa", 1000.0),
}  # fmt: skip

ACCEPTED = ", ".join(
    ["degC", "degF", "K", "mV", "mL", "MPa"] + [unit for dimension in _DIMENSIONS for unit in dimension.worth]
)


@functools.lru_cache(maxsize=512)
def conversion(text: str, preferred: frozenset[str] = frozenset()) -> Conversion | None:
    """What a unit text means, None when it is unknown. ``preferred`` canonical units win where it has two meanings."""
    unit = text.strip()
    exact = _BY_CASE.get(unit) or _TEMPERATURES.get("".join(unit.casefold().split()))
    if exact is not None or len(unit) > 40:
        return exact
    for dimension in sorted(_DIMENSIONS, key=lambda each: each.unit not in preferred):
        factor = dimension.factor(unit)
        if factor is not None:
            return Conversion(dimension.unit, factor)
    return None
