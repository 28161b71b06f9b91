"""The report of a span of dates as plain JSON: litres and money, what they are held against, bills, faults, rules."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import date, timedelta
from typing import Any

from dewpond.model.site import Site
from dewpond.upkeep.accounts import yardsticks
from dewpond.upkeep.accounts.bills import Bill, money_word, set_against
from dewpond.upkeep.accounts.records import ReadRecords, Records, days_of, months_of, year_before
from dewpond.upkeep.accounts.tariff import Tariff, month_cost, total
from dewpond.upkeep.accounts.volumes import Litres, Volumes, litres_of, metered_supplies, silent_runs, volumes
from dewpond.upkeep.rule_log import Span

Plain = dict[str, Any]
YEAR = timedelta(days=365)


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreed:
    """What people have entered for the accounts: tariffs by supply, bills, the allowance's factor and special zones."""

    tariffs: Mapping[str, Tariff] = field(default_factory=dict)
    bills: Sequence[Bill] = ()
    factor: float = yardsticks.HOME_FACTOR
    factor_from: str = "California's factor for homes, 23 CCR 491; nobody has entered this site's own"
    special: tuple[str, ...] = ()


def report(site: Site, span: Span, read: ReadRecords, agreed: Agreed) -> Plain:
    """Everything on the report. ``read`` gives the records of any span; dates without records count as unknown."""
    now = read(span)
    used, booked = volumes(site, now), _on_known_days(site, now)
    need = yardsticks.need_l(site, now.days)
    record = read(Span(span.last - YEAR, span.last, span.zone), decisions=False).days
    allowed = yardsticks.allowance(site, now.days, booked, factor=agreed.factor, special=agreed.special)
    timer = yardsticks.timer_l_d(site, record)
    return {
        "site": site.name,
        "units": site.units,
        "timezone": site.timezone,
        "first": span.first.isoformat(),
        "last": span.last.isoformat(),
        "known_days": len({row.date for row in now.days}),
        "days": (span.last - span.first).days + 1,
        "litres": used.total.total_l,
        "doubt_l": used.total.doubt_l,
        "litres_known": booked.total_l,
        "source": used.total.source,
        "runs": used.runs,
        "need_l": sum(need.values()) if need else None,
        "rain_mm": _rain_mm(now),
        "cost": _money(site, span, used, agreed),
        "zones": _zones(site, span, now, used, need, agreed),
        "supplies": _supplies(site, span, now, used, agreed),
        "months": _months(site, span, now, used, timer),
        "series": _series(site, now, used, timer, allowed),
        "allowance": {**asdict(allowed), "factor_from": agreed.factor_from, "special": list(agreed.special)},
        "comparisons": _comparisons(site, span, read, booked, need, timer, yardsticks.days_set_for(record), now),
        "bills": [_bill(site, bill, span, read, agreed) for bill in agreed.bills if _concerns(bill, span)],
        "faults": _faults(site, now),
        "silent_runs": len(silent_runs(site, now.runs)),
        "rules": _rules(now),
    }


def _on_known_days(site: Site, now: Records) -> Litres:
    """Litres of the days that have a ledger: only they can be held against need and allowance, which come from it."""
    known = {row.date for row in now.days}
    runs = [run for run in now.runs if run.start.astimezone(now.span.zone).date() in known]
    return volumes(site, replace(now, runs=runs)).total


def _rain_mm(records: Records) -> float | None:
    by_day = {row.date: row.rain_mm for row in records.days if math.isfinite(row.rain_mm)}
    return sum(by_day.values()) if by_day else None


def zone_costs(site: Site, span: Span, used: Volumes, agreed: Agreed) -> dict[str, float | None]:
    """Each zone's part of its supplies' monthly volume charges, by litres. A rising tier falls on all alike."""
    costs: dict[str, float | None] = {}
    for zone in site.zones:
        tariff, cost = agreed.tariffs.get(zone.supply), 0.0
        for month, _ in months_of(span):
            part = used.by_zone_month.get((zone.id, month), Litres()).total_l
            whole = used.by_supply_month.get((zone.supply, month), Litres()).total_l
            cost += (month_cost(tariff, whole) or 0.0) * part / whole if whole else 0.0
        costs[zone.id] = None if tariff is None else cost
    return costs


def _money(site: Site, span: Span, used: Volumes, agreed: Agreed) -> Plain | None:
    costs = zone_costs(site, span, used, agreed)
    currencies = {tariff.currency for tariff in agreed.tariffs.values()}
    amount = total(list(costs.values()))
    if amount is None or len(currencies) != 1:
        return None
    return {"amount": amount, "currency": currencies.pop()}


def _zones(
    site: Site, span: Span, now: Records, used: Volumes, need: Mapping[str, float], agreed: Agreed
) -> list[Plain]:
    costs, decided = zone_costs(site, span, used, agreed), defaultdict(Counter)  # type: ignore[var-annotated]
    for reason in now.reasons:
        decided[reason.zone][reason.decision] += 1
    stressed = Counter(row.zone for row in now.days if row.depletion_mm > row.raw_mm)
    rows = []
    for zone in site.zones:
        litres = used.by_zone.get(zone.id, Litres())
        rows.append(
            {
                "zone": zone.id,
                "name": zone.name,
                "supply": zone.supply,
                "area_m2": zone.area_m2,
                "litres": litres.total_l,
                "metered_l": litres.metered_l,
                "computed_l": litres.computed_l,
                "doubt_l": litres.doubt_l,
                "mm": litres.total_l / zone.area_m2,
                "need_l": need.get(zone.id),
                "cost": costs[zone.id],
                "currency": agreed.tariffs[zone.supply].currency if zone.supply in agreed.tariffs else None,
                "nights": {name: decided[zone.id][name] for name in ("water", "left dry", "held", "not allowed")},
                "dry_days": stressed[zone.id],
            }
        )
    return rows


def _supplies(site: Site, span: Span, now: Records, used: Volumes, agreed: Agreed) -> list[Plain]:
    rows = []
    for supply in site.supplies:
        tariff = agreed.tariffs.get(supply.id)
        months: list[Plain] = []
        for month, _ in months_of(span):
            litres = used.by_supply_month.get((supply.id, month), Litres())
            counted = now.counted_l.get((supply.id, month))
            cost = month_cost(tariff, litres.total_l)
            months.append({"month": month, "litres": litres.total_l, "counted_l": counted, "cost": cost})
        litres = used.by_supply.get(supply.id, Litres())
        rows.append(
            {
                "supply": supply.id,
                "source": supply.source,
                "shared": supply.shared_with_house,
                "litres": litres.total_l,
                "metered_l": litres.metered_l,
                "computed_l": litres.computed_l,
                "doubt_l": litres.doubt_l,
                "counted_l": total([month["counted_l"] for month in months if month["counted_l"] is not None]),
                "cost": total([month["cost"] for month in months]),
                "fixed_a_bill": None if tariff is None else tariff.fixed,
                "currency": None if tariff is None else tariff.currency,
                "months": months,
            }
        )
    return rows


def _months(site: Site, span: Span, now: Records, used: Volumes, timer_l_d: float | None) -> list[Plain]:
    rows = []
    for month, part in months_of(span):
        days = [row for row in now.days if part.first <= row.date <= part.last]
        need = yardsticks.need_l(site, days)
        litres = sum((used.by_zone_month.get((zone.id, month), Litres()) for zone in site.zones), Litres())
        count = (part.last - part.first).days + 1
        rain = {row.date: row.rain_mm for row in days if math.isfinite(row.rain_mm)}
        rows.append(
            {
                "month": month,
                "litres": litres.total_l,
                "need_l": sum(need.values()) if need else None,
                "timer_l": None if timer_l_d is None else timer_l_d * count,
                "rain_mm": sum(rain.values()) if rain else None,
            }
        )
    return rows


def _series(site: Site, now: Records, used: Volumes, timer: float | None, allowed: yardsticks.Allowance) -> list[Plain]:
    """Day by day, for the drawings: litres given and needed, rain, and ETo's share of the allowance."""
    rows: dict[date, list[Any]] = defaultdict(list)
    for row in now.days:
        rows[row.date].append(row)
    zones = {zone.id: zone for zone in site.zones}
    found = []
    for day in days_of(now.span):
        eto = next((row.eto_mm for row in rows[day] if math.isfinite(row.eto_mm)), None)
        rain = next((row.rain_mm for row in rows[day] if math.isfinite(row.rain_mm)), None)
        need = sum(
            (row.etc_mm - row.effective_rain_mm) / zones[row.zone].efficiency * zones[row.zone].area_m2
            for row in rows[day]
            if row.zone in zones and math.isfinite(row.etc_mm) and math.isfinite(row.effective_rain_mm)
        )
        share = eto / allowed.eto_mm if eto is not None and allowed.eto_mm > 0.0 else 0.0
        found.append(
            {
                "date": day.isoformat(),
                "litres": used.by_day.get(day.isoformat(), Litres()).total_l,
                "need_l": need if rows[day] else None,
                "rain_mm": rain,
                "allowance_l": None if allowed.litres is None else allowed.litres * share,
                "timer_l": timer,
            }
        )
    return found


def _comparisons(
    site: Site,
    span: Span,
    read: ReadRecords,
    used: Litres,
    need: Mapping[str, float],
    timer: float | None,
    set_for: int,
    now: Records,
) -> list[Plain]:
    """Savings. Against last year only with both years' ledgers whole, else the difference would be of records."""
    known = {row.date for row in now.days}
    found = [yardsticks.against_timer(timer, len(known), used, set_for_days=set_for)] if known else []
    before = read(year_before(span), decisions=False)
    if len(known) == len(days_of(span)) == len({row.date for row in before.days}):
        last = volumes(site, before).total
        found.append(yardsticks.against_last_year(used, dict(need), last, yardsticks.need_l(site, before.days)))
    return [{**asdict(one), "proved": one.proved} for one in found if one is not None]


def _concerns(bill: Bill, span: Span) -> bool:
    return bill.first < span.last and bill.last > span.first


def _bill(site: Site, bill: Bill, span: Span, read: ReadRecords, agreed: Agreed) -> Plain:
    records = read(Span(bill.first, bill.last, span.zone), decisions=False)
    tariff = agreed.tariffs.get(bill.supply)
    metered = bill.supply in metered_supplies(site)
    mine = {zone.id for zone in site.zones if zone.supply == bill.supply}
    by_day: dict[date, Litres] = defaultdict(Litres)
    for run in records.runs:
        if run.zone in mine:
            by_day[run.start.astimezone(span.zone).date()] += litres_of(run, metered=metered)
    told = set_against(bill, site.supply(bill.supply), records, by_day, tariff)
    return {
        "supply": bill.supply,
        "first": bill.first.isoformat(),
        "last": bill.last.isoformat(),
        "units": bill.units,
        "unit": bill.unit,
        "litres": bill.litres,
        "amount": bill.amount,
        "currency": tariff.currency if tariff else None,
        "parts": [{"what": what, "litres": litres} for what, litres in told.parts],
        "left_l": told.left_l,
        "slack_l": told.slack_l,
        "verdict": told.verdict,
        "money": money_word(bill, told.expected_amount, tariff),
        "notes": list(told.notes),
        "note": bill.note,
    }


def _faults(site: Site, now: Records) -> list[Plain]:
    names = {zone.id: zone.name for zone in site.zones}
    return [
        {
            "at": now.span.local(fault.at),
            "kind": fault.kind,
            "zone": names.get(fault.zone or "", fault.zone or ""),
            "detail": fault.detail,
            "lost_l": fault.lost_l,
            "cleared": now.span.local(fault.cleared_at) if fault.cleared_at else None,
        }
        for fault in sorted(now.faults, key=lambda fault: fault.at)
    ]


def _rules(now: Records) -> Plain:
    """How the rules of the place were kept. The journal tells; a site without one has nothing to show."""
    log, runs = now.rules, list(now.rules.get("runs", ()))
    decided = Counter(one.decision for one in now.reasons)
    return {
        "in_file": list(log.get("in_file", ())),
        "runs": len(runs),
        "under_rules": sum(bool(run["in_force"]) for run in runs),
        "exempt": [run for run in runs if run["exemptions"]],
        "against": [run for run in runs if run["against"]],
        "declared": list(log.get("declared", ())),
        "refused": [one for one in log.get("requests", ()) if one["accepted"] is False],
        "shortened": list(log.get("shortened", ())),
        "nights_not_allowed": decided["not allowed"],
        "nights_held": decided["held"],
    }
