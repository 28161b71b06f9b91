"""New plants that still root: short starts by day beside the nights, fewer and fewer, until nights alone do.

A shallow root zone dries within hours, so what it uses in a day is given in two to five short openings. They run by day
only where restrictions allow it or an exemption is recorded, in the site file or by a person. Depths, hours and lengths
are common practice, no source; how TAW grows with the roots is in ``zone_table``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, time, timedelta

from dewpond.brain.alarms import Told, cleared, raised
from dewpond.brain.ground import Ground
from dewpond.brain.state import State
from dewpond.brain.timetable import GUARD_S, Chain
from dewpond.brain.water_need import LEAST_OPENING_S
from dewpond.model.events import Now
from dewpond.model.hours import Hours
from dewpond.model.site import Establishment, Zone
from dewpond.science.application import longest_opening_s

SOURCE = "establishment"
DAYTIME = Hours(start=time(9), end=time(17))
NO_LEAVE = "no hour is allowed and no exemption recorded"
LONGEST_START_S = 900.0  # a short start; what it does not reach is left to the night


@dataclass(frozen=True, slots=True)
class Starts:
    """One zone's short openings of the day that follows a night, and the sentence that says so or why not."""

    chains: tuple[Chain, ...]
    sentence: str
    cause: str = ""


def starts_on(new: Establishment, day: date) -> int:
    """Short starts of a date: from ``starts_per_day`` on the first day down to 1, the night's own, on the last."""
    if not new.first <= day <= new.last or not new.starts_per_day:
        return 0
    gone = (day - new.first).days / max(1, (new.last - new.first).days)
    return max(1, round(new.starts_per_day - (new.starts_per_day - 1) * gone))


def exempt_on(zone: Zone, day: date) -> bool:
    """Whether the site file records leave for starts by day on a date."""
    new = zone.establishment
    return new is not None and new.exemption is not None and new.first <= day <= new.exemption.until


def by_day(ground: Ground, zone: Zone, closes_s: float, etc_mm: float, from_s: float) -> Starts | None:
    """The short starts of the first daytime after a window closes; None where nothing of the kind is due.

    ``etc_mm`` is what the plants are expected to use on that date; nothing starts before ``from_s``.
    """
    new, day = zone.establishment, ground.days.date_at(closes_s)
    if closes_s >= ground.days.clock_s(day, DAYTIME.end):
        day += timedelta(days=1)
    if new is None or not starts_on(new, day):
        return None
    count, of_days = starts_on(new, day), (new.last - new.first).days + 1
    stage = f"{new.kind}, day {(day - new.first).days + 1} of {of_days}"
    if count < 2:
        return Starts((), f"New plants ({stage}): roots are deep enough for one watering a night.")
    exempt = exempt_on(zone, day)
    by_rules = ground.rules.by_day(zone, day, DAYTIME, exempt=exempt)
    if not by_rules:
        why = "no hour is left by a complete stop, a closed date or an event" if exempt else NO_LEAVE
        return Starts((), f"New plants ({stage}) get no starts by day: {why}.")
    allowed = tuple((max(a, from_s), b - GUARD_S) for a, b in by_rules)
    allowed = tuple((a, b) for a, b in allowed if b - a >= LEAST_OPENING_S)
    if not allowed:
        return Starts((), f"New plants ({stage}) get no starts by day: it is kept shut, or the day is too far on.")
    taw_mm = float(ground.table.taw_on(day)[ground.table.index[zone.id]])
    seconds = _seconds(zone, min(etc_mm / count, taw_mm))
    chains = tuple(_chain(ground, zone, day, number, count, seconds, allowed) for number in range(count))
    text = f"New plants ({stage}) get {count} short starts of {seconds / 60:.1f} min by day on {day}."
    if exempt and new.exemption is not None:
        text += f" Restrictions are passed over by an exemption until {new.exemption.until}: {new.exemption.reason}."
    elif ground.rules.exemptions(zone, by_rules[0][0], by_rules[-1][1]):
        text += " Restrictions are passed over by the exemption recorded for it."
    return Starts(chains, text, f"{SOURCE}: {stage}")


def _seconds(zone: Zone, net_mm: float) -> float:
    """Whole seconds for a net depth, no less than fills the pipe, and no longer than the soil takes in."""
    wanted_s = net_mm / zone.efficiency / zone.application_rate_mm_h * 3600.0
    dry_s = longest_opening_s(zone.application_rate_mm_h, zone.intake_mm_h, zone.surface_storage_mm)
    return float(math.floor(max(LEAST_OPENING_S, min(wanted_s, float(dry_s), LONGEST_START_S))))


def _chain(
    ground: Ground,
    zone: Zone,
    day: date,
    number: int,
    count: int,
    seconds: float,
    allowed: tuple[tuple[float, float], ...],
) -> Chain:
    """One start, in the middle of its part of the day or as soon after as there is room: what is used by then fits."""
    begins_s, ends_s = ground.days.clock_s(day, DAYTIME.start), ground.days.clock_s(day, DAYTIME.end)
    release_s = begins_s + (ends_s - begins_s) * (number + 0.5) / count
    return Chain(zone.id, (seconds,), 0.0, zone.flow_l_min, allowed, release_s=release_s)


def on_day_closed(ground: Ground, state: State, day: date, now: Now) -> Told:
    """Tell people that new plants count as rooted, once, when their last day is closed."""
    commands = []
    for zone in ground.site.zones:
        new = zone.establishment
        if new is None or day != new.last:
            continue
        text = (
            f"{zone.name}: the time of establishment ({new.kind}, since {new.first}) is over; it is watered like any "
            f"other zone from now on. Look whether the plants have rooted, and move until in the site file if not."
        )
        state, told = raised(state, f"{SOURCE}/{zone.id}", "notice", text, now, zone.id)
        state, over = cleared(state, f"{SOURCE}/{zone.id}", now, "told")
        commands += [*told, *over]
    return state, commands
