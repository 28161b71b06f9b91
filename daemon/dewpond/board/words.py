"""Quantities, times and names as people read them: metric or US by the site's choice, in the site's own time zone.

Conversion factors are exact or as printed in NIST Special Publication 811 (2008), appendix B.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from dewpond.model.us_units import KPA_PER_PSI, L_PER_GAL, M_S_PER_MPH, MM_PER_IN, shown
from dewpond.model.view import SiteView

DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
UNKNOWN = "not known"


def known(value: float | None) -> bool:
    """True for a number that can be shown."""
    return value is not None and math.isfinite(value)


def span(seconds: float) -> str:
    """A duration: ``45 s``, ``12 min``, ``1 h 05 min``."""
    if not math.isfinite(seconds):
        return UNKNOWN
    whole = max(0, round(seconds))
    if whole < 90:
        return f"{whole} s"
    minutes = round(whole / 60)
    if minutes < 60:
        return f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60:02d} min"


def day(value: date) -> str:
    """A site calendar day: ``Thu 14 May``."""
    return f"{DAYS[value.weekday()]} {value.day} {MONTHS[value.month - 1]}"


def night(window_date: date) -> str:
    """The night whose window opens on this date: ``Thu 14 to Fri 15 May``."""
    after = window_date + timedelta(days=1)
    if after.month == window_date.month:
        return f"{DAYS[window_date.weekday()]} {window_date.day} to {day(after)}"
    return f"{day(window_date)} to {day(after)}"


def counted(number: int, one: str, many: str) -> str:
    """``1 zone``, ``3 zones``, ``no zones``."""
    if number == 0:
        return f"no {many}"
    return f"{number} {one if number == 1 else many}"


@dataclass(frozen=True, slots=True)
class Words:
    """One site's way of writing. Every method takes field units and gives finished text."""

    units: str
    tz: ZoneInfo

    @classmethod
    def of(cls, view: SiteView) -> Words:
        return cls(view.units, ZoneInfo(view.timezone))

    @property
    def us(self) -> bool:
        return self.units == "us"

    def _text(self, value: float | None, decimals: int, unit: str, factor: float = 1.0) -> str:
        if value is None or not math.isfinite(value):
            return UNKNOWN
        text = f"{value * factor:,.{decimals}f}"
        if float(text.replace(",", "")) == 0:
            text = text.lstrip("-")
        return f"{text} {unit}"

    def depth(self, mm: float | None) -> str:
        return self._text(mm, 2, "in", 1 / MM_PER_IN) if self.us else self._text(mm, 1, "mm")

    def depth_number(self, mm: float) -> str:
        """A depth without its unit, for the ticks of an axis."""
        return f"{mm / MM_PER_IN:.2f}".rstrip("0").rstrip(".") if self.us else f"{mm:g}"

    @property
    def depth_unit(self) -> str:
        return "in" if self.us else "mm"

    def volume(self, litres: float | None) -> str:
        return self._text(litres, 0, "gal", 1 / L_PER_GAL) if self.us else self._text(litres, 0, "L")

    def flow(self, l_min: float | None) -> str:
        return self._text(l_min, 1, "gpm", 1 / L_PER_GAL) if self.us else self._text(l_min, 1, "L/min")

    def pressure(self, kpa: float | None) -> str:
        return self._text(kpa, 0, "psi", 1 / KPA_PER_PSI) if self.us else self._text(kpa, 0, "kPa")

    def quantity(self, value: float | None, unit: str) -> str:
        """A reading or an input of a decision in its own unit, turned into the site's where there is a choice."""
        if value is None or not math.isfinite(value):
            return UNKNOWN
        ways = {"mm": self.depth, "L": self.volume, "L/min": self.flow, "kPa": self.pressure}
        if unit in ways:
            return ways[unit](value)
        if unit == "degC":
            return self._text(value * 9 / 5 + 32, 0, "°F") if self.us else self._text(value, 1, "°C")
        rates = {
            "mm/h": ("in/h", 2, 1 / MM_PER_IN),
            "mm/d": ("in/d", 2, 1 / MM_PER_IN),
            "m/s": ("mph", 0, 1 / M_S_PER_MPH),
        }
        if self.us and unit in rates:
            us_unit, decimals, factor = rates[unit]
            return self._text(value, decimals, us_unit, factor)
        return f"{value:.4g} {unit}".rstrip()

    def said(self, text: str) -> str:
        """A finished sentence of the daemon with its quantities in the site's units."""
        return shown(text, self.units)

    def local(self, at: datetime) -> datetime:
        return at.astimezone(self.tz)

    def clock(self, at: datetime) -> str:
        """Time of day at the site; an hour that happens twice carries its zone's name."""
        local = self.local(at)
        text = (
            f"{local.hour % 12 or 12}:{local:%M} {'am' if local.hour < 12 else 'pm'}" if self.us else f"{local:%H:%M}"
        )
        if local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset():
            text += f" {local.tzname()}"
        return text

    def when(self, at: datetime, seen_from: datetime) -> str:
        """``21:40`` on the day it is seen from, ``Fri 15 May, 05:10`` on another."""
        local = self.local(at)
        if local.date() == self.local(seen_from).date():
            return self.clock(at)
        return f"{day(local.date())}, {self.clock(at)}"

    def full(self, at: datetime) -> str:
        return f"{day(self.local(at).date())}, {self.clock(at)}"
