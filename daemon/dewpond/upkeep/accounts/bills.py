"""A water bill set against our litres: both figures, what each is known to within, and where the rest can have gone."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

from dewpond.model.site import Supply
from dewpond.upkeep.accounts.records import Fault, Records
from dewpond.upkeep.accounts.tariff import Tariff, number_in, unit_l
from dewpond.upkeep.accounts.volumes import METER_CLASS, Litres
from dewpond.upkeep.refusal import Refused
from dewpond.upkeep.rule_log import Span

KIND = "bill"
LONGEST_DAYS = 400  # a bill is for a year at most; longer is a typing error
MOST_UNITS = 1e9
MONEY_SLACK = 0.02  # of the amount: rounding and small levies


@dataclass(frozen=True, slots=True, kw_only=True)
class Bill:
    """One bill: read on ``first`` and ``last`` (site dates), ``units`` of ``unit``; ``amount`` None where not told."""

    supply: str
    first: date
    last: date
    unit: str
    units: float
    amount: float | None = None
    note: str = ""

    @property
    def litres(self) -> float:
        return self.units * unit_l(self.unit)

    @property
    def rounding_l(self) -> float:
        """The utility reads whole units at both ends: the difference is known to within one. [L]"""
        return unit_l(self.unit) if float(self.units).is_integer() else 0.0


def read_bill(form: Mapping[str, Any], supplies: Sequence[Supply], today: date) -> Bill:
    """A bill from its form: either ``units``, or ``before`` and ``after`` as the meter stood. Raises Refused."""
    names = [supply.id for supply in supplies]
    if form["supply"] not in names:
        raise Refused(f"bill: no supply {form['supply'][:40]!r} here; supplies are {', '.join(names)}")
    first, last = read_date(form["first"], "bill, first"), read_date(form["last"], "bill, last")
    if not 0 < (last - first).days <= LONGEST_DAYS:
        raise Refused(f"bill: from {first} to {last} is not 1 to {LONGEST_DAYS} days; give the two dates it was read")
    if last > today:
        raise Refused(f"bill: it was read on {last}, which is after today, {today}; give the date on the bill")
    unit_l(form["unit"])
    amount = form.get("amount")
    return Bill(
        supply=form["supply"],
        first=first,
        last=last,
        unit=form["unit"],
        units=_units(form),
        amount=None if amount is None else number_in(amount, "bill, amount", 1e9),
        note=form.get("note", ""),
    )


def _units(form: Mapping[str, Any]) -> float:
    given, before, after = form.get("units"), form.get("before"), form.get("after")
    if given is not None and (before is not None or after is not None):
        raise Refused("bill: give units, or the two readings before and after, not both")
    if given is not None:
        return number_in(given, "bill, units", MOST_UNITS)
    if before is None or after is None:
        raise Refused("bill: units is missing; give units, or the two readings before and after")
    low, high = number_in(before, "bill, before", MOST_UNITS), number_in(after, "bill, after", MOST_UNITS)
    if high < low:
        raise Refused(
            f"bill: after ({high:g}) is below before ({low:g}); exchange them, or give units if the meter was replaced"
        )
    return high - low


def read_date(text: str, where: str) -> date:
    """An ISO date. Raises Refused."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise Refused(f"{where}: {text[:20]!r} is no date; write it as 2027-06-30") from None


def body_of(bill: Bill) -> dict[str, Any]:
    """As it is kept; ``bill_from`` reads it."""
    return {
        "supply": bill.supply,
        "first": bill.first.isoformat(),
        "last": bill.last.isoformat(),
        "unit": bill.unit,
        "units": bill.units,
        "amount": bill.amount,
        "note": bill.note,
    }


def bill_from(body: Mapping[str, Any]) -> Bill:
    """The bill that ``body_of`` wrote."""
    dates = {"first": date.fromisoformat(body["first"]), "last": date.fromisoformat(body["last"])}
    return Bill(**{**body, **dates})


def span_of(bill: Bill, zone: ZoneInfo) -> Span:
    """The dates a bill can concern, both reading days included."""
    return Span(bill.first, bill.last, zone)


@dataclass(frozen=True, slots=True, kw_only=True)
class Explained:
    """A bill against our litres. ``parts`` are (what, litres) that add up to the bill; ``notes`` what they rest on.

    ``slack_l`` is how far the two may differ with nothing wrong. ``left_l`` is billed less all that is accounted for.
    """

    bill: Bill
    parts: tuple[tuple[str, float], ...]
    left_l: float
    slack_l: float
    verdict: str
    notes: tuple[str, ...]
    expected_amount: float | None


def set_against(
    bill: Bill, supply: Supply, records: Records, by_day: Mapping[date, Litres], tariff: Tariff | None
) -> Explained:
    """The bill explained. ``by_day`` are this supply's runs; ``records`` those of the bill's dates.

    The hour of a reading is not known: the middle of both reading days is taken, half a day's water is the doubt.
    """
    inner = sum((litres for day, litres in by_day.items() if bill.first < day < bill.last), Litres())
    ends = [by_day.get(bill.first, Litres()), by_day.get(bill.last, Litres())]
    half_l = sum(end.total_l for end in ends) / 2.0
    runs_l = inner.total_l + half_l
    counted_l = _counted_l(supply, records)
    other_l = max(0.0, counted_l - inner.total_l - 2.0 * half_l) if counted_l is not None else 0.0
    left_l = bill.litres - runs_l - other_l
    doubt_l = math.hypot(2.0 * inner.doubt_l, METER_CLASS * bill.litres)
    slack_l = half_l + bill.rounding_l + doubt_l
    outside = "house and other taps on the meter" if supply.shared_with_house else "water that passed outside runs"
    parts = [("runs of the zones", runs_l)]
    parts += [(outside, other_l)] if other_l > 0.0 else []
    parts += [("not accounted for" if left_l >= 0.0 else "more of ours than was billed", left_l)]
    return Explained(
        bill=bill,
        parts=tuple(parts),
        left_l=left_l,
        slack_l=slack_l,
        verdict=_verdict(supply, counted_l, left_l, slack_l, _faults_l(supply, records.faults)),
        notes=_notes(bill, supply, inner + ends[0] + ends[1], half_l, doubt_l),
        expected_amount=None if tariff is None else tariff.fixed + tariff.volume_cost(bill.litres),
    )


def _counted_l(supply: Supply, records: Records) -> float | None:
    counts = [litres for (name, _), litres in records.counted_l.items() if name == supply.id]
    return sum(counts) if counts else None


def _faults_l(supply: Supply, faults: Sequence[Fault]) -> float:
    return sum(fault.lost_l or 0.0 for fault in faults if fault.supply == supply.id)


def _verdict(supply: Supply, counted_l: float | None, left_l: float, slack_l: float, faults_l: float) -> str:
    if abs(left_l) <= slack_l:
        return "The bill and our litres agree within what both are known to."
    if left_l < 0.0:
        return (
            "We count more than was billed. Likely: the bill was estimated, its dates are others, or a zone's rate in "
            "the site file is too high. Compare the dates, then audit the zones that take most."
        )
    if supply.shared_with_house and counted_l is None:
        return "The rest is what the house used, or a leak; only a meter on the irrigation alone can tell which."
    leak = (
        f" Faults on record lost at least {faults_l:.0f} L of the runs and of what passed outside." if faults_l else ""
    )
    if counted_l is None:
        return (
            "More was billed than the zones' runs. Without a meter of ours this can be a leak, another tap, or rates "
            f"in the site file that are too low: do the leak test (dewpond guide) and an audit.{leak}"
        )
    return (
        "More was billed than passed our meter. Water leaves between the utility's meter and ours, our meter reads "
        f"low or missed a time, or the bill was estimated: read both meters an hour apart with all taps shut.{leak}"
    )


def _notes(bill: Bill, supply: Supply, used: Litres, half_l: float, doubt_l: float) -> tuple[str, ...]:
    notes = [
        f"Our runs: {used.source}. Metered litres are good to 2 % (ISO 4064 class 2, from memory), computed ones to "
        f"15 % (our assumption); twice that, with 2 % for the utility's meter, is {doubt_l:.0f} L.",
        f"The bill has no hour of its readings: half the water of both reading days, {half_l:.0f} L, either way.",
    ]
    if bill.rounding_l:
        notes.append(f"The bill counts whole {bill.unit}: {bill.rounding_l:.0f} L either way.")
    if supply.shared_with_house:
        notes.append("The house is on the same meter, so a bill above our runs is to be expected.")
    return tuple(notes)


def money_word(bill: Bill, expected: float | None, tariff: Tariff | None) -> str:
    """Whether the amount fits the tariff, in a sentence; "" where either is not known."""
    if bill.amount is None or expected is None or tariff is None:
        return ""
    both = f"{bill.amount:.2f} {tariff.currency} billed, {expected:.2f} by the tariff kept here"
    if abs(bill.amount - expected) <= max(MONEY_SLACK * expected, 0.02):
        return f"{both}: they agree."
    return f"{both}: look for levies, sewer charges, or tiers that changed."
