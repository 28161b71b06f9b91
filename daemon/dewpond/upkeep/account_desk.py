"""Water accounts at the desk of the work on foot: reports, a zone's week, tariffs, bills and the allowance's factor.

What people enter is kept as every other thing of the work on foot: each version, with who and when.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from dewpond.model.site import Site, Zone
from dewpond.model.upkeep import next_entry
from dewpond.ports import UpkeepBook
from dewpond.upkeep import accounts
from dewpond.upkeep.accounts import bills, tariff
from dewpond.upkeep.refusal import Refused
from dewpond.upkeep.rule_log import Span

Plain = dict[str, Any]
ALLOWANCE = "allowance"
LONGEST_DAYS = 800
HIGHEST_FACTOR = 1.5


def report(site: Site, book: UpkeepBook, read: accounts.ReadRecords, form: Mapping[str, Any], at: datetime) -> Plain:
    """The report of a span, or of the month so far. ``page`` and ``csv`` add it as text. Raises Refused."""
    span = span_of(site, form, at)
    body = accounts.report(site, span, read, agreed(book))
    body["page"] = accounts.report_page(body) if form.get("page") else None
    body["csv"] = accounts.account_csv(body) if form.get("csv") else None
    return body


def week(site: Site, zone: Zone, read: accounts.ReadRecords, form: Mapping[str, Any], at: datetime) -> Plain:
    """The seven nights that end with ``last``, or with last night. Raises Refused."""
    place = ZoneInfo(site.timezone)
    last = bills.read_date(form["last"], "week, last") if form.get("last") else at.astimezone(place).date()
    span = accounts.week_of(last, place)
    # A night goes on into the next date.
    records = read(Span(span.first, span.last + timedelta(days=1), place))
    body = accounts.week_told(site, zone, replace(records, span=span))
    body["page"] = accounts.week_page(body) if form.get("page") else None
    return body


def span_of(site: Site, form: Mapping[str, Any], at: datetime) -> Span:
    """The dates asked for: a month ("2027-06"), a year ("2027"), or first and last. Raises Refused."""
    place = ZoneInfo(site.timezone)
    today = at.astimezone(place).date()
    if form.get("month") and (form.get("first") or form.get("last")):
        raise Refused("report: give month, or first and last, not both")
    if form.get("month"):
        first, last = _month(form["month"])
    else:
        last = bills.read_date(form["last"], "report, last") if form.get("last") else today
        first = bills.read_date(form["first"], "report, first") if form.get("first") else last.replace(day=1)
    last = min(last, today)
    if not 0 <= (last - first).days < LONGEST_DAYS:
        raise Refused(
            f"report: {first} to {last} is not 1 to {LONGEST_DAYS} days of the past; today is {today}, choose others"
        )
    return Span(first, last, place)


def _month(text: str) -> tuple[date, date]:
    try:
        if len(text) == 4:
            return date(int(text), 1, 1), date(int(text), 12, 31)
        first = date.fromisoformat(f"{text}-01")
    except ValueError:
        raise Refused(f"report, month: {text[:20]!r} is no month and no year; write 2027-06 or 2027") from None
    return first, (first + timedelta(days=32)).replace(day=1) - timedelta(days=1)


def agreed(book: UpkeepBook) -> accounts.Agreed:
    """What people have entered so far."""
    tariffs = {entry.subject: tariff.tariff_from(entry.body) for entry in book.all_newest(tariff.KIND)}
    known = [bills.bill_from(entry.body) for entry in book.all_newest(bills.KIND) if not entry.body.get("withdrawn")]
    own = book.newest(ALLOWANCE, "site")
    told: Plain = {}
    if own is not None:
        told = {"factor": own.body["factor"], "special": tuple(own.body["special"]), "factor_from": own.body["source"]}
    return accounts.Agreed(tariffs=tariffs, bills=sorted(known, key=lambda bill: (bill.first, bill.supply)), **told)


def keep_tariff(site: Site, book: UpkeepBook, form: Mapping[str, Any], who: str, at: datetime) -> Plain:
    """Keep a supply's tariff. Raises Refused, and Overtaken."""
    if form["supply"] not in [supply.id for supply in site.supplies]:
        raise Refused(
            f"tariff: no supply {form['supply'][:40]!r} here; supplies are {', '.join(one.id for one in site.supplies)}"
        )
    body = tariff.body_of(tariff.read_tariff(form))
    last = book.newest(tariff.KIND, form["supply"])
    entry = next_entry(tariff.KIND, form["supply"], body, who=who, at=at, made_from=form.get("version", last))
    book.keep(entry)
    return {"supply": entry.subject, "version": entry.version, **body}


def keep_bill(site: Site, book: UpkeepBook, form: Mapping[str, Any], who: str, at: datetime) -> Plain:
    """Keep a bill; the same supply and last date again corrects it. Raises Refused, and Overtaken."""
    bill = bills.read_bill(form, site.supplies, at.astimezone(ZoneInfo(site.timezone)).date())
    overlap = [
        one
        for one in agreed(book).bills
        if one.supply == bill.supply and one.last != bill.last and one.first < bill.last and bill.first < one.last
    ]
    if overlap:
        raise Refused(
            f"bill: {bill.first} to {bill.last} overlaps the bill of {overlap[0].first} to {overlap[0].last}; correct "
            "that one by its last date, or withdraw it"
        )
    return _keep_bill(book, bill, {}, form, who, at)


def withdraw_bill(book: UpkeepBook, form: Mapping[str, Any], who: str, at: datetime) -> Plain:
    """Take a bill back; what was entered stays on record. Raises Refused, and Overtaken."""
    entry = book.newest(bills.KIND, f"{form['supply']}/{form['last']}")
    if entry is None or entry.body.get("withdrawn"):
        raise Refused(f"bill: none of {form['supply'][:40]} read last on {form['last'][:20]} is kept; see the list")
    return _keep_bill(book, bills.bill_from(entry.body), {"withdrawn": True}, form, who, at)


def _keep_bill(
    book: UpkeepBook, bill: bills.Bill, more: Plain, form: Mapping[str, Any], who: str, at: datetime
) -> Plain:
    subject = f"{bill.supply}/{bill.last.isoformat()}"
    body = {**bills.body_of(bill), **more}
    last = book.newest(bills.KIND, subject)
    entry = next_entry(bills.KIND, subject, body, who=who, at=at, made_from=form.get("version", last))
    book.keep(entry)
    return {"bill": subject, "version": entry.version, "litres": bill.litres, **body}


def keep_allowance(site: Site, book: UpkeepBook, form: Mapping[str, Any], who: str, at: datetime) -> Plain:
    """Keep the allowance's factor, its source, and the zones that may use all of ET. Raises Refused."""
    factor = tariff.number_in(form["factor"], "allowance, factor", HIGHEST_FACTOR)
    special, known = list(form.get("special", ())), {zone.id for zone in site.zones}
    unknown = [name for name in special if name not in known]
    if unknown:
        raise Refused(f"allowance: no zone {unknown[0][:40]!r} here; zones are {', '.join(sorted(known))}")
    body = {"factor": factor, "special": special, "source": form["source"]}
    last = book.newest(ALLOWANCE, "site")
    entry = next_entry(ALLOWANCE, "site", body, who=who, at=at, made_from=form.get("version", last))
    book.keep(entry)
    return {"version": entry.version, **body}


def entered(book: UpkeepBook) -> Plain:
    """Tariffs, bills and allowance as they stand, with their versions."""
    own = book.newest(ALLOWANCE, "site")
    return {
        "tariffs": [
            {"supply": entry.subject, "version": entry.version, **entry.body} for entry in book.all_newest(tariff.KIND)
        ],
        "bills": [
            {"bill": entry.subject, "version": entry.version, **entry.body}
            for entry in book.all_newest(bills.KIND)
            if not entry.body.get("withdrawn")
        ],
        "allowance": None if own is None else {"version": own.version, **own.body},
    }
