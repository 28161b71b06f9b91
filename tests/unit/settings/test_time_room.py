"""Whether the hottest month's need fits the hours that are left. Assumed is 8 mm of reference ET a day."""

from __future__ import annotations

import pytest

from dewpond.settings.time_room import hot_day_s

SITE = """
[site]
name = "x"
latitude = {latitude}
longitude = 0
elevation = "0 m"
timezone = "UTC"
[watering]
window = {window}
max_open = {max_open}
[[supply]]
id = "main"
capacity = "{capacity}"
[relays]
driver = "simulated"
outputs = 8
"""
ZONE = """
[[zone]]
id = "z{n}"
output = {n}
area = "60 m2"
plant_factor = 1.0
application_rate = "{rate}"
intake_rate = "{intake}"
surface_storage = "4 mm"
root_zone_storage = "20 mm"
efficiency = 0.8
"""


@pytest.fixture
def found(load):
    """(table, what) of findings about time, for some like zones."""

    def told(zones=1, *, rate="10 mm/h", intake="20 mm/h", more="", **site):
        values = {"latitude": 40, "window": '["22:00", "06:00"]', "max_open": 1, "capacity": "100 L/min", **site}
        text = (
            SITE.format(**values) + "".join(ZONE.format(n=n + 1, rate=rate, intake=intake) for n in range(zones)) + more
        )
        loaded = load(text)
        assert loaded.errors == ()
        words = ("needs", "need", "no hour is left")
        return [(p.table, p.what) for p in loaded.findings if any(word in p.what for word in words)]

    return told


def test_a_hot_day_takes_its_net_depth_over_efficiency_and_rate(load):
    site = load(
        SITE.format(latitude=40, window='["22:00", "06:00"]', max_open=1, capacity="9 L/min")
        + ZONE.format(n=1, rate="9 mm/h", intake="20 mm/h")
    ).site
    assert hot_day_s(site.zones[0]) == pytest.approx(8 / 0.8 / 9 * 3600)


def test_eight_zones_of_one_hour_fit_eight_hours(found):
    assert found(8) == []


def test_more_than_the_window_is_said_of_the_supply(found):
    assert found(8, window='["22:00", "05:00"]') == [
        ('supply "main"', "its zones need 8.0 h a day; the rules leave 7.0 h")
    ]


def test_two_at_once_halve_the_need_until_flow_binds(found):
    assert found(8, window='["22:00", "05:00"]', max_open=2) == []
    assert found(8, window='["22:00", "05:00"]', max_open=2, capacity="10 L/min") == [
        ('supply "main"', "its zones need 8.0 h a day; the rules leave 7.0 h")
    ]


def test_soaking_rests_count_for_the_zone_alone(found):
    # 10 mm at 20 mm/h on soil that takes 2 mm/h: 30 min in three openings, each followed by a rest of 1.5 h.
    assert found(1, rate="20 mm/h", intake="2 mm/h", window='["22:00", "01:00"]') == [
        ('zone "z1"', "needs 3.5 h a night, with 2 soaking rests; the rules leave 3.0 h")
    ]
    assert found(1, rate="20 mm/h", intake="2 mm/h") == []


def test_fewer_nights_make_longer_ones(found):
    # Every seventh night: seven hours of water in a night of six.
    more = '[[restriction]]\napplies_to = "all"\ndays = ["mon"]\nhours = ["00:00", "06:00"]\n'
    told = found(1, more=more)
    assert ('zone "z1"', "needs 7.0 h a night; the rules leave 6.0 h") in told


def test_rules_that_leave_no_time_are_said_once(found):
    more = '[[restriction]]\napplies_to = "z2"\nhours = ["09:00", "17:00"]\n'
    assert found(2, more=more) == [("watering", "no hour is left to z2 from 2027-07-01")]


def test_odd_and_even_together_leave_no_time(found):
    more = '[[restriction]]\napplies_to = "all"\ndays = "odd"\n[[restriction]]\napplies_to = "z1"\ndays = "even"\n'
    assert ("watering", "no hour is left to z1 from 2027-07-01") in found(1, more=more)


def test_a_dated_rule_is_looked_at_when_it_begins(found):
    more = '[[restriction]]\napplies_to = "all"\nhours = ["09:00", "17:00"]\nfrom = 2028-03-01\n'
    assert found(1, more=more) == [("watering", "no hour is left to z1 from 2028-03-01")]


def test_dates_closed_on_purpose_are_not_said(found):
    assert found(1, more='[[restriction]]\napplies_to = "all"\ndays = []\n') == []


def test_the_south_has_its_summer_in_january(found):
    more = '[[restriction]]\napplies_to = "all"\nhours = ["09:00", "17:00"]\nfrom = 2027-01-01\nuntil = 2027-03-01\n'
    assert found(1, latitude=-33, more=more) == [("watering", "no hour is left to z1 from 2027-01-01")]
