"""When water may flow: the watering window and every restriction, cut to the intervals of one night.

The strictest wins: an instant is allowed only if the window and every restriction that applies allow it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, time, timedelta

from dewpond.brain.local_time import EPOCH, LocalDays
from dewpond.model.site import DayRule, Hours, Restriction, Site, Zone

Interval = tuple[float, float]
NEVER_AGAIN_DAYS = 45  # how far ahead the next allowed night is looked for


@dataclass(frozen=True, slots=True)
class Window:
    """One night: the local date it opens on and its first and last instant."""

    date: date
    opens_s: float
    closes_s: float


class PlaceRules:
    """The site's hours and days. Answers are remembered by night, since zones share them."""

    def __init__(self, site: Site, days: LocalDays) -> None:
        self._site = site
        self._days = days
        self._known: dict[tuple[date, tuple[int, ...]], tuple[Interval, ...]] = {}
        self._applying = {zone.id: self._restrictions_of(zone) for zone in site.zones}

    def window(self, day: date) -> Window:
        """The watering window that opens on a local date."""
        hours = self._site.watering.window
        opens_s = self._days.clock_s(day, hours.start)
        closing_day = day if hours.end > hours.start else day + timedelta(days=1)
        return Window(day, opens_s, self._days.clock_s(closing_day, hours.end))

    def window_at(self, at_s: float) -> Window:
        """The window that is open at an instant, else the next to open."""
        today = self._days.date_at(at_s)
        for day in (today - timedelta(days=1), today):
            window = self.window(day)
            if at_s < window.closes_s:
                return window
        return self.window(today + timedelta(days=1))

    def allowed(self, zone: Zone, day: date) -> tuple[Interval, ...]:
        """Intervals in which this zone may run in the window that opens on ``day``; none crosses local midnight."""
        applying = self._applying[zone.id]
        key = (day, applying)
        if key not in self._known:
            if len(self._known) > 4096:
                self._known.clear()
            self._known[key] = self._cut(day, applying)
        return self._known[key]

    def applying(self, zone: Zone) -> tuple[int, ...]:
        """Which restrictions apply to a zone; zones with equal answers are always allowed the same hours."""
        return self._applying[zone.id]

    def by_day(self, zone: Zone, day: date, hours: Hours, *, exempt: bool = False) -> tuple[Interval, ...]:
        """Intervals of a date's hours in which a zone may run by its restrictions and days, whatever the window is.

        ``exempt`` is leave to pass over restrictions and days. ``hours`` must not cross midnight.
        """
        spans = [(self._days.clock_s(day, hours.start), self._days.clock_s(day, hours.end))]
        if exempt:
            return tuple(spans)
        if not day_allowed(self._site.watering.days, day):
            return ()
        for number in self._applying[zone.id]:
            spans = _overlap(spans, self._restricted_to(self._site.restrictions[number], day))
        return tuple(spans)

    def next_night(self, zone: Zone, after: date, least_s: float) -> date | None:
        """The next window date after ``after`` with an allowed interval of at least ``least_s`` seconds."""
        for ahead in range(1, NEVER_AGAIN_DAYS + 1):
            day = after + timedelta(days=ahead)
            if any(end - start >= least_s for start, end in self.allowed(zone, day)):
                return day
        return None

    def why_closed(self, zone: Zone, day: date) -> str:
        """Which rule leaves this zone no time in the window of ``day``, as a clause."""
        if not any(day_allowed(self._site.watering.days, part) for part in self._dates(day)):
            return "no watering day by the site's own days"
        return (
            "a watering restriction allows no time tonight"
            if self._applying[zone.id]
            else "the window has no time tonight"
        )

    def _restrictions_of(self, zone: Zone) -> tuple[int, ...]:
        names = {"all", zone.id, zone.supply, "overhead" if zone.overhead else "drip"}
        return tuple(n for n, rule in enumerate(self._site.restrictions) if rule.applies_to & names)

    def _dates(self, day: date) -> tuple[date, ...]:
        window = self.window(day)
        last = self._days.date_at(window.closes_s - 1.0)
        return (day,) if last == day else (day, last)

    def _cut(self, day: date, applying: tuple[int, ...]) -> tuple[Interval, ...]:
        window = self.window(day)
        found: list[Interval] = []
        for part in self._dates(day):
            if not day_allowed(self._site.watering.days, part):
                continue
            spans = [(max(window.opens_s, self._days.start_s(part)), min(window.closes_s, self._days.end_s(part)))]
            for number in applying:
                spans = _overlap(spans, self._restricted_to(self._site.restrictions[number], part))
            found += [span for span in spans if span[1] > span[0]]
        return tuple(found)

    def _restricted_to(self, rule: Restriction, day: date) -> list[Interval]:
        whole = (self._days.start_s(day), self._days.end_s(day))
        if (rule.from_date and day < rule.from_date) or (rule.until_date and day > rule.until_date):
            return [whole]
        if not day_allowed(rule.days, day):
            return []
        return [whole] if rule.hours is None else self._hours_on(rule.hours, day, whole)

    def _hours_on(self, hours: Hours, day: date, whole: Interval) -> list[Interval]:
        start_s, end_s = self._days.clock_s(day, hours.start), self._days.clock_s(day, hours.end)
        if hours.start == hours.end:
            return [whole]
        if hours.end == time(0):
            return [(start_s, whole[1])]
        if start_s < end_s:
            return [(start_s, end_s)]
        return [(whole[0], end_s), (start_s, whole[1])]


def day_allowed(rule: DayRule, day: date) -> bool:
    """Whether a day rule allows a calendar date."""
    if rule.kind == "weekdays":
        return day.weekday() in rule.weekdays
    if rule.kind in ("odd", "even"):
        return day.day % 2 == (1 if rule.kind == "odd" else 0)
    if rule.kind == "every":
        return (day - EPOCH).days % rule.every_days == 0
    return True


def _overlap(first: list[Interval], second: list[Interval]) -> list[Interval]:
    """The parts common to two lists of intervals."""
    common = [(max(a, c), min(b, d)) for a, b in first for c, d in second]
    return [(start, end) for start, end in common if end > start]
