"""Where a date's rain goes under ``rain_method = "infiltration"``: leaves, runoff, roots, drainage.

By the hour where hourly rain is known, else by the curve number of the day. Rain of a date is booked at its end, like
the rain of the usual rule; what the root zone cannot hold then drains.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dewpond.brain.zone_table import FloatArray, ZoneTable
from dewpond.science.rainfall import split_rain_by_hour, split_rain_of_day

WORTH_SAYING_MM = 0.5


@dataclass(frozen=True, slots=True)
class RainParts:
    """One date's rain by zone; the four sum to the rain on ground with storage. [mm over the zone's area]"""

    held_mm: FloatArray
    runoff_mm: FloatArray
    kept_mm: FloatArray
    drained_mm: FloatArray
    by_hour: bool

    def said(self, z: int, rain_mm: float) -> str:
        """The parts of one zone in words; empty where hardly anything was lost."""
        lost_mm = float(self.held_mm[z] + self.runoff_mm[z] + self.drained_mm[z])
        if lost_mm < WORTH_SAYING_MM:
            return ""
        how = "by the hour" if self.by_hour else "by the day's curve number"
        return (
            f"Of {rain_mm:.1f} mm of rain {self.kept_mm[z]:.1f} mm reached the roots; {self.held_mm[z]:.1f} mm stayed "
            f"on leaves, {self.runoff_mm[z]:.1f} mm ran off ({how}), {self.drained_mm[z]:.1f} mm drained."
        )


def split(table: ZoneTable, rain_mm: float, hourly_mm: Sequence[float] | None, depletion_mm: FloatArray) -> RainParts:
    """Split a date's rain. ``hourly_mm`` is scaled to ``rain_mm``, whatever source that was taken from."""
    hourly_sum_mm = sum(hourly_mm) if hourly_mm else 0.0
    if hourly_mm and hourly_sum_mm > 0.0 and rain_mm > 0.0:
        hours = [each * rain_mm / hourly_sum_mm for each in hourly_mm]
        # The table's intake and storage are spread over the whole area; rain meets those of the ground itself.
        intake_mm_h, storage_mm = table.intake_mm_h / table.rain_share, table.surface_storage_mm / table.rain_share
        found = split_rain_by_hour(hours, table.interception_mm, intake_mm_h, storage_mm)
    else:
        hours = []
        found = split_rain_of_day(np.full(len(table.ids), rain_mm), table.interception_mm, table.curve_number)
    held_mm, infiltrated_mm, runoff_mm = (part * table.rain_share for part in found)
    kept_mm = np.minimum(infiltrated_mm, np.maximum(depletion_mm, 0.0))
    return RainParts(held_mm, runoff_mm, kept_mm, infiltrated_mm - kept_mm, bool(hours))


def infiltrated_mm(table: ZoneTable, rain_mm: FloatArray) -> FloatArray:
    """What of days' rain enters the ground, days x zones x futures from days x 1 x futures, over the area. [mm]"""
    found = split_rain_of_day(rain_mm, table.interception_mm[:, None], table.curve_number[:, None])[1]
    entered: FloatArray = found * table.rain_share[:, None]
    return entered
