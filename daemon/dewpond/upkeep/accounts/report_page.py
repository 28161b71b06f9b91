"""A report as one page of HTML that needs nothing but itself: to read on a phone, to print, to send."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from dewpond.upkeep.accounts import look, plots
from dewpond.upkeep.accounts.show import Figures, amount, day_text, money, month_text, span_text

Plain = Mapping[str, Any]
KEY = (
    '<p class="key small"><span><i class="k-bar"></i>water given</span>'
    '<span><i class="k-need"></i>the plants\' need</span><span><i class="k-rain"></i>rain</span></p>'
)
FAULTS_SHOWN = 40
UNIT_SIGNS = {"m3": "m³", "ft3": "ft³"}


def report_page(body: Plain) -> str:
    """The page of ``report.report``'s plain data."""
    figures = Figures(body["units"])
    under = f"{day_text(body['first'])} to {day_text(body['last'])}, days of {body['timezone']}"
    return look.page(
        body["site"],
        f"Water account, {span_text(body['first'], body['last'])}",
        under,
        (
            look.line(_lead(body, figures), "lead"),
            _large(body, figures),
            look.section(
                "Given and needed", plots.given_and_needed(on_record(body["series"]), figures), KEY, _gaps(body)
            ),
            _zones(body, figures),
            _supplies(body, figures),
            _held_against(body, figures),
            _bills(body, figures),
            _faults(body, figures),
            _rules(body, figures),
            look.section("How this was made", look.bullets(_made(body))),
        ),
    )


def _lead(body: Plain, figures: Figures) -> str:
    if not body["runs"]:
        return "Nothing ran in these days."
    given = f"{body['runs']} openings gave {figures.volume(body['litres'])} ({body['source']})."
    if not body["need_l"]:
        return given
    share = 100.0 * body["litres_known"] / body["need_l"]
    rain = "" if body["rain_mm"] is None else " No rain fell."
    if body["rain_mm"]:
        rain = f" {figures.depth(body['rain_mm'])} of rain fell."
    return f"{given} That is {share:.0f} % of what the plants needed beyond rain.{rain}"


def _large(body: Plain, figures: Figures) -> str:
    cost, allowed = body["cost"], body["allowance"]
    share = allowed["used_share"]
    return look.figures(
        (
            (figures.volume(body["litres"]), f"used, ± {figures.volume(2 * body['doubt_l'])}"),
            (figures.volume(body["need_l"]) if body["need_l"] is not None else "", "the plants' need beyond rain"),
            (
                "" if share is None else f"{100 * share:.0f} %",
                f"of the water allowance, {figures.volume(allowed['litres'])}",
            ),
            (money(cost["amount"], cost["currency"]) if cost else "", "for the water, without fixed charges"),
        )
    )


def _gaps(body: Plain) -> str:
    missing = body["days"] - body["known_days"]
    return (
        look.line(
            f"{missing} of {body['days']} days have no ledger yet. Need, allowance and savings count the others alone.",
            "small",
        )
        if missing
        else ""
    )


def on_record(series: Sequence[Plain]) -> Sequence[Plain]:
    """The days from the first of which anything is known."""
    known = (place for place, day in enumerate(series) if day["need_l"] is not None or day["litres"] > 0.0)
    return series[next(known, 0) :]


def _zones(body: Plain, figures: Figures) -> str:
    zones = sorted(body["zones"], key=lambda zone: -zone["litres"])
    priced = any(zone["cost"] is not None for zone in zones)
    rows = [
        [
            f"{zone['name']}\n{_nights(zone)}",
            figures.volume(zone["litres"]),
            figures.volume(zone["need_l"]),
            figures.depth(zone["mm"]),
            *([amount(zone["cost"])] if priced else []),
        ]
        for zone in zones
    ]
    head = ["Zone", "Used", "Need", "Depth", *([_currency(zones)] if priced else [])]
    return look.section("Zones", plots.zones_against_need(zones, figures), look.table(head, rows, extra=(3,)))


def _currency(rows: Sequence[Plain]) -> str:
    """The heading of a column of money."""
    return " or ".join(sorted({row["currency"] for row in rows if row["currency"]}))


def _nights(zone: Plain) -> str:
    words = {"water": "watered", "left dry": "left dry", "held": "held", "not allowed": "not allowed"}
    told = [f"{words[name]} {count}" for name, count in zone["nights"].items() if count]
    days = "day" if zone["dry_days"] == 1 else "days"
    told += [f"{zone['dry_days']} {days} drier than roots take easily"] if zone["dry_days"] else []
    return ", ".join(told)


def _supplies(body: Plain, figures: Figures) -> str:
    parts = []
    for supply in body["supplies"]:
        counted = any(month["counted_l"] is not None for month in supply["months"])
        priced = supply["cost"] is not None
        rows = [
            [
                month_text(month["month"]),
                figures.volume(month["litres"]),
                *([figures.volume(month["counted_l"])] if counted else []),
                *([amount(month["cost"])] if priced else []),
            ]
            for month in supply["months"]
        ]
        whole = [figures.volume(supply["litres"])]
        whole += [figures.volume(supply["counted_l"])] if counted else []
        whole += [amount(supply["cost"])] if priced else []
        rows += [["Together", *whole]] if len(rows) > 1 else []
        head = ["Month", "Runs", *(["Meter"] if counted else []), *([_currency([supply])] if priced else [])]
        shared = ", shared with the house" if supply["shared"] else ""
        parts += [look.heading(f"{supply['supply']} ({supply['source']}{shared})")]
        parts += [look.table(head, rows, total=len(rows) > 1)]
        if supply["fixed_a_bill"]:
            parts.append(
                look.line(f"Each bill adds {money(supply['fixed_a_bill'], supply['currency'])} fixed.", "small")
            )
    return look.section("Supplies", *parts)


def _held_against(body: Plain, figures: Figures) -> str:
    allowed, parts = body["allowance"], [plots.adding_up(on_record(body["series"]), figures)]
    if allowed["litres"] is not None:
        parts += [look.heading("The water allowance"), look.line(_allowance(allowed, figures))]
        parts += [look.line(f"Factor {allowed['factor']:g}: {allowed['factor_from']}.", "small")]
    for one in body["comparisons"]:
        parts += [
            look.heading(f"Against {one['name']}"),
            look.line(saving(one, figures), f"said {'good' if one['proved'] and one['saved_l'] > 0 else ''}".strip()),
            look.line(one["method"], "small"),
        ]
    names = {one["name"] for one in body["comparisons"]}
    if "a fixed calendar" not in names and body["runs"]:
        parts.append(look.line("A fixed calendar: not compared, for too few days are on record to set it by.", "small"))
    if "last year" not in names:
        parts.append(
            look.line("Last year: not compared, for its records or this year's have gaps in these dates.", "small")
        )
    return look.section("Held against", *parts)


def _allowance(allowed: Plain, figures: Figures) -> str:
    area, special_area = figures.area(allowed["area_m2"]), figures.area(allowed["special_m2"])
    special = f", and all of ET on {special_area} of it" if allowed["special_m2"] else ""
    return (
        f"{figures.volume(allowed['litres'])} for {allowed['days']} days: "
        f"reference ET {figures.depth(allowed['eto_mm'])} x factor {allowed['factor']:g} x {area}{special}. "
        f"{100 * allowed['used_share']:.0f} % of it was used."
    )


def saving(one: Plain, figures: Figures) -> str:
    """A saving in words: never without its uncertainty, and no saving where the difference is within it."""
    other, doubt = figures.volume(one["other_l"]), figures.volume(2.0 * one["saved_doubt_l"])
    difference = figures.volume(abs(one["saved_l"]))
    if not one["proved"]:
        within = f"is within its uncertainty of ± {doubt}: no saving is shown"
        return f"It would have used {other}. The difference, {difference}, {within}."
    word = "less" if one["saved_l"] > 0 else "more"
    return f"It would have used {other}; {difference} {word} was used, ± {doubt} (about 95 %)."


def _bills(body: Plain, figures: Figures) -> str:
    parts = []
    for bill in body["bills"]:
        told = money(bill["amount"], bill["currency"])
        agrees = abs(bill["left_l"]) <= bill["slack_l"]
        rows = [[part["what"][0].upper() + part["what"][1:], figures.volume(part["litres"])] for part in bill["parts"]]
        rows.append(
            [f"Billed: {bill['units']:g} {UNIT_SIGNS.get(bill['unit'], bill['unit'])}", figures.volume(bill["litres"])]
        )
        parts += [
            look.heading(
                f"{bill['supply']}, read {day_text(bill['first'])} and {day_text(bill['last'])}"
                f"{', ' * bool(told)}{told}"
            ),
            look.table(["Of the bill", ""], rows, total=True),
            look.line(figures.sentence(bill["verdict"]), f"said {'good' if agrees else 'bad'}"),
            look.line(bill["money"]),
            look.line(f"May differ by {figures.volume(bill['slack_l'])} with nothing wrong.", "small"),
            look.line(" ".join(figures.sentence(note) for note in bill["notes"]), "small"),
        ]
    return look.section("Bills", *parts)


def _faults(body: Plain, figures: Figures) -> str:
    faults = body["faults"]
    lost = sum(fault["lost_l"] or 0.0 for fault in faults)
    rows = [
        [
            f"{figures.sentence(fault['detail'])}\n{_when(fault)}",
            f"at least {figures.volume(fault['lost_l'])}" if fault["lost_l"] else "not counted",
        ]
        for fault in faults[:FAULTS_SHOWN]
    ]
    more = f"And {len(faults) - FAULTS_SHOWN} more; the CSV has all." if len(faults) > FAULTS_SHOWN else ""
    silent = body["silent_runs"]
    return look.section(
        "Faults",
        look.line(
            "None was found."
            if not faults
            else f"They lost at least {figures.volume(lost)}: what was counted until they were told."
            if lost
            else ""
        ),
        look.table(["What", "Lost"], rows),
        look.line(more),
        look.line(f"In {silent} openings the meter counted nothing; they stand with 0 L." if silent else "", "small"),
    )


def _when(fault: Plain) -> str:
    over = f"over {fault['cleared'][:16]}" if fault["cleared"] else "not over yet"
    return f"{fault['at'][:16]}, {over}"


def _rules(body: Plain, figures: Figures) -> str:
    rules = body["rules"]
    parts = [look.bullets([figures.sentence(text) for text in rules["in_file"]])]
    parts.append(look.line(kept_word(rules), f"said {'bad' if rules['against'] else 'good'}"))
    held = [f"{rules['nights_not_allowed']} zone nights were left dry because no rule allowed water"] * bool(
        rules["nights_not_allowed"]
    )
    held += [f"{len(rules['refused'])} requests by hand were refused"] * bool(rules["refused"])
    held += [f"{len(rules['shortened'])} waterings were shortened to the hours allowed"] * bool(rules["shortened"])
    parts.append(look.line("; ".join(held) + "." if held else ""))
    rows = [
        [f"{run['zone']}: {' and '.join(run['against'])}\n{run['insisted_by']}: {run['reason']}", run["start"][:16]]
        for run in rules["against"]
    ]
    parts.append(look.table(["Against a rule, by a person's word", "Began"], rows))
    rows = [[f"{run['zone']}\n{'; '.join(run['exemptions'])}", run["start"][:16]] for run in rules["exempt"]]
    parts.append(look.table(["With leave (exemption)", "Began"], rows))
    rows = [
        [f"{one['what']}: {one['text']}\n{one['who']}: {one['reason']}", one["at"][:16]] for one in rules["declared"]
    ]
    parts.append(look.table(["Declared", "At"], rows))
    return look.section("Rules of the place", *parts)


def kept_word(rules: Plain) -> str:
    """In one sentence, how the rules were kept."""
    if not rules["runs"]:
        return "Nothing ran, so no rule was touched."
    against, exempt = len(rules["against"]), len(rules["exempt"])
    leave = f", {exempt} of them with leave" if exempt else ""
    if against:
        return f"{against} of {rules['runs']} openings went against a rule, each by a person's word{leave}."
    return f"All {rules['runs']} openings kept the rules of the place{leave}."


def _made(body: Plain) -> list[str]:
    notes = [
        "Used: every opening, metered where the supply's meter serves nothing else (± 2 %, ISO 4064 class 2, from "
        "memory), else area x rate x minutes (± 15 %, our assumption); twice that is shown.",
        "Need: crop ET less effective rain (FAO-56), over the zone's efficiency, x area; not below nothing.",
    ]
    if body["cost"]:
        notes.append("Money: each month by its tariff; a rising tier falls on all zones alike. Only a bill is a bill.")
    if any(month["counted_l"] is not None for supply in body["supplies"] for month in supply["months"]):
        notes.append("Meter: all that the meter counted, with what passed while no zone was open.")
    return notes
