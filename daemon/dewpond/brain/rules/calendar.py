"""The ``calendar`` rule: zones run by the starts and minutes of their programs, whatever the balance says."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta

from dewpond.brain.ground import Ground
from dewpond.brain.rules.percent import PercentToday
from dewpond.brain.rules_of_place import day_allowed
from dewpond.brain.state import NightState
from dewpond.brain.water_need import night_cap_s
from dewpond.model.site import Program, Zone

Run = tuple[float, str, float]  # start [s since 1970], program, seconds


def runs(ground: Ground, night: NightState, zone: Zone, percents: Mapping[str, PercentToday]) -> tuple[list[Run], bool]:
    """A zone's runs of one night in order of time, and whether the zone's own cap shortens them.

    A start whose minutes the cap leaves nothing of is not among them.
    """
    left_s = night_cap_s(zone)
    found: list[Run] = []
    for start_s, program in starts(ground, night):
        if zone.id not in program.zone_minutes:
            continue
        seconds = min(float(round(program.zone_minutes[zone.id] * percents[program.name].percent * 0.6)), left_s)
        left_s -= seconds
        if seconds > 0.0:
            found.append((start_s, program.name, seconds))
    return found, left_s <= 0.0


def starts(ground: Ground, night: NightState) -> list[tuple[float, Program]]:
    """Every program start inside a night's window, in order of time."""
    found = []
    for program in ground.site.programs:
        for day in (night.window_date, night.window_date + timedelta(days=1)):
            clocks = program.starts if day_allowed(program.days, day) else ()
            for at_s in (ground.days.clock_s(day, clock) for clock in clocks):
                if night.opens_s <= at_s < night.closes_s:
                    found.append((at_s, program))
    return sorted(found, key=lambda item: (item[0], item[1].name))


def starts_for(ground: Ground, night: NightState, zone: Zone) -> list[Program]:
    """The programs of a zone that start tonight."""
    return [program for _, program in starts(ground, night) if zone.id in program.zone_minutes]
