"""When water may flow: windows over midnight, days, restrictions, clock changes."""

from __future__ import annotations

import itertools
from datetime import UTC, date, datetime

from hypothesis import given, settings
from hypothesis import strategies as st
from sites import DayRule, Hours, Restriction, Watering, site, time, zone

from dewpond.brain.local_time import LocalDays
from dewpond.brain.place_state import ExemptionState, PlaceState, StageState
from dewpond.brain.rules_of_place import PlaceRules
from dewpond.model.hours import DateSpan, Season, SiteEvent


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


def rule(applies_to="all", **changes):
    values = {"days": DayRule(), "hours": None, "from_date": None, "until_date": None}
    return Restriction(**{"applies_to": frozenset({applies_to}), **values, **changes})


def clock_times(spans, place):
    days = LocalDays(place.timezone)
    return [tuple(datetime.fromtimestamp(s, days.zone).strftime("%d %H:%M%z") for s in span) for span in spans]


def leave(target="lawn", rule="", since=datetime(2026, 6, 1, tzinfo=UTC), until=datetime(2026, 7, 2, 8, tzinfo=UTC)):
    item = ExemptionState(target=target, rule=rule, who="Ada", reason="new sod, permit 7", since=since, until=until)
    return PlaceState(exemptions={"1": item}, recorded=1)


def test_closed_dates_leave_no_time_on_them_and_may_come_every_year():
    closed = (
        DateSpan(first=date(2026, 7, 1), last=date(2026, 7, 1)),
        DateSpan(season=Season(first=(12, 28), last=(1, 2))),
    )
    place = site(watering=Watering(window=Hours(start=time(21), end=time(6)), days=DayRule(), closed=closed))
    rules = rules_for(place)
    assert local(rules.allowed(place.zones[0], date(2026, 6, 30)), place) == [("30 21:00", "01 00:00")]
    assert local(rules.allowed(place.zones[0], date(2026, 7, 1)), place) == [("02 00:00", "02 06:00")]
    assert not rules.allowed(place.zones[0], date(2027, 12, 31))
    assert rules.why_closed(place.zones[0], date(2027, 12, 31)) == "no time is left tonight by the closed dates"


def test_an_event_cuts_its_hours_out_also_those_after_midnight_and_only_where_it_is():
    party = SiteEvent(
        name="Party",
        applies_to=frozenset({"lawn"}),
        dates=DateSpan(first=date(2026, 7, 1), last=date(2026, 7, 1)),
        days=DayRule(),
        hours=Hours(start=time(22), end=time(1)),
    )
    place = site(zone(), zone("beds", output=2), events=(party,))
    rules = rules_for(place)
    expected = [("01 21:00", "01 22:00"), ("02 01:00", "02 06:00")]
    assert local(rules.allowed(place.zones[0], date(2026, 7, 1)), place) == expected
    assert len(rules.allowed(place.zones[1], date(2026, 7, 1))) == 2
    assert rules.applying(place.zones[0]) != rules.applying(place.zones[1])


def test_a_method_narrows_a_restriction_to_some_of_its_zones():
    place = site(
        zone(), zone("rotors", output=2, method="rotor"), restrictions=(rule(methods=frozenset({"rotor"}), stop=True),)
    )
    rules = rules_for(place)
    assert rules.allowed(place.zones[0], date(2026, 7, 1)) and not rules.allowed(place.zones[1], date(2026, 7, 1))


def test_a_stage_binds_while_it_is_in_force_by_the_file_or_by_a_person():
    stop = rule(stages=frozenset({"stage 2"}), stop=True, name="Drought order")
    watering = Watering(window=Hours(start=time(21), end=time(6)), days=DayRule(), stages=("stage 2",))
    place = site(restrictions=(stop,), watering=watering)
    rules, night = rules_for(place), date(2026, 7, 1)
    assert rules.allowed(place.zones[0], night) and rules.stage == ""
    stage = StageState(
        name="stage 2", who="Ada", reason="letter of the supplier", since=datetime(2026, 6, 1, tzinfo=UTC)
    )
    declared = rules.under(PlaceState(stage=stage))
    assert not declared.allowed(place.zones[0], night) and declared.stage == "stage 2"
    assert declared.why_closed(place.zones[0], night) == 'no time is left tonight by the complete stop "Drought order"'
    assert rules.under(PlaceState()) is rules and rules.under(PlaceState(stage=stage)) is declared


@given(
    hours=st.lists(st.tuples(st.integers(0, 23), st.integers(0, 23)), max_size=3),
    even=st.booleans(),
    day=st.dates(date(2026, 1, 1), date(2026, 12, 30)),
)
@settings(max_examples=60, deadline=None)
def test_the_strictest_wins_whatever_is_combined(hours, even, day):
    """Every instant that is left is allowed by each rule alone, and no rule more leaves more time."""
    rules = [rule(hours=Hours(start=time(a), end=time(b))) for a, b in hours]
    rules += [rule(days=DayRule(kind="even"))] if even else []
    whole = site(restrictions=tuple(rules))
    left = rules_for(whole).allowed(whole.zones[0], day)
    for each in rules:
        alone = site(restrictions=(each,))
        allowed = rules_for(alone).allowed(alone.zones[0], day)
        assert all(any(a <= start and end <= b for a, b in allowed) for start, end in left)


def test_an_exemption_passes_over_restrictions_and_days_until_its_end():
    watering = Watering(window=Hours(start=time(21), end=time(6)), days=DayRule(kind="even"))
    place = site(restrictions=(rule(hours=Hours(start=time(4), end=time(6))),), watering=watering)
    rules = rules_for(place)
    assert local(rules.allowed(place.zones[0], date(2026, 7, 1)), place) == [("02 04:00", "02 06:00")]
    exempt = rules.under(leave())  # 08:00 UTC is 03:00 in Chicago
    spans = [("01 21:00", "02 00:00"), ("02 00:00", "02 03:00"), ("02 04:00", "02 06:00")]
    assert local(exempt.allowed(place.zones[0], date(2026, 7, 1)), place) == spans
    assert exempt.exemptions(place.zones[0], 1.0, 2.0) == ()


def test_a_complete_stop_is_passed_over_by_its_own_name_only():
    place = site(restrictions=(rule(stop=True, name="Order"), rule(name="Never", days=DayRule(kind="weekdays"))))
    rules, night = rules_for(place), date(2026, 6, 30)
    assert not rules.under(leave()).allowed(place.zones[0], night)
    assert not rules.under(leave(rule="Order")).allowed(place.zones[0], night)
    both = {"1": leave().exemptions["1"], "2": leave(rule="Order").exemptions["1"]}
    assert rules.under(PlaceState(exemptions=both)).allowed(place.zones[0], night)
    named = leave(rule="Never", target="beds").exemptions["1"]
    assert not rules.under(PlaceState(exemptions={"1": both["2"], "2": named})).allowed(place.zones[0], night)


def test_closed_dates_and_events_know_no_exemption():
    closed = (DateSpan(first=date(2026, 6, 30), last=date(2026, 6, 30)),)
    watering = Watering(window=Hours(start=time(1), end=time(5)), days=DayRule(), closed=closed)
    place = site(watering=watering)
    assert not rules_for(place).under(leave(target="all")).allowed(place.zones[0], date(2026, 6, 30))


def test_a_rule_s_hours_are_read_strictly_where_the_clock_is_set_back():
    """Chicago, 1 November 2026: 01:00 to 02:00 happens twice (IANA time zone database)."""
    place = site(restrictions=(rule(hours=Hours(start=time(1, 30), end=time(5))),))
    (span,) = rules_for(place).allowed(place.zones[0], date(2026, 10, 31))[-1:]
    assert clock_times([span], place) == [("01 01:30-0600", "01 05:00-0600")]
    place = site(restrictions=(rule(hours=Hours(start=time(21), end=time(1, 30))),))
    (span,) = rules_for(place).allowed(place.zones[0], date(2026, 10, 31))[-1:]
    assert clock_times([span], place) == [("01 00:00-0500", "01 01:30-0500")]


def test_a_rule_s_hours_are_read_strictly_where_an_hour_is_left_out():
    """Chicago, 8 March 2026: 02:00 to 03:00 does not happen (IANA time zone database)."""
    place = site(restrictions=(rule(hours=Hours(start=time(21), end=time(2, 30))),))
    (span,) = rules_for(place).allowed(place.zones[0], date(2026, 3, 7))[-1:]
    ends = datetime.fromtimestamp(span[1], LocalDays(place.timezone).zone)
    assert ends.date() == date(2026, 3, 8) and ends.time() <= time(2, 30)


def test_a_run_against_rules_names_each_of_them():
    place = site(
        restrictions=(rule(name="Order", stop=True), rule(name="Nights", hours=Hours(start=time(21), end=time(6))))
    )
    rules = rules_for(place)
    noon_s = datetime(2026, 7, 1, 17, tzinfo=UTC).timestamp()
    assert rules.against(place.zones[0], noon_s, noon_s + 60.0) == (
        'the complete stop "Order"',
        'the restriction "Nights"',
    )
    night_s = datetime(2026, 7, 1, 10, 59, tzinfo=UTC).timestamp()  # 05:59 in Chicago
    assert rules.against(place.zones[0], night_s, night_s + 60.0) == ('the complete stop "Order"',)
    assert 'the restriction "Nights"' in rules.against(place.zones[0], night_s, night_s + 61.0)
    assert rules.in_force(place.zones[0], night_s) == (
        "Order: all; complete stop",
        "Nights: all; on any day; 21:00 to 06:00",
    )
