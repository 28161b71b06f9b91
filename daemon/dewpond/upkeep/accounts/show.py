"""Figures as people read them: volumes, depths, money and dates, by the site's units."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from dewpond.model.us_units import L_PER_GAL, MM_PER_IN, shown

L_PER_M3 = 1000.0
M2_PER_FT2 = 0.09290304


@dataclass(frozen=True, slots=True)
class Figures:
    """``units`` is "metric" or "us"."""

    units: str

    def volume(self, litres: float | None) -> str:
        """Litres, cubic metres from 1 m3 on, or gallons; a dash for what is not known."""
        if litres is None:
            return "–"
        if self.units == "us":
            return f"{litres / L_PER_GAL:,.0f} gal"
        return f"{litres / L_PER_M3:,.1f} m³" if abs(litres) >= 999.5 else f"{litres:.0f} L"

    def axis(self, most_l: float) -> tuple[float, str]:
        """Litres of one unit on an axis that reaches so far, and the unit's name."""
        if self.units == "us":
            return L_PER_GAL, "gal"
        return (L_PER_M3, "m³") if most_l >= 2 * L_PER_M3 else (1.0, "L")

    def depth(self, mm: float | None) -> str:
        if mm is None:
            return "–"
        return f"{mm / MM_PER_IN:.2f} in" if self.units == "us" else f"{mm:.0f} mm" if mm >= 10 else f"{mm:.1f} mm"

    def area(self, m2: float) -> str:
        return f"{m2 / M2_PER_FT2:,.0f} ft²" if self.units == "us" else f"{m2:,.0f} m²"

    def sentence(self, text: str) -> str:
        """A finished sentence with its metric quantities turned."""
        return shown(text, self.units)


def money(amount: float | None, currency: str | None) -> str:
    """An amount with its currency; "" where either is not known."""
    return "" if amount is None or currency is None else f"{amount:,.2f} {currency}"


def amount(value: float | None) -> str:
    """An amount under a heading that names its currency."""
    return "–" if value is None else f"{value:,.2f}"


def day_text(iso: str) -> str:
    """A date as "3 June 2027"."""
    day = date.fromisoformat(iso)
    return f"{day.day} {day:%B %Y}"


def short_day(iso: str) -> str:
    """A date as "3 Jun"."""
    day = date.fromisoformat(iso)
    return f"{day.day} {day:%b}"


def month_text(month: str) -> str:
    """A month, "2027-06", as "June 2027"."""
    return f"{date.fromisoformat(f'{month}-01'):%B %Y}"


def span_text(first: str, last: str) -> str:
    """The span as people say it: a whole month by its name, a whole year by its number, else both dates."""
    begins, ends = date.fromisoformat(first), date.fromisoformat(last)
    whole_month = begins.day == 1 and _is_month_end(ends)
    if whole_month and (begins.year, begins.month) == (ends.year, ends.month):
        return f"{begins:%B %Y}"
    if whole_month and begins.year == ends.year:
        year = (begins.month, ends.month) == (1, 12)
        return f"{begins.year}" if year else f"{begins:%B} to {ends:%B %Y}"
    return f"{day_text(first)} to {day_text(last)}"


def _is_month_end(day: date) -> bool:
    return date.fromordinal(day.toordinal() + 1).day == 1
