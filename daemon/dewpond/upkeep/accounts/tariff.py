"""What water costs: a fixed charge a bill and a price a unit that may rise by tiers. One tariff a supply."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from dewpond.settings.quantities import VOLUME_L
from dewpond.upkeep.refusal import Refused

KIND = "tariff"
MOST_TIERS = 12
HIGHEST_PRICE = 10_000.0
LONGEST_CURRENCY = 8


@dataclass(frozen=True, slots=True)
class Tier:
    """Price of a unit up to ``up_to`` units of one bill; None is the last tier, without an upper end."""

    up_to: float | None
    price: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Tariff:
    """``unit`` is what the bill counts in (m3, ft3, CCF, kgal, gal, L), ``fixed`` the charge of each bill."""

    currency: str
    unit: str
    fixed: float
    tiers: tuple[Tier, ...]

    @property
    def unit_l(self) -> float:
        """Litres of one unit. [L]"""
        return unit_l(self.unit)

    def volume_cost(self, litres: float) -> float:
        """What so much water costs in one bill, without the fixed charge."""
        units, below, cost = max(0.0, litres) / self.unit_l, 0.0, 0.0
        for tier in self.tiers:
            top = math.inf if tier.up_to is None else tier.up_to
            cost += max(0.0, min(units, top) - below) * tier.price
            below = top
        return cost


def unit_l(unit: str) -> float:
    """Litres of one unit of volume. Raises Refused for what is none."""
    worth = VOLUME_L.factor(unit)
    if worth is None:
        raise Refused(f"unit {unit[:20]!r} is no unit of volume; {VOLUME_L.accepted}")
    return worth


def read_tariff(form: Mapping[str, Any]) -> Tariff:
    """A tariff from its form. ``tiers`` are tables of price and, but for the last, up_to. Raises Refused."""
    currency = form["currency"]
    if not 0 < len(currency) <= LONGEST_CURRENCY:
        raise Refused(f"tariff, currency {currency[:20]!r}: 1 to {LONGEST_CURRENCY} letters, such as EUR or USD")
    unit_l(form["unit"])
    tiers = tuple(_tier(number, plain) for number, plain in enumerate(form["tiers"], start=1))
    if len(tiers) > MOST_TIERS:
        raise Refused(f"tariff: {len(tiers)} tiers, at most {MOST_TIERS}; put together those of one price")
    below = 0.0
    for number, tier in enumerate(tiers, start=1):
        last = number == len(tiers)
        if last and tier.up_to is not None:
            raise Refused(f"tariff, tier {number}: the last tier has no up_to; what costs the water above it?")
        if not last and (tier.up_to is None or tier.up_to <= below):
            raise Refused(f"tariff, tier {number}: up_to must be above {below:g}; tiers rise one after the other")
        below = tier.up_to or below
    return Tariff(currency=currency, unit=form["unit"], fixed=price(form.get("fixed", 0.0), "fixed"), tiers=tiers)


def _tier(number: int, plain: Mapping[str, Any]) -> Tier:
    unknown = sorted(str(name) for name in plain.keys() - {"price", "up_to"})
    if unknown:
        raise Refused(f"tariff, tier {number}: {', '.join(unknown)} is not known; the fields are price and up_to")
    up_to = plain.get("up_to")
    return Tier(
        None if up_to is None else number_in(up_to, f"tier {number}, up_to", 1e9),
        price(plain.get("price"), f"tier {number}, price"),
    )


def price(value: Any, where: str) -> float:
    """An amount of money from 0 up. Raises Refused."""
    return number_in(value, where, HIGHEST_PRICE)


def number_in(value: Any, where: str, most: float) -> float:
    """A finite number from 0 to ``most``. Raises Refused."""
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if not is_number or not 0 <= value <= most:
        raise Refused(f"{where}: {str(value)[:20]!r} is no number from 0 to {most:g}")
    return float(value)


def body_of(tariff: Tariff) -> dict[str, Any]:
    """As it is kept; ``tariff_from`` reads it."""
    tiers = [{"price": t.price} if t.up_to is None else {"price": t.price, "up_to": t.up_to} for t in tariff.tiers]
    return {"currency": tariff.currency, "unit": tariff.unit, "fixed": tariff.fixed, "tiers": tiers}


def tariff_from(body: Mapping[str, Any]) -> Tariff:
    """The tariff that ``body_of`` wrote."""
    return read_tariff(body)


def month_cost(tariff: Tariff | None, litres: float) -> float | None:
    """What a month's water of one supply costs without the fixed charge; None without a tariff."""
    return None if tariff is None else tariff.volume_cost(litres)


def total(costs: Sequence[float | None]) -> float | None:
    """A sum; None where any part is not known or there is none."""
    known = [cost for cost in costs if cost is not None]
    return sum(known) if known and len(known) == len(costs) else None
