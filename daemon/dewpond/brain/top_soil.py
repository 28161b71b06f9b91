"""Evaporation from the exposed ground of beds: the dual crop coefficient, with a layer of its own for each zone.

FAO-56 chapter 7: ETc = (Ks Kcb + Ke) ETo. Kcmax is that of a mild climate (2 m/s of wind, 45 % least humidity), since
a day's wind and humidity are not part of the balance. Irrigation of a date wets the layer before that date's
evaporation, rain after it, as the ledger books both.
"""

from __future__ import annotations

from datetime import date

import numpy as np

from dewpond.brain.zone_table import FloatArray, ZoneTable
from dewpond.science.dual_coefficient import evaporation_coefficient, evaporation_layer_day, kc_max

MILD_WIND_M_S, MILD_RH_PCT, LOW_PLANTS_M = 2.0, 45.0, 0.1
USUAL_KR = 0.5  # of the days ahead, whose layer nobody knows: half way between wet and dry (our choice)


def fitting(table: ZoneTable, layer_mm: FloatArray | None) -> FloatArray:
    """Depletion of each zone's evaporating layer; just wetted where nothing is known, which errs to more water. [mm]"""
    zones = len(table.ids)
    return np.zeros(zones) if layer_mm is None or len(layer_mm) != zones else layer_mm


def evaporation(
    table: ZoneTable, day: date, layer_mm: FloatArray, irrigation_mm: FloatArray, eto_mm: float
) -> tuple[FloatArray, FloatArray]:
    """A date's evaporation of every zone over its whole area, and the layer's depletion after it. [mm]"""
    evaporated_mm, after_mm = np.zeros(len(table.ids)), layer_mm.copy()
    here = table.exposed
    if len(here):
        kcb, few = table.coefficients(day)[here], table.few[here]
        found = evaporation_layer_day(
            depletion_mm=layer_mm[here],
            water_mm=irrigation_mm[here] / table.rain_share[here],
            eto_mm=eto_mm,
            kcb=kcb,
            kc_max=kc_max(kcb, MILD_WIND_M_S, MILD_RH_PCT, LOW_PLANTS_M),
            few=few,
            tew_mm=table.tew_mm[here],
            rew_mm=table.rew_mm[here],
        )
        evaporated_mm[here], after_mm[here] = found.evaporation_mm, found.end_mm
    return evaporated_mm, after_mm


def usual_coefficient(table: ZoneTable, day: date) -> FloatArray:
    """Evaporation coefficient Ke to expect of days to come, 0 where the ground is covered."""
    found = np.zeros(len(table.ids))
    here = table.exposed
    if len(here):
        kcb = table.coefficients(day)[here]
        most = kc_max(kcb, MILD_WIND_M_S, MILD_RH_PCT, LOW_PLANTS_M)
        found[here] = evaporation_coefficient(USUAL_KR, kcb, most, table.few[here])
    return found
