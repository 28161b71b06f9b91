"""When water may flow: windows over midnight, days, restrictions, clock changes."""

from __future__ import annotations

import itertools
from datetime import UTC, date, datetime

from sites import DayRule, Hours, Restriction, Watering, site, time, zone

from dewpond.brain.local_time import LocalDays
from dewpond.brain.rules_of_place import PlaceRules


def rules_for(place) -> PlaceRules:
    return PlaceRules(place, LocalDays(place.timezone))


def local(spans, place):
    days = LocalDays(place.timezone)
    return [tuple(datetime.fromtimestamp(s, days.zone).strftime("%d %H:%M") for s in span) for span in spans]


def test_a_window_over_midnight_is_cut_at_midnight_so_that_every_run_has_one_date():
    place = site()
    spans = rules_for(place).allowed(place.zones[0], date(2026, 7, 1))
    assert local(spans, place) == [("01 21:00", "02 00:00"), ("02 00:00", "02 06:00")]


def test_even_days_are_site_calendar_days():
    place = site(watering=Watering(window=Hours(start=time(21), end=time(6)), days=DayRule(kind="even")))
    rules = rules_for(place)
    assert local(rules.allowed(place.zones[0], date(2026, 7, 1)), place) == [("02 00:00", "02 06:00")]
    assert local(rules.allowed(place.zones[0], date(2026, 7, 2)), place) == [("02 21:00", "03 00:00")]


def test_odd_days_allow_the_31st_and_the_1st_in_a_row():
    place = site(watering=Watering(window=Hours(start=time(21), end=time(6)), days=DayRule(kind="odd")))
    assert len(rules_for(place).allowed(place.zones[0], date(2026, 7, 31))) == 2


def test_weekdays_and_every_third_day():
    monday = DayRule(kind="weekdays", weekdays=frozenset({0}))
    place = site(watering=Watering(window=Hours(start=time(1), end=time(5)), days=monday))
    rules = rules_for(place)
    assert rules.allowed(place.zones[0], date(2026, 7, 6))
    assert not rules.allowed(place.zones[0], date(2026, 7, 7))
    place = site(watering=Watering(window=Hours(start=time(1), end=time(5)), days=DayRule(kind="every", every_days=3)))
    open_days = [d for d in range(1, 31) if rules_for(place).allowed(place.zones[0], date(2026, 6, d))]
    assert [b - a for a, b in itertools.pairwise(open_days)] == [3] * (len(open_days) - 1)


def test_the_strictest_of_window_and_restrictions_wins():
    hours = Restriction(
        applies_to=frozenset({"overhead"}),
        days=DayRule(kind="even"),
        hours=Hours(start=time(19), end=time(4)),
        from_date=None,
        until_date=None,
    )
    place = site(zone(), zone("drip", overhead=False, output=2), restrictions=(hours,))
    rules = rules_for(place)
    assert local(rules.allowed(place.zones[0], date(2026, 7, 1)), place) == [("02 00:00", "02 04:00")]
    assert len(rules.allowed(place.zones[1], date(2026, 7, 1))) == 2


def test_a_restriction_binds_only_between_its_dates_both_included():
    rule = Restriction(
        applies_to=frozenset({"all"}),
        days=DayRule(kind="weekdays"),
        hours=None,
        from_date=date(2026, 7, 2),
        until_date=date(2026, 7, 2),
    )
    place = site(restrictions=(rule,))
    rules = rules_for(place)
    assert local(rules.allowed(place.zones[0], date(2026, 7, 1)), place) == [("01 21:00", "02 00:00")]
    assert local(rules.allowed(place.zones[0], date(2026, 7, 2)), place) == [("03 00:00", "03 06:00")]


def test_the_next_allowed_night_is_found_and_none_where_there_is_none():
    monday = DayRule(kind="weekdays", weekdays=frozenset({0}))
    place = site(watering=Watering(window=Hours(start=time(1), end=time(5)), days=monday))
    assert rules_for(place).next_night(place.zones[0], date(2026, 7, 6), 60.0) == date(2026, 7, 13)
    closed = site(watering=Watering(window=Hours(start=time(1), end=time(5)), days=DayRule(kind="weekdays")))
    assert rules_for(closed).next_night(closed.zones[0], date(2026, 7, 6), 60.0) is None


def test_nights_of_a_clock_change_are_an_hour_shorter_or_longer():
    place = site()
    rules = rules_for(place)
    spring = rules.allowed(place.zones[0], date(2026, 3, 7))
    autumn = rules.allowed(place.zones[0], date(2026, 10, 31))
    assert sum(b - a for a, b in spring) == 8 * 3600.0
    assert sum(b - a for a, b in autumn) == 10 * 3600.0


def test_the_window_in_force_is_found_after_midnight_too():
    place = site()
    at_s = datetime(2026, 7, 2, 8, 0, tzinfo=UTC).timestamp()  # 03:00 in Chicago
    assert rules_for(place).window_at(at_s).date == date(2026, 7, 1)


def test_equal_hours_mean_the_whole_day():
    place = site(watering=Watering(window=Hours(start=time(0), end=time(0)), days=DayRule()))
    spans = rules_for(place).allowed(place.zones[0], date(2026, 7, 1))
    assert sum(b - a for a, b in spans) == 86_400.0
