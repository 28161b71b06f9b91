"""Text with units to a number in the unit dewpond keeps inside, one dimension at a time.

Conversion factors: A. Thompson and B. N. Taylor, "Guide for the Use of the International System of Units (SI)", NIST
Special Publication 811, 2008 edition, appendix B. All are exact by definition: 1 in = 25.4 mm, 1 ft = 0.3048 m, 1 US
gallon = 231 in3, 1 lbf = 4.4482216152605 N, conventional metre of water = 9.80665 kPa. The acre is 43 560 international
square feet; the guide prints the US survey acre, which differs by 4 parts in a million.
"""

from __future__ import annotations

import functools
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

# Millimetres in an inch and metres in a foot, exact. NIST SP 811, B.8 "inch", "foot".
MM_PER_IN = 25.4
M_PER_FT = 0.3048
# Litres in a US gallon, 231 cubic inches, exact. NIST SP 811, B.8 "gallon (U.S.)".
L_PER_GAL = 3.785411784
# Litres in a cubic foot, exact. NIST SP 811, B.8 "cubic foot".
L_PER_FT3 = 28.316846592
# Kilopascals in a pound-force per square inch. NIST SP 811, B.8 "psi", from the exact pound-force and inch.
KPA_PER_PSI = 4.4482216152605 / 0.0254**2 / 1000
# Kilopascals in a conventional metre of water, exact. NIST SP 811, B.8 "meter of water, conventional".
KPA_PER_M_WATER = 9.80665
# Square metres in an acre of 43 560 international square feet, exact.
M2_PER_ACRE = 43_560 * M_PER_FT**2

# Characters of a value that a message repeats.
MOST_SHOWN = 80

# Other spellings of unit words; compared without case and spaces, and on each side of a slash.
_WORDS = {
    word: unit
    for unit, words in {
        "mm": "millimetre millimetres millimeter millimeters",
        "cm": "centimetre centimetres centimeter centimeters",
        "m": "metre metres meter meters",
        "in": "inch inches",
        "ft": "foot feet",
        "m2": "sqm squaremetre squaremetres squaremeter squaremeters",
        "ft2": "sqft squarefoot squarefeet",
        "ha": "hectare hectares",
        "acre": "acres ac",
        "h": "hr hrs hour hours",
        "min": "mins minute minutes",
        "s": "sec secs second seconds",
        "d": "day days",
        "week": "weeks",
        "l": "litre litres liter liters",
        "m3": "cubicmetre cubicmetres cubicmeter cubicmeters cum",
        "gal": "gallon gallons gals",
        "ft3": "cuft cubicfoot cubicfeet",
        "l/min": "lpm",
        "l/s": "lps",
        "l/h": "lph",
        "gal/min": "gpm",
        "gal/h": "gph",
        "kpa": "kilopascal kilopascals",
        "bar": "bars",
        "%": "percent pct",
        "deg": "degree degrees",
    }.items()
    for word in words.split()
}
_SIGNS = str.maketrans({"²": "2", "³": "3", "°": "deg", "^": None})
_NUMBER_AND_UNIT = re.compile(
    r"(?P<number>[-+]?(?:\d+\.?\d*|\.\d+)(?:e[-+]?\d+)?)(?P<unit>.*)", re.IGNORECASE | re.DOTALL
)


class QuantityError(ValueError):
    """Raised when a value cannot be read as the dimension asked for. ``what`` and ``accepted`` are clauses."""

    def __init__(self, what: str, accepted: str) -> None:
        super().__init__(f"{what}; {accepted}")
        self.what = what
        self.accepted = accepted


@dataclass(frozen=True, slots=True, eq=False)
class Dimension:
    """One kind of quantity: the unit kept inside, the ending of a key that carries it, and each unit's worth in it."""

    name: str
    unit: str
    suffix: str
    worth: Mapping[str, float]

    @property
    def accepted(self) -> str:
        """The units in words."""
        return f"units of {self.name} are {', '.join(self.worth)}"

    def factor(self, unit: str) -> float | None:
        """What one ``unit`` is worth in the inner unit, None when it is no unit of this dimension."""
        wanted = _plain(unit)
        return next((worth for known, worth in self.worth.items() if _plain(known) == wanted), None)

    def read(self, value: object) -> float:
        """A number in the inner unit; a bare one is taken to be in it already. Raises QuantityError."""
        number, unit = self._split(value)
        factor = self.factor(unit) if unit else 1.0
        if factor is None:
            raise QuantityError(f"{shown(value)} {_measures(unit)}, not {_article(self.name)}", self.accepted)
        if not math.isfinite(number * factor):
            raise QuantityError(f"{shown(value)} is not a finite number", self.accepted)
        return number * factor

    def _split(self, value: object) -> tuple[float, str]:
        parts = number_and_unit(value)
        if parts is None:
            raise QuantityError(f"{shown(value)} is not a number with a unit", self.accepted)
        number, unit = parts
        if unit[:1].isdigit() or re.match(r"[,'_]\d", unit):
            remedy = "write it with a point and nothing else, as in 1.5 or 1000"
            raise QuantityError(f"the number in {shown(value)} has a separator", remedy)
        return number, unit


def shown(value: object) -> str:
    """A value as it stands in the file; of a long one the beginning and its length."""
    try:
        text = str(value)
    except ValueError:  # Python writes no number of more than some 4300 digits
        return "a number of thousands of digits"
    return f'"{cut(text)}"' if isinstance(value, str) else cut(text)


def cut(text: str) -> str:
    """A text as it stands, or its beginning and its length."""
    return text if len(text) <= MOST_SHOWN else f"{text[: MOST_SHOWN - 20]}... of {len(text)} characters"


def number_and_unit(value: object) -> tuple[float, str] | None:
    """The leading number and the rest; the rest is empty for a bare number. None when there is no number."""
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        return None
    if not isinstance(value, str):
        return (math.inf if isinstance(value, int) and abs(value) > 10**300 else float(value)), ""
    found = _NUMBER_AND_UNIT.fullmatch(value.strip())
    return (float(found["number"]), found["unit"].strip()) if found else None


def is_bare(value: object) -> bool:
    """Whether a value is a number without a unit, in quotes or not."""
    parts = number_and_unit(value)
    return parts is not None and not parts[1]


@functools.cache
def _plain(unit: str) -> str:
    """A unit for comparison. No two units of one dimension differ only by case or spaces."""
    text = "".join(unit.translate(_SIGNS).casefold().replace(" per ", "/").split())
    text = "/".join(_WORDS.get(part, part) for part in text.split("/"))
    return _WORDS.get(text, text)


def _measures(unit: str) -> str:
    """What a foreign unit measures, as a clause of the message."""
    names = [dimension.name for dimension in DIMENSIONS if dimension.factor(unit) is not None]
    return f"is {_article(names[0])}" if names else f"has an unknown unit, {shown(unit)}"


def _article(name: str) -> str:
    if name in ("available water",):
        return name
    return f"an {name}" if name[0] in "aeiou" else f"a {name}"


LENGTH_MM = Dimension("length", "mm", "mm", {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": MM_PER_IN, "ft": 304.8})
LENGTH_M = Dimension("length", "m", "m", {"m": 1.0, "cm": 0.01, "mm": 0.001, "ft": M_PER_FT, "in": 0.0254})
AREA_M2 = Dimension("area", "m2", "m2", {"m2": 1.0, "ft2": M_PER_FT**2, "ha": 10_000.0, "acre": M2_PER_ACRE})
RATE_MM_H = Dimension(
    "rate", "mm/h", "mm_h", {"mm/h": 1.0, "cm/h": 10.0, "in/h": MM_PER_IN, "mm/min": 60.0}
)  # depth of water by time
DEPTH_MM_D = Dimension("depth a day", "mm/d", "mm_d", {"mm/d": 1.0, "cm/d": 10.0, "in/d": MM_PER_IN})
FLOW_L_MIN = Dimension(
    "flow",
    "L/min",
    "l_min",
    {"L/min": 1.0, "L/s": 60.0, "L/h": 1 / 60, "m3/h": 1000 / 60, "gpm": L_PER_GAL, "gph": L_PER_GAL / 60},
)
PRESSURE_KPA = Dimension(
    "pressure",
    "kPa",
    "kpa",
    {"kPa": 1.0, "bar": 100.0, "psi": KPA_PER_PSI, "m": KPA_PER_M_WATER, "ft": KPA_PER_M_WATER * M_PER_FT},
)  # m and ft are heads of water
VOLUME_L = Dimension(
    "volume",
    "L",
    "l",
    {"L": 1.0, "m3": 1000.0, "gal": L_PER_GAL, "ft3": L_PER_FT3, "CCF": 100 * L_PER_FT3, "kgal": 1000 * L_PER_GAL},
)
WATER_MM_M = Dimension(
    "available water",
    "mm/m",
    "mm_m",
    {"mm/m": 1.0, "cm/m": 10.0, "in/ft": MM_PER_IN / M_PER_FT, "%": 10.0},
)  # depth of water by depth of soil; 1 % by volume is 10 mm in a metre
FRACTION = Dimension("share", "", "", {"%": 0.01})
PERCENT = Dimension("percentage", "%", "pct", {"%": 1.0})
ANGLE_DEG = Dimension("angle", "degrees", "deg", {"deg": 1.0})
SPEED_M_S = Dimension("speed", "m/s", "m_s", {"m/s": 1.0, "km/h": 1 / 3.6, "mph": 0.44704, "kn": 1852 / 3600})
RESISTANCE_OHM = Dimension("resistance", "ohm", "ohm", {"ohm": 1.0, "kohm": 1000.0})
POWER_VA = Dimension("power", "VA", "va", {"VA": 1.0})
VOLTAGE_V = Dimension("voltage", "V", "v", {"V": 1.0})
CURRENT_A = Dimension("current", "A", "a", {"A": 1.0, "mA": 0.001})
TIME_S = Dimension("time", "s", "s", {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86_400.0})
TIME_MS = Dimension("time", "ms", "ms", {"ms": 1.0, "s": 1000.0})
TIME_D = Dimension("time", "d", "d", {"d": 1.0, "week": 7.0, "h": 1 / 24})
TIME_MIN = Dimension("time", "min", "min", {"min": 1.0, "s": 1 / 60, "h": 60.0})

# The order decides which name a foreign unit gets in a message: a length before a head of water.
DIMENSIONS = (
    LENGTH_MM, AREA_M2, RATE_MM_H, FLOW_L_MIN, PRESSURE_KPA, VOLUME_L, PERCENT, WATER_MM_M, ANGLE_DEG, TIME_S
)  # fmt: skip
