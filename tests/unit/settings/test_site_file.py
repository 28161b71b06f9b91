"""A whole site file: what comes of it, and that every fault of it is told at once."""

from __future__ import annotations

from datetime import date, time
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dewpond.model.hours import DayRule, Hours
from dewpond.model.site import HeadKind, Site
from dewpond.settings.problems import SiteRefused
from dewpond.settings.site_file import load_site, require_site

ROOT = Path(__file__).parents[3]
EXAMPLE = ROOT / "tests" / "data" / "sites" / "example-commons.toml"
DEPLOYED = sorted((ROOT / "deploy" / "sites").glob("*.toml"))


def test_the_contract_example_loads_as_it_stands():
    loaded = load_site(EXAMPLE)
    assert loaded.errors == ()
    site = loaded.site
    assert isinstance(site, Site)
    assert (site.slug, site.elevation_m, site.timezone, site.units) == (
        "example-commons",
        8.0,
        "America/New_York",
        "metric",
    )
    assert site.watering.window == Hours(start=time(21), end=time(6))
    restriction = site.restrictions[0]
    assert restriction.applies_to == {"overhead"}
    assert (restriction.from_date, restriction.until_date) == (date(2027, 5, 1), date(2027, 9, 30))
    assert restriction.days == DayRule(kind="even")
    supply = site.supplies[0]
    assert (supply.capacity_l_min, supply.static_pressure_kpa, supply.master_output) == (60.0, 380.0, 1)


def test_the_zone_of_the_contract_example_has_the_stated_numbers():
    zone = require_site(EXAMPLE).zones[0]
    assert (zone.raw_mm, zone.taw_mm, zone.raw_is_given) == (11.2, 22.4, True)
    assert (zone.application_rate_mm_h, zone.flow_l_min, zone.efficiency) == (37.0, 45.0, 0.77)
    assert (zone.intake_mm_h, zone.surface_storage_mm, zone.area_m2) == (8.9, 6.0, 72.0)
    assert (zone.method, zone.overhead, zone.rule) == ("spray", True, "calendar")
    assert zone.heads[0].kind is HeadKind.SPRAY
    assert zone.heads[0].rated_pressure_kpa == 210.0
    assert zone.crop_coefficient == (0.8,) * 12


@pytest.mark.parametrize("path", DEPLOYED, ids=lambda path: path.stem)
def test_the_shipped_sites_have_no_errors(path):
    assert load_site(path, look_at_relays=True).errors == ()


def test_the_demonstration_site_has_nothing_to_find_but_its_simulated_relays():
    loaded = load_site(ROOT / "deploy" / "sites" / "withy-hollow.toml", look_at_relays=True)
    assert [problem.table for problem in loaded.findings] == ["relays"]
    assert loaded.site.slug == "withy-hollow"
    assert {zone.method for zone in loaded.site.zones} == {"spray", "rotor", "drip", "bubbler"}


def test_the_shipped_sites_are_more_than_one():
    assert {path.stem for path in DEPLOYED} >= {"withy-hollow", "small-garden", "campus"}


def test_a_missing_file_is_one_error(tmp_path):
    loaded = load_site(tmp_path / "nowhere.toml")
    assert loaded.site is None
    assert [problem.what for problem in loaded.errors] == ["cannot be read: No such file or directory"]


def test_a_broken_line_is_named(load):
    problem = load('[site]\nname = "x\n').errors[0]
    assert problem.line == 2
    assert problem.what.startswith("not TOML")


def test_a_file_that_is_not_utf_8_is_refused(tmp_path):
    path = tmp_path / "site.toml"
    path.write_bytes(b'[site]\nname = "\xff"\n')
    assert "is not UTF-8" in load_site(path).errors[0].what


def test_a_byte_order_mark_does_not_matter(tmp_path, whole):
    path = tmp_path / "site.toml"
    path.write_text("\ufeff" + whole, encoding="utf-8")
    assert load_site(path).errors == ()


def test_every_fault_is_told_at_once_with_its_place(load):
    loaded = load(
        """
[site]
name = "x"
latitude = 140
longitude = 0
timezone = "Europe/Berln"
units = "imperial"
[watering]
window = ["21:00", "21:05"]
max_open = 0
[[restriction]]
applies_to = "overhed"
from = "2027-09-30"
until = "2027-05-01"
[[supply]]
id = "main"
capacity = "40 L/min"
pump = 4
[relays]
driver = "simulated"
outputs = 4
[[zone]]
id = "North Lawn"
output = 3
area = "60 psi"
[[zone]]
id = "south"
supply = "mian"
output = 3
area = "720 m2"
application_rate = "1600 mm/h"
efficiency = 77
[[zone]]
id = "beds"
output = 9
area = "720 m2"
plants = "shrubs"
plant_factor = 0.5
soil = "loam"
root_depth = "300 mm"
root_zone_storage = "60 mm"
application_rate = "6 mm/h"
colour = "green"
[extra]
"""
    )
    assert loaded.site is None
    places = {(problem.table, problem.key) for problem in loaded.errors}
    assert places == {
        ("site", "latitude"),
        ("site", "timezone"),
        ("site", "units"),
        ("watering", "window"),
        ("watering", "max_open"),
        ("restriction 1", "applies_to"),
        ("restriction 1", "from"),
        ('supply "main"', "pump"),
        ('zone "North Lawn"', "id"),
        ('zone "North Lawn"', "area"),
        ('zone "North Lawn"', "application_rate"),
        ('zone "south"', "supply"),
        ('zone "south"', "output"),
        ('zone "south"', "application_rate"),
        ('zone "south"', "efficiency"),
        ('zone "beds"', "output"),
        ('zone "beds"', "plant_factor"),
        ('zone "beds"', "root_zone_storage"),
        ('zone "beds"', "colour"),
        ('zone "beds"', "application_rate"),  # 72 L/min on a supply of 40
        ("extra", ""),
    }
    assert all(problem.line and problem.file == "site.toml" for problem in loaded.errors)
    assert [problem.line for problem in loaded.errors] == sorted(problem.line for problem in loaded.errors)


def test_a_sentence_says_what_where_limit_and_remedy(load, whole):
    problem = load(whole.replace("40 mm/h", "1600 mm/h")).errors[0]
    assert problem.sentence() == (
        'site.toml, line 25, zone "lawn", application_rate: "1600 mm/h" cannot be right; it must lie between 0.1 and '
        "400 mm/h; a spray head gives about 30 mm/h, a rotor less than 25 mm/h, and 1.6 in/h is 41 mm/h."
    )


def test_require_site_raises_with_all_errors(tmp_path, whole):
    path = tmp_path / "site.toml"
    path.write_text(whole.replace("outputs = 8", "outputs = 2").replace('id = "lawn"', 'id = "Lawn"'), encoding="utf-8")
    with pytest.raises(SiteRefused) as refused:
        require_site(path)
    assert len(refused.value.errors) == 2
    assert str(refused.value).count("\n") == 1


def test_a_misspelt_key_is_answered_with_the_right_one(load, whole):
    problem = load(whole.replace("intake_rate", "intake_rat")).errors[0]
    assert (problem.key, problem.what, problem.remedy) == ("intake_rat", "unknown key", 'was "intake_rate" meant?')


def test_single_and_double_brackets_are_not_exchanged(load, whole):
    errors = load(whole.replace("[[zone]]", "[zone]").replace("[site]", "[[site]]")).errors
    assert {(problem.table, problem.remedy) for problem in errors} >= {
        ("zone", "write [[zone]]"),
        ("site", "write [site]"),
    }


def test_a_key_may_carry_its_unit(load, whole):
    loaded = load(
        whole.replace('area = "72 m2"', "area_m2 = 72").replace('capacity = "60 L/min"', "capacity_l_min = 60")
    )
    assert loaded.errors == ()
    assert (loaded.site.zones[0].area_m2, loaded.site.supplies[0].capacity_l_min) == (72.0, 60.0)


def test_a_quantity_given_twice_is_refused(load, whole):
    assert [
        problem.key for problem in load(whole.replace('area = "72 m2"', 'area_m2 = 72\narea = "72 m2"')).errors
    ] == ["area_m2"]


def test_a_southern_or_far_time_zone_of_the_etc_form_is_known(load, whole):
    assert load(whole.replace("America/New_York", "Etc/GMT+8")).site.timezone == "Etc/GMT+8"


def test_the_slug_is_safe_in_topics_and_may_be_stated(load, whole):
    assert load(whole.replace('"Withy Hollow"', '"Grüne Wiese / Nord #2"')).site.slug == "grune-wiese-nord-2"
    assert load(whole.replace('"Withy Hollow"', '"庭"\nslug = "niwa"')).site.slug == "niwa"


def test_path_and_digest_name_the_file(tmp_path, whole):
    path = tmp_path / "site.toml"
    path.write_text(whole, encoding="utf-8")
    first = load_site(path).site
    path.write_text(whole + "# changed\n", encoding="utf-8")
    assert first.path == str(path)
    assert first.digest != load_site(path).site.digest


def test_driver_options_go_through_as_written(load, whole):
    relays = load(whole.replace("outputs = 8", 'outputs = 8\nlog = "relays.log"')).site.relays
    assert (relays.driver, relays.outputs, relays.options) == ("simulated", 8, {"log": "relays.log"})


def test_a_csv_feed_counts_its_paths_from_the_site_file(load, whole, tmp_path):
    feed = load(whole + '[[feed]]\nkind = "csv"\npath = "weather/daily.csv"\nwind_height = "10 m"\n').site.feeds[0]
    assert feed.options == {"path": str(tmp_path / "weather" / "daily.csv"), "wind_height_m": 10.0}


def test_sensors_keep_their_mapping_as_written(load, whole):
    sensor = load(
        whole
        + """
[[sensor]]
id = "soil.a"
kind = "soil_moisture"
zone = "lawn"
topic = "garden/+/soil"
decode = "json"
pointer = "/a/b"
unit_in = "%vol"
range = [0, 0.7]
time = {pointer = "/t", format = "iso"}
"""
    ).site.sensors[0]
    assert (sensor.id, sensor.kind, sensor.zone, sensor.topic) == ("soil.a", "soil_moisture", "lawn", "garden/+/soil")
    assert sensor.mapping == {
        "decode": "json",
        "pointer": "/a/b",
        "unit_in": "%vol",
        "range": [0, 0.7],
        "time": {"pointer": "/t", "format": "iso"},
    }


def test_a_faulty_mapping_is_an_error_at_its_key(load, whole):
    text = '[[sensor]]\nid = "r"\nkind = "rain"\ntopic = "r"\nunit_in = "kPa"\npointr = "/x"\nscale = 0\n'
    assert {problem.key for problem in load(whole + text).errors} == {"pointr", "unit_in", "scale"}
    text = text.replace("pointr", "pointer").replace("scale = 0", 'scale = 0\ndecode = "json"')
    assert {problem.key for problem in load(whole + text).errors} == {"unit_in", "scale"}


def test_a_site_without_zones_needs_no_relays(load):
    loaded = load('[site]\nname = "x"\nlatitude = 1\nlongitude = 1\ntimezone = "UTC"\n')
    assert loaded.errors == ()
    assert loaded.site.relays.outputs == 0
    assert any(problem.what == "there are no zones" for problem in loaded.findings)


VALUES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-5, 5),
    st.floats(),
    st.text(max_size=5),
    st.lists(st.integers(0, 3), max_size=2),
)


def _as_toml(value: object) -> str:
    if value is None:
        return "{}"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return "'" + "".join(sign for sign in value if sign.isprintable() and sign != "'") + "'"
    return str(value)


@settings(max_examples=50, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(line=st.integers(0, 40), value=VALUES)
def test_any_value_at_any_key_is_read_or_refused(load, whole, line, value):
    lines = whole.splitlines()
    if line < len(lines) and " = " in lines[line]:
        lines[line] = lines[line].split(" = ")[0] + " = " + _as_toml(value)
    loaded = load("\n".join(lines))
    assert (loaded.site is None) == bool(loaded.errors)
