"""Finished sentences in US customary units: metric quantities in them are turned where they are shown, never before.

Decisions, records and the API stay metric. Only a number with one of the units below right behind it is turned, alone
or as the first of two ("3 to 11 mm", "9.6 mm (± 0.8)"); everything else is left as it stands. A quantity that a person
wrote into a reason is turned as well. Factors are exact or as printed in NIST Special Publication 811 (2008),
appendix B.
"""

from __future__ import annotations

import re

MM_PER_IN = 25.4
L_PER_GAL = 3.785411784
KPA_PER_PSI = 6.894757293
M_S_PER_MPH = 0.44704

_NUMBER = r"(?<![\w.:-])(-?\d+(?:\.\d+)?)"
_UNIT = r"(mm/h|mm/d|mm|L/min|L|kPa|m/s|degC)(?![\w/])"
_BAND = re.compile(_NUMBER + r" mm \(± (\d+(?:\.\d+)?)\)")
_RANGE = re.compile(_NUMBER + r" (to|and) (-?\d+(?:\.\d+)?) " + _UNIT)
_ONE = re.compile(_NUMBER + " " + _UNIT)
# unit: US unit, decimals, how many of it make one of the metric unit
_TURNED = {
    "mm": ("in", 2, 1 / MM_PER_IN),
    "mm/h": ("in/h", 2, 1 / MM_PER_IN),
    "mm/d": ("in/d", 2, 1 / MM_PER_IN),
    "L": ("gal", 1, 1 / L_PER_GAL),
    "L/min": ("gpm", 1, 1 / L_PER_GAL),
    "kPa": ("psi", 0, 1 / KPA_PER_PSI),
    "m/s": ("mph", 1, 1 / M_S_PER_MPH),
    "degC": ("°F", 0, 1.8),
}


def shown(text: str, units: str) -> str:
    """A sentence as a site of these units (``metric`` or ``us``) reads it."""
    if units != "us":
        return text
    text = _BAND.sub(lambda found: f"{_turned(found[1], 'mm')} in (± {_turned(found[2], 'mm')})", text)
    text = _RANGE.sub(_range, text)
    return _ONE.sub(lambda found: f"{_turned(found[1], found[2])} {_TURNED[found[2]][0]}", text)


def _range(found: re.Match[str]) -> str:
    first, word, second, unit = found.groups()
    return f"{_turned(first, unit)} {word} {_turned(second, unit)} {_TURNED[unit][0]}"


def _turned(number: str, unit: str) -> str:
    _, decimals, factor = _TURNED[unit]
    return f"{float(number) * factor + (32.0 if unit == 'degC' else 0.0):.{decimals}f}"
