"""Whether the hottest month's water fits into the hours that window, days and restrictions leave."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

from dewpond.brain.local_time import LocalDays
from dewpond.brain.rules_of_place import Applying, PlaceRules
from dewpond.brain.supply_bounds import flow_bound_l_min
from dewpond.model.hours import DayRule
from dewpond.model.site import Site, Supply, Zone
from dewpond.science.application import gross_from_net, run_time_s, split_run
from dewpond.settings.agreement import WATERING
from dewpond.settings.problems import Place, Report
from dewpond.settings.tables import Tables

# Reference ET of a day in the hottest month [mm/d]. Common practice, no source; every finding states it.
HOT_DAY_ETO_MM = 8.0
ASSUMED = f"at {HOT_DAY_ETO_MM:g} mm of reference ET a day"
SAMPLE_DAYS = 56  # long enough for weekdays, odd and even dates and intervals of days to meet
MOST_SAMPLES = 6
NO_DAY = DayRule(kind="weekdays")
REFERENCE_YEAR = 2027  # any year would do: only the weekdays differ


@dataclass(frozen=True, slots=True)
class Room:
    """The time some zones are left with: seconds a day and seconds an allowed night in the mean, and days between."""

    day_s: float
    night_s: float
    spacing_days: float


def check_room(site: Site, tables: Tables, report: Report) -> None:
    """Report needs that cannot fit, and zones that are left no time at all; each zone and supply once."""
    rules = PlaceRules(site, LocalDays(site.timezone))
    places = {("zone", entry.id): entry.place for entry in tables.zones}
    places |= {("supply", entry.id): entry.place for entry in tables.supplies}
    told: set[tuple[str, str]] = set()
    for start in _samples(site):
        rooms = _rooms(site, rules, start)
        left_out = [zone for zone in _left_out(site, rules, rooms) if ("zone", zone) not in told]
        if left_out:
            told |= {("zone", zone) for zone in left_out}
            what = f"no hour is left to {', '.join(left_out)} from {start}"
            report.finding(
                WATERING, "", what, "the strictest of all rules wins", "compare window, days and restrictions"
            )
        for key, place in places.items():
            if key not in told and _cannot_fit(site, rooms, key, place, report):
                told.add(key)


def _samples(site: Site) -> list[date]:
    """First days of the spans to look at: the hottest month, and where a dated restriction begins to bind."""
    hottest = date(REFERENCE_YEAR, 7 if site.latitude_deg >= 0 else 1, 1)
    begins = {rule.from_date for rule in site.restrictions if rule.from_date is not None}
    seasons = {rule.season.first for rule in site.restrictions if rule.season is not None}
    dated = sorted(begins | {date(REFERENCE_YEAR, month, min(day, 28)) for month, day in seasons})
    return [hottest, *dated[: MOST_SAMPLES - 1]]


def _rooms(site: Site, rules: PlaceRules, start: date) -> dict[str, Room]:
    """Each zone's room. Zones under the same restrictions share theirs."""
    by_rules: dict[Applying, Room] = {}
    for zone in site.zones:
        applying = rules.applying(zone)
        if applying not in by_rules:
            by_rules[applying] = _room(rules, zone, start)
    return {zone.id: by_rules[rules.applying(zone)] for zone in site.zones}


def _room(rules: PlaceRules, zone: Zone, start: date) -> Room:
    nights = (rules.allowed(zone, start + timedelta(days=day)) for day in range(SAMPLE_DAYS))
    lengths = [sum(end - begin for begin, end in night) for night in nights if night]
    if not lengths:
        return Room(0.0, 0.0, float(SAMPLE_DAYS))
    return Room(sum(lengths) / SAMPLE_DAYS, sum(lengths) / len(lengths), SAMPLE_DAYS / len(lengths))


def _left_out(site: Site, rules: PlaceRules, rooms: Mapping[str, Room]) -> list[str]:
    """Zones that no night is left to, unless a restriction says so in as many words by ``days = []`` or ``stop``."""
    closing = {n for n, rule in enumerate(site.restrictions) if rule.stop or rule.days == NO_DAY}
    return [zone.id for zone in site.zones if rooms[zone.id].day_s == 0 and not closing & set(rules.applying(zone)[0])]


def hot_day_s(zone: Zone) -> float:
    """Watering a zone needs for one day of the hottest month [s]."""
    net_mm = HOT_DAY_ETO_MM * max(zone.crop_coefficient) * zone.exposure
    return float(run_time_s(gross_from_net(net_mm, zone.efficiency), zone.application_rate_mm_h))


def _cannot_fit(site: Site, rooms: Mapping[str, Room], key: tuple[str, str], place: Place, report: Report) -> bool:
    kind, name = key
    if kind == "zone":
        zone = next(zone for zone in site.zones if zone.id == name)
        return _zone_cannot_fit(zone, rooms[name], place, report)
    return _supply_cannot_fit(site, site.supply(name), rooms, place, report)


def _zone_cannot_fit(zone: Zone, room: Room, place: Place, report: Report) -> bool:
    """One zone alone, with its soaking rests."""
    seconds = hot_day_s(zone) * room.spacing_days
    openings, _, rest_s = split_run(seconds, zone.application_rate_mm_h, zone.intake_mm_h, zone.surface_storage_mm)
    elapsed_s = seconds + (float(openings) - 1) * float(rest_s)
    if room.night_s == 0 or elapsed_s <= room.night_s:
        return False
    rests = f", with {openings - 1:.0f} soaking rests" if openings > 1 else ""
    what = f"needs {_hours(elapsed_s)} a night{rests}; the rules leave {_hours(room.night_s)}"
    remedy = "allow more nights or hours, or lower the rate to what the soil takes in"
    report.finding(place, "", what, f"{ASSUMED}, watered every {room.spacing_days:.2g} days", remedy)
    return True


def _supply_cannot_fit(site: Site, supply: Supply, rooms: Mapping[str, Room], place: Place, report: Report) -> bool:
    """All zones of a supply together: no plan can be shorter than max_open and capacity allow."""
    zones = [zone for zone in site.zones if zone.supply == supply.id]
    room_s = max((rooms[zone.id].day_s for zone in zones), default=0.0)
    least_s = sum(hot_day_s(zone) for zone in zones) / site.watering.max_open
    bound_l_min = flow_bound_l_min(supply)
    if bound_l_min is not None:
        least_s = max(least_s, sum(hot_day_s(zone) * zone.flow_l_min for zone in zones) / bound_l_min)
    if room_s == 0 or least_s <= room_s:
        return False
    what = f"its zones need {_hours(least_s)} a day; the rules leave {_hours(room_s)}"
    limit = f"{ASSUMED}, {site.watering.max_open} open at once"
    report.finding(place, "", what, limit, "widen the window, raise max_open, or raise the capacity")
    return True


def _hours(seconds: float) -> str:
    return f"{seconds / 3600:.1f} h"
