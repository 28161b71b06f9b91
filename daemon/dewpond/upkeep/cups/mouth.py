"""The mouth of a cup, given as people measure it: across the rim, or as an area."""

from __future__ import annotations

import math

from dewpond.settings.quantities import AREA_M2, LENGTH_MM, QuantityError, number_and_unit
from dewpond.upkeep.cups.refusal import AuditRefused

CM2 = {"cm2": 1.0, "cm²": 1.0, "mm2": 0.01, "in2": 6.4516}


def read_mouth(text: str) -> float:
    """Area of a mouth such as "11 cm" across or "95 cm2" [cm2]. Raises AuditRefused."""
    number, unit = number_and_unit(text) or (math.nan, "")
    try:
        if unit in CM2:
            area_cm2 = number * CM2[unit]
        elif AREA_M2.factor(unit or "-") is not None:
            area_cm2 = AREA_M2.read(text) * 10_000.0
        else:
            across_cm = LENGTH_MM.read(text) / 10.0 if unit else math.nan
            area_cm2 = math.pi / 4.0 * across_cm * abs(across_cm)
    except QuantityError:
        area_cm2 = math.nan
    if not 0.0 < area_cm2 < math.inf:
        raise AuditRefused(
            f'cup mouth: "{text[:40]}" is none; above 0, with its unit; write its diameter "11 cm" or its area "95 cm2"'
        )
    return area_cm2
