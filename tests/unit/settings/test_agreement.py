"""What the tables of a site file must agree on."""

from __future__ import annotations

import pytest

FIVE = (
    'application_rate = "20 mm/h"\nintake_rate = "9 mm/h"\nsurface_storage = "6 mm"\nroot_zone_storage = "11 mm"\n'
    "efficiency = 0.75\nplant_factor = 0.8\n"
)


def zone_of(zone_id: str, output: int, more: str = "") -> str:
    return f'[[zone]]\nid = "{zone_id}"\noutput = {output}\narea = "60 m2"\n{FIVE}{more}\n'


@pytest.fixture
def faults(load, ground):
    """(table, key) of every error of a site with these further tables."""

    def found(text, **replaced):
        changed = ground
        for old, new in replaced.values():
            assert old in changed
            changed = changed.replace(old, new)
        return [(problem.table, problem.key) for problem in load(changed + text).errors]

    return found


def test_two_good_zones_agree(faults):
    assert faults(zone_of("a", 1) + zone_of("b", 2)) == []


def test_an_id_is_used_once(faults):
    assert faults(zone_of("a", 1) + zone_of("a", 2)) == [('zone "a"', "id")]


@pytest.mark.parametrize("bad", ["A", "north lawn", "a/b", "a+b", "#", "", "-a", "overhead", "all", "ä", "x" * 65])
def test_an_id_is_safe_in_a_topic(faults, bad):
    assert [key for _, key in faults(zone_of(bad, 1))] == ["id"]


def test_an_output_is_used_once_the_master_too(faults):
    assert faults(zone_of("a", 1) + zone_of("b", 1)) == [('zone "b"', "output")]
    master = {"master": ('capacity = "60 L/min"', 'capacity = "60 L/min"\nmaster = "relays:1"')}
    assert faults(zone_of("a", 1), **master) == [('zone "a"', "output")]


def test_an_output_exists(faults):
    assert faults(zone_of("a", 8)) == []
    assert faults(zone_of("a", 9)) == [('zone "a"', "output")]


def test_zones_need_relays(load, ground):
    text = ground.replace('[relays]\ndriver = "simulated"\noutputs = 8\n', "") + zone_of("a", 1)
    assert [(problem.table, problem.key) for problem in load(text).errors] == [("relays", "")]


def test_a_zone_takes_no_more_than_its_supply_gives(faults):
    assert faults(zone_of("a", 1).replace("60 m2", "180 m2")) == []  # exactly 60 L/min
    assert faults(zone_of("a", 1).replace("60 m2", "181 m2")) == [('zone "a"', "application_rate")]


def test_a_zone_on_several_supplies_names_its_own(faults):
    second = '[[supply]]\nid = "well"\n'
    assert faults(second + zone_of("a", 1)) == [('zone "a"', "supply")]
    assert faults(second + zone_of("a", 1, 'supply = "well"')) == []
    assert faults(second + zone_of("a", 1, 'supply = "wel"')) == [('zone "a"', "supply")]


def test_a_site_without_supply_has_one_called_main(load, ground):
    text = ground.replace('[[supply]]\nid = "main"\ncapacity = "60 L/min"\n', "")
    loaded = load(text + zone_of("a", 1, 'supply = "main"'))
    assert loaded.errors == ()
    assert (loaded.site.supplies[0].id, loaded.site.supplies[0].capacity_l_min) == ("main", None)


def test_restrictions_name_what_exists_in_an_order_that_can_be(faults):
    zones = zone_of("a", 1)
    for name in ("overhead", "drip", "all", "a", "main"):
        assert faults(f'{zones}[[restriction]]\napplies_to = ["{name}"]\ndays = "even"\n') == []
    assert faults(f'{zones}[[restriction]]\napplies_to = ["a", "b"]\ndays = "even"\n') == [
        ("restriction 1", "applies_to")
    ]
    dated = f'{zones}[[restriction]]\napplies_to = "all"\ndays = "odd"\nfrom = 2027-05-02\nuntil = "2027-05-01"\n'
    assert faults(dated) == [("restriction 1", "from")]


@pytest.mark.parametrize("window", ['["21:00"]', '["21:00", "25:00"]', '["21:00", "21:09"]', '"night"', "[21, 6]"])
def test_a_window_is_two_times_and_long_enough(faults, window):
    assert faults(zone_of("a", 1), window=('["21:00", "06:00"]', window)) == [("watering", "window")]


def test_watering_days_are_not_none(faults):
    assert faults(zone_of("a", 1), days=("[watering]", "[watering]\ndays = []")) == [("watering", "days")]


def test_a_program_names_zones_under_the_calendar_rule(load, ground, faults):
    program = '[[program]]\nname = "Beds"\nzones = {a = 12}\nstarts = ["05:00"]\ndays = ["mon"]\n'
    assert load(ground + zone_of("a", 1) + program).site.zones[0].rule == "calendar"
    assert faults(zone_of("b", 1) + program) == [('program "Beds"', "zones")]
    assert faults(zone_of("a", 1, 'rule = "refill"') + program) == [('program "Beds"', "zones")]
    assert faults(zone_of("a", 1) + program + program) == [('program "Beds"', "name")]
    assert faults(zone_of("a", 1) + program.replace('["05:00"]', "[]")) == [('program "Beds"', "starts")]
    assert faults(zone_of("a", 1) + program.replace("a = 12", 'a = "12 mm"')) == [('program "Beds"', "zones a")]


def test_a_rule_exists(faults):
    assert faults(zone_of("a", 1, 'rule = "calendar"')) == []
    assert faults(zone_of("a", 1, 'rule = "refil"')) == [('zone "a"', "rule")]


def test_a_meter_is_of_kind_flow(faults):
    sensor = '[[sensor]]\nid = "m"\nkind = "pressure"\ntopic = "m"\nunit_in = "kPa"\n'
    metered = {"meter": ('capacity = "60 L/min"', 'capacity = "60 L/min"\nmeter = "m"')}
    assert faults(zone_of("a", 1) + sensor, **metered) == [('supply "main"', "meter")]


def test_a_meter_that_is_not_described_is_a_finding_and_left_out(load, ground):
    loaded = load(ground.replace('capacity = "60 L/min"', 'capacity = "60 L/min"\nmeter = "m"') + zone_of("a", 1))
    assert loaded.site.supplies[0].meter is None
    assert 'there is no sensor "m"' in [problem.what for problem in loaded.findings]


def test_a_probe_stands_in_a_zone_that_exists(faults):
    sensor = '[[sensor]]\nid = "p"\nkind = "soil_moisture"\ntopic = "p"\nunit_in = "%vol"\nzone = "b"\n'
    assert faults(zone_of("a", 1) + sensor) == [('sensor "p"', "zone")]


def test_a_feed_takes_the_keys_of_its_kind(faults):
    assert faults('[[feed]]\nkind = "open-meteo"\npath = "x"\n') == [("feed 1", "path")]
    assert faults('[[feed]]\nkind = "csv"\n') == [("feed 1", "path")]
    assert faults('[[feed]]\nkind = "oracle"\n') == [("feed 1", "kind")]


def test_a_pump_is_a_table_of_its_own(load, ground):
    errors = load(ground.replace('id = "main"', 'id = "main"\npump = 4')).errors
    assert [(problem.key, problem.limit) for problem in errors] == [("pump", "it must be a table in braces")]
    errors = load(ground.replace('id = "main"', 'id = "main"\npump_output = 4')).errors
    assert [problem.key for problem in errors] == ["pump_output"] and "[supply.pump]" in errors[0].limit


def test_a_service_table_takes_addresses(faults):
    assert faults('[service]\nbroker = "mqtt://127.0.0.1:1883"\nboard = "off"\n') == []
    assert faults('[service]\nbroker = "127.0.0.1"\nboard = "x"\nlease_s = 5\n') == [
        ("service", "broker"),
        ("service", "board"),
        ("service", "lease_s"),
    ]
