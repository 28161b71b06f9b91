"""The keys of holds and caps: what they take, and how they refuse what cannot be right."""

from __future__ import annotations

import pytest

from dewpond.settings.site_file import load_site

SITE = """
[site]
name = "Withy Hollow"
latitude = 40.7
longitude = -74.2
elevation = "8 m"
timezone = "America/New_York"
"""
WATERING = """
[watering]
window = ["21:00", "06:00"]
"""
SUPPLY = """
[[supply]]
id = "main"
capacity = "60 L/min"
"""
RELAYS = """
[relays]
driver = "simulated"
outputs = 8
"""
ZONE = """
[[zone]]
id = "north-lawn"
output = 1
area = "72 m2"
crop_coefficient = [0.8, 0.8, 0.8, 0.8, 0.8, 0.8, 0.8, 0.8, 0.8, 0.8, 0.8, 0.8]
application_rate = "40 mm/h"
intake_rate = "9 mm/h"
surface_storage = "6 mm"
root_zone_storage = "11 mm"
efficiency = 0.75
"""
SWITCH = """
[[sensor]]
id = "wet"
kind = "switch"
topic = "yard/wet"
"""


def loaded(tmp_path, watering="", supply="", zone="", sensors=SWITCH):
    path = tmp_path / "site.toml"
    path.write_text(SITE + WATERING + watering + SUPPLY + supply + RELAYS + ZONE + zone + sensors)
    return load_site(path)


def test_all_keys_are_read_with_their_units(tmp_path):
    found = loaded(
        tmp_path,
        watering='rain_hold = {after = "0.5 in", days = 2}\nwind_limit = "18 km/h"\nfreeze_limit = "36 degF"\n',
        supply='rain_switch = "wet"\n',
        zone='day_cap = "30 min"\nweek_cap = 120\ndormant = {from = "11-01", until = "03-15"}\n',
    )
    assert found.errors == ()
    site = found.site
    assert site.watering.rain_hold.after_mm == pytest.approx(12.7)
    assert site.watering.rain_hold.days == 2
    assert site.watering.wind_limit_m_s == pytest.approx(5.0)
    assert site.watering.freeze_limit_c == pytest.approx(2.222, abs=1e-3)
    assert site.supplies[0].rain_switch == "wet"
    (zone,) = site.zones
    assert (zone.day_cap_s, zone.week_cap_s) == (1800.0, 7200.0)
    assert (zone.dormant.first, zone.dormant.last) == ((11, 1), (3, 15))


def test_without_the_keys_nothing_is_held_and_caps_come_from_the_zone(tmp_path):
    site = loaded(tmp_path).site
    assert site.watering.rain_hold is None
    assert site.watering.wind_limit_m_s is None
    assert site.supplies[0].rain_switch is None
    assert site.zones[0].day_cap_s is None
    assert site.zones[0].dormant is None


def test_a_rain_switch_in_the_common_needs_no_sensor(tmp_path):
    found = loaded(tmp_path, supply='rain_switch = "in common"\n', sensors="")
    assert found.errors == ()
    assert found.site.supplies[0].rain_switch_in_common
    assert found.site.supplies[0].rain_switch is None


def test_a_rain_switch_of_another_kind_is_refused(tmp_path):
    (error,) = loaded(tmp_path, supply='rain_switch = "wet"\n', sensors=SWITCH.replace("switch", "rain")).errors
    assert error.key == "rain_switch"
    assert "kind switch" in str(error)


@pytest.mark.parametrize(
    ("key", "line", "word"),
    [
        ("watering", 'wind_limit = "5 mm"', "wind_limit"),
        ("watering", 'wind_limit = "400 m/s"', "between 0.5 and 40 m/s"),
        ("watering", 'freeze_limit = "cold"', "2 degC"),
        ("watering", "freeze_limit = 36", "between -60 and 15 degC"),
        ("watering", "rain_hold = {days = 2}", "after"),
        ("watering", 'rain_hold = {after = "10 mm", days = 60}', "at most 14"),
        ("zone", 'day_cap = "3 mm"', "day_cap"),
        ("zone", 'dormant = {from = "31-12", until = "03-01"}', "month-day"),
        ("zone", 'dormant = {from = "12-01"}', "until"),
    ],
)
def test_what_cannot_be_right_is_refused_with_the_limit(tmp_path, key, line, word):
    errors = loaded(tmp_path, **{key: line + "\n"}).errors
    assert errors
    assert word in " ".join(str(error) for error in errors)
