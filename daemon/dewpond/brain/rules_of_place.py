"""When water may flow: the watering window and every rule of the place, cut to the intervals of one night.

The strictest wins: an instant is allowed only if the window and every rule that applies allow it. Where the clock is
set by an hour within a rule's hours, the strict reading holds too: hours begin with the later and end with the earlier
of two readings.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, time, timedelta
from functools import partial

from dewpond.brain import place_words
from dewpond.brain.local_time import EPOCH, LocalDays
from dewpond.brain.place_state import NOTHING_DECLARED, ExemptionState, PlaceState
from dewpond.model.hours import DayRule, Hours, Restriction, SiteEvent
from dewpond.model.site import Site, Zone

Interval = tuple[float, float]
Applying = tuple[tuple[int, ...], tuple[int, ...], tuple[str, ...]]  # restrictions, events, exemptions
OnDate = Callable[[date], list[Interval]]
Leaves = Callable[[Interval, date], list[Interval]]
DAYS = "days"  # the name by which an exemption passes over the site's watering days
NEVER_AGAIN_DAYS = 45  # how far ahead the next allowed night is looked for


@dataclass(frozen=True, slots=True)
class Window:
    """One night: the local date it opens on and its first and last instant."""

    date: date
    opens_s: float
    closes_s: float


class PlaceRules:
    """The site's hours and days under what people have declared. Answers are remembered, since zones share them."""

    def __init__(self, site: Site, days: LocalDays, place: PlaceState = NOTHING_DECLARED) -> None:
        self._site = site
        self._days = days
        self._place = place
        self._stage = site.watering.stage if place.stage is None else place.stage.name
        self._windows: dict[date, Window] = {}
        self._longest_s: dict[date, tuple[float, ...]] = {}
        self._known: dict[tuple[date, Applying], tuple[Interval, ...]] = {}
        self._applying = {zone.id: self._applying_to(zone) for zone in site.zones}
        self._declared: PlaceRules | None = None

    @property
    def stage(self) -> str:
        """The stage of restriction in force, "" for none."""
        return self._stage

    def under(self, place: PlaceState) -> PlaceRules:
        """The same rules with what people have declared; the last such answer is remembered."""
        if place == self._place:
            return self
        if self._declared is None or self._declared._place != place:
            self._declared = PlaceRules(self._site, self._days, place)
        return self._declared

    def window(self, day: date) -> Window:
        """The watering window that opens on a local date."""
        known = self._windows.get(day)
        if known is None:
            known = self._windows[day] = self._window(day)
        return known

    def _window(self, day: date) -> Window:
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

    def longest_s(self, day: date) -> tuple[float, ...]:
        """Length of the longest of these intervals for every zone of the site; 0 where there is none. [s]"""
        if day not in self._longest_s:
            if len(self._longest_s) > 4096:
                self._longest_s.clear()
            nights = (self.allowed(zone, day) for zone in self._site.zones)
            self._longest_s[day] = tuple(max((end - start for start, end in night), default=0.0) for night in nights)
        return self._longest_s[day]

    def applying(self, zone: Zone) -> Applying:
        """What applies to a zone; zones with equal answers are always allowed the same hours."""
        return self._applying[zone.id]

    def by_day(self, zone: Zone, day: date, hours: Hours, *, exempt: bool = False) -> tuple[Interval, ...]:
        """Intervals of a date's hours in which a zone may run by the rules of the place, whatever the window is.

        ``exempt`` is leave to pass over days and restrictions that are no complete stop. ``hours`` must not cross
        midnight.
        """
        span = (self._days.clock_s(day, hours.start), self._days.clock_s(day, hours.end))
        return tuple(self._left_of(span, day, self._applying[zone.id], exempt=exempt))

    def next_night(self, zone: Zone, after: date, least_s: float) -> date | None:
        """The next window date after ``after`` with an allowed interval of at least ``least_s`` seconds."""
        for ahead in range(1, NEVER_AGAIN_DAYS + 1):
            day = after + timedelta(days=ahead)
            if any(end - start >= least_s for start, end in self.allowed(zone, day)):
                return day
        return None

    def why_closed(self, zone: Zone, day: date) -> str:
        """Which rules leave this zone no time in the window of ``day``, as a clause."""
        window = self.window(day)
        applying = self._applying[zone.id]
        closing = [
            name
            for name, leaves in self._each_rule(applying)
            if not any(leaves(span, part) for part, span in self._parts(window.opens_s, window.closes_s))
        ]
        if closing == [place_words.DAYS]:
            return "no watering day by the site's own days"
        if closing:
            return f"no time is left tonight by {' and '.join(closing)}"
        together = "the rules of the place together allow no time tonight"
        return together if any(applying[:2]) else "the window has no time tonight"

    def against(self, zone: Zone, start_s: float, end_s: float, *, exempt: bool = False) -> tuple[str, ...]:
        """The rules of the place that a run of this zone would break, as clauses. The window is not one of them."""
        parts = self._parts(start_s, end_s)
        broken = []
        for name, leaves in self._each_rule(self._applying[zone.id], exempt=exempt):
            left_s = sum(b - a for part, span in parts for a, b in leaves(span, part))
            if left_s < end_s - start_s - 1e-6:
                broken.append(name)
        return tuple(broken)

    def in_force(self, zone: Zone, at_s: float) -> tuple[str, ...]:
        """Every restriction and event that binds a zone on the date of an instant, with what it says."""
        day = self._days.date_at(at_s)
        restrictions, events, _ = self._applying[zone.id]
        rules = [(number, self._site.restrictions[number]) for number in restrictions]
        told = [place_words.described(number, rule) for number, rule in rules if rule.dates.includes(day)]
        told += [
            place_words.event(self._site.events[number])
            for number in events
            if self._event_spans(self._site.events[number], day)
        ]
        return tuple(told)

    def exempt(self, zone: Zone) -> bool:
        """Whether any exemption is recorded for a zone, whatever its time."""
        return bool(self._applying[zone.id][2])

    def exemptions(self, zone: Zone, from_s: float, to_s: float) -> tuple[ExemptionState, ...]:
        """The recorded exemptions that a zone has within a span."""
        found = (self._place.exemptions[key] for key in self._applying[zone.id][2])
        return tuple(item for item in found if item.since.timestamp() < to_s and from_s < item.until.timestamp())

    def _applying_to(self, zone: Zone) -> Applying:
        names = {"all", zone.id, zone.supply, "overhead" if zone.overhead else "drip"}
        methods = {zone.method, "overhead" if zone.overhead else "drip"}
        restrictions = tuple(
            n
            for n, rule in enumerate(self._site.restrictions)
            if rule.applies_to & names
            and (not rule.methods or rule.methods & methods)
            and (not rule.stages or self._stage in rule.stages)
        )
        events = tuple(n for n, event in enumerate(self._site.events) if event.applies_to & names)
        known = self._place.exemptions
        return restrictions, events, tuple(key for key in sorted(known) if known[key].target in names)

    def _parts(self, start_s: float, end_s: float) -> list[tuple[date, Interval]]:
        """A span cut at local midnights."""
        cut = self._days.parts_by_date(start_s, end_s - start_s)
        return [(self._days.date_at(at_s), (at_s, at_s + span_s)) for at_s, span_s in cut]

    def _cut(self, day: date, applying: Applying) -> tuple[Interval, ...]:
        window = self.window(day)
        parts = self._parts(window.opens_s, window.closes_s)
        return tuple(span for part, whole in parts for span in self._left_of(whole, part, applying))

    def _left_of(self, span: Interval, day: date, applying: Applying, *, exempt: bool = False) -> list[Interval]:
        """What all rules leave of a span that lies within one date."""
        spans = [span]
        for _, leaves in self._each_rule(applying, exempt=exempt):
            spans = [left for each in spans for left in leaves(each, day)]
        return spans

    def _each_rule(self, applying: Applying, *, exempt: bool = False) -> Iterator[tuple[str, Leaves]]:
        """Every rule of the place that applies: its name, and what it leaves of a span within one date."""
        restrictions, events, exemptions = applying
        if not exempt and self._site.watering.days.kind != "any":
            yield place_words.DAYS, partial(_leaves, self._watering_days, self._leave(exemptions, ("", DAYS)))
        for number in restrictions:
            rule = self._site.restrictions[number]
            if rule.stop or not exempt:
                name = place_words.called(number, rule)
                leave = self._leave(exemptions, (name,) if rule.stop else ("", name))
                yield place_words.titled(number, rule), partial(_leaves, partial(self._restricted_to, rule), leave)
        if self._site.watering.closed:
            yield place_words.CLOSED, partial(_leaves, self._not_closed, ())
        for event in (self._site.events[number] for number in events):
            yield place_words.event(event), partial(_leaves, partial(self._beside, event), ())

    def _leave(self, exemptions: Sequence[str], rules: Sequence[str]) -> list[Interval]:
        found = (self._place.exemptions[key] for key in exemptions)
        return [(item.since.timestamp(), item.until.timestamp()) for item in found if item.rule in rules]

    def _watering_days(self, day: date) -> list[Interval]:
        return [self._whole(day)] if day_allowed(self._site.watering.days, day) else []

    def _not_closed(self, day: date) -> list[Interval]:
        return [] if any(span.includes(day) for span in self._site.watering.closed) else [self._whole(day)]

    def _restricted_to(self, rule: Restriction, day: date) -> list[Interval]:
        """The intervals of a date that one restriction leaves."""
        whole = self._whole(day)
        if not rule.dates.includes(day):
            return [whole]
        if rule.stop or not day_allowed(rule.days, day):
            return []
        return [whole] if rule.hours is None else self._hours_on(rule.hours, day, whole)

    def _beside(self, event: SiteEvent, day: date) -> list[Interval]:
        """The intervals of a date that one event leaves."""
        spans = [self._whole(day)]
        for begins_s, ends_s in self._event_spans(event, day):
            cut = [part for a, b in spans for part in ((a, min(b, begins_s)), (max(a, ends_s), b))]
            spans = [(a, b) for a, b in cut if b > a]
        return spans

    def _whole(self, day: date) -> Interval:
        return self._days.start_s(day), self._days.end_s(day)

    def _event_spans(self, event: SiteEvent, day: date) -> list[Interval]:
        """When an event takes place on a date, its hours of the evening before included."""
        begun = [each for each in (day - timedelta(days=1), day) if self._takes_place(event, each)]
        whole = self._whole(day)
        spans = [self._whole(each) if event.hours is None else self._event_hours(event.hours, each) for each in begun]
        return [(max(a, whole[0]), min(b, whole[1])) for a, b in spans if a < whole[1] and b > whole[0]]

    def _takes_place(self, event: SiteEvent, day: date) -> bool:
        return event.dates.includes(day) and day_allowed(event.days, day)

    def _event_hours(self, hours: Hours, day: date) -> Interval:
        closing = day if hours.end > hours.start else day + timedelta(days=1)
        return min(self._days.readings_s(day, hours.start)), max(self._days.readings_s(closing, hours.end))

    def _hours_on(self, hours: Hours, day: date, whole: Interval) -> list[Interval]:
        if hours.start == hours.end:
            return [whole]
        start_s, end_s = max(self._days.readings_s(day, hours.start)), min(self._days.readings_s(day, hours.end))
        if hours.end == time(0):
            return [(start_s, whole[1])]
        if hours.start < hours.end:
            return [(start_s, end_s)] if start_s < end_s else []
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


def _leaves(on_date: OnDate, leave: Sequence[Interval], span: Interval, day: date) -> list[Interval]:
    """What a rule leaves of a span within one date; ``leave`` is time in which it is passed over."""
    spans = _merged([*on_date(day), *leave]) if leave else on_date(day)
    common = [(max(span[0], start), min(span[1], end)) for start, end in spans]
    return [(start, end) for start, end in common if end > start]


def _merged(spans: Sequence[Interval]) -> list[Interval]:
    """The same instants as intervals that neither overlap nor touch."""
    merged: list[Interval] = []
    for start, end in sorted(spans):
        if merged and start <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(merged[-1][1], end))
        else:
            merged.append((start, end))
    return merged
