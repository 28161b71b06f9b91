"""Cooling runs and crown-saving water in a zone's table: what they take, and how they refuse what cannot be right."""

from __future__ import annotations

from datetime import time

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


AIR = '\n[[sensor]]\nid = "air"\nkind = "temperature"\ntopic = "yard/air"\n'
COOLING = 'cooling = {above = "32 degC", minutes = 3, most = 2, hours = ["12:00", "16:00"]}\n'


def loaded(tmp_path, zone="", sensors=""):
    path = tmp_path / "site.toml"
    path.write_text(SITE + RELAYS + ZONE + zone + sensors)
    return load_site(path)


def test_cooling_is_read_with_its_units(tmp_path):
    found = loaded(tmp_path, zone=COOLING.replace("32 degC", "90 degF"), sensors=AIR)
    assert found.errors == ()
    (zone,) = found.site.zones
    assert zone.cooling.above_c == pytest.approx(32.22, abs=0.01)
    assert (zone.cooling.seconds, zone.cooling.most) == (180.0, 2)
    assert (zone.cooling.hours.start, zone.cooling.hours.end) == (time(12), time(16))


def test_crown_saving_water_is_read_with_its_units(tmp_path):
    line = 'dormant = {from = "06-15", until = "09-01", depth = "0.5 in", every = "30 days"}\n'
    found = loaded(tmp_path, zone=line)
    assert found.errors == ()
    assert found.site.zones[0].dormant.depth_mm == pytest.approx(12.7)
    assert found.site.zones[0].dormant.every_days == 30.0


def test_without_the_keys_nothing_is_cooled_and_dormant_means_dry(tmp_path):
    (zone,) = loaded(tmp_path, zone='dormant = {from = "11-01", until = "03-15"}\n').site.zones
    assert zone.cooling is None
    assert zone.dormant.depth_mm == 0.0


@pytest.mark.parametrize(
    ("line", "word"),
    [
        (COOLING.replace("32 degC", "12 degC"), "between 20 and 50 degC"),
        (COOLING.replace("minutes = 3", "minutes = 45"), "between 1 and 10 min"),
        (COOLING.replace("most = 2", "most = 9"), "most"),
        (COOLING.replace('"12:00", "16:00"', '"22:00", "02:00"'), "within one day"),
        (COOLING + 'method = "drip"\n', "overhead"),
        ('dormant = {from = "06-15", until = "09-01", depth = "10 mm"}\n', "give every"),
        ('dormant = {from = "06-15", until = "09-01", every = 30}\n', "give depth"),
        ('rule = "calendar"\ndormant = {from = "06-15", until = "09-01", depth = 10, every = 30}\n', "programs run"),
    ],
)
def test_what_cannot_be_right_is_refused_with_the_limit(tmp_path, line, word):
    errors = loaded(tmp_path, zone=line, sensors=AIR).errors
    assert errors
    assert word in " ".join(str(error) for error in errors)


def test_cooling_without_a_thermometer_is_refused(tmp_path):
    (error,) = loaded(tmp_path, zone=COOLING).errors
    assert error.key == "cooling"
    assert "kind temperature" in str(error)
