"""How the rules of the place are worded: in answers, reasons and the log for an inspector."""

from __future__ import annotations

from dewpond.model.hours import DateSpan, DayRule, Hours, Restriction, SiteEvent

DAYS = "the site's watering days"
CLOSED = "the closed dates"
WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def called(number: int, rule: Restriction) -> str:
    """What a restriction is called by: its own name, or its place in the site file."""
    return rule.name or f"restriction {number + 1}"


def titled(number: int, rule: Restriction) -> str:
    """A restriction within a sentence."""
    kind = "complete stop" if rule.stop else "restriction"
    return f'the {kind} "{rule.name}"' if rule.name else f"the {kind} of [[restriction]] {number + 1}"


def described(number: int, rule: Restriction) -> str:
    """A restriction with what it says."""
    what = ["complete stop"] if rule.stop else [days(rule.days), *([_hours(rule.hours)] if rule.hours else [])]
    whom = ", ".join(sorted(rule.applies_to))
    if rule.methods:
        whom += f" ({', '.join(sorted(rule.methods))})"
    when = [dates(rule.dates)] if rule.dates != DateSpan() else []
    stage = [f"stage {', '.join(sorted(rule.stages))}"] if rule.stages else []
    return f"{called(number, rule)}: {'; '.join((whom, *what, *when, *stage))}"


def event(item: SiteEvent) -> str:
    """An event within a sentence."""
    hours = f", {_hours(item.hours)}" if item.hours else ""
    return f'the event "{item.name}"{hours}'


def days(rule: DayRule) -> str:
    """Calendar days as a rule has them."""
    if rule.kind == "weekdays":
        return "on " + ", ".join(WEEKDAYS[n] for n in sorted(rule.weekdays)) if rule.weekdays else "on no day"
    if rule.kind == "every":
        return f"every {rule.every_days} days"
    return "on any day" if rule.kind == "any" else f"on {rule.kind} dates"


def _hours(hours: Hours) -> str:
    return f"{hours.start:%H:%M} to {hours.end:%H:%M}"


def dates(span: DateSpan) -> str:
    """Calendar dates as a rule has them."""
    if span.season is not None:
        first, last = span.season.first, span.season.last
        return f"{first[0]:02d}-{first[1]:02d} to {last[0]:02d}-{last[1]:02d} of every year"
    ends = [f"from {span.first}"] if span.first else []
    ends += [f"until {span.last}"] if span.last else []
    return " ".join(ends)
