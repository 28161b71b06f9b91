"""Plants by the landscape coefficient, drip that wets a share of the ground, deep watering, and new plants.

Checks against sources: Costello, Matheny & Clark, A Guide to Estimating Irrigation Water Needs of Landscape Plantings
in California, 2000, pp. 39 and 47 (KL = ks kd kmc, 0.2 x 0.5 x 1.0 = 0.1); FAO-56 Table 20 (drip wets 0.3 to 0.4) and
eq. 82 (TAW); University of California turf coefficients, table 1.
"""

from __future__ import annotations

from datetime import date

import pytest

BED = """
[[zone]]
id = "bed"
output = 2
area = "30 m2"
soil = "loam"
root_depth = "600 mm"
efficiency = 0.8
application_rate = "8 mm/h"
"""
NEW = """
[zone.establishment]
from = "2026-06-01"
until = "2026-06-21"
"""


@pytest.fixture
def zone(load, ground):
    def resolved(text, more=""):
        loaded = load(ground + BED + text + more)
        assert loaded.errors == ()
        return loaded.site.zones[0]

    return resolved


@pytest.fixture
def refused(load, ground):
    def said(text, more=""):
        return " | ".join(f"{problem.key}: {problem.said}" for problem in load(ground + BED + text + more).errors)

    return said


def test_landscape_coefficient_of_the_guides_worked_example(zone):
    found = zone("species = 0.2\ndensity = 0.5\nmicroclimate = 1.0\n")
    assert found.crop_coefficient == pytest.approx((0.1,) * 12)


def test_classes_stand_for_the_middle_of_their_published_ranges(zone):
    found = zone('species = "moderate"\ndensity = "high"\nmicroclimate = "low"\n')
    assert found.crop_coefficient == pytest.approx((0.5 * 1.2 * 0.7,) * 12)
    assert "species x density x microclimate" in found.notes["crop_coefficient"]


def test_a_monthly_table_may_be_named(zone):
    found = zone('crop_coefficient = "cool-season"\n')
    assert found.crop_coefficient[3] == 1.04
    assert "University of California" in found.notes["crop_coefficient"]


@pytest.mark.parametrize("other", ['plants = "trees"', "plant_factor = 0.5", 'crop_coefficient = "fescue"'])
def test_the_landscape_coefficient_stands_alone(refused, other):
    assert "say the same thing" in refused(f"species = 0.5\n{other}\n")


def test_density_without_species_is_refused(refused):
    assert "given without species" in refused('density = "high"\n')


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ('species = "thirsty"', "accepted are very low, low, moderate, high"),
        ("wetted_share = 0.01", "between 0.05 and 1"),
        ("bare_soil = 1.5", "between 0.01 and 1"),
        ('deep_watering = {depth = "40 mm"}', "missing"),
        ('deep_watering = {depth = "40 mm", every = "14 mm"}', "is a length, not a time"),
        ('canopy_area = "900 m2"', "at most 5 times the area"),
    ],
)
def test_what_cannot_be_is_refused(refused, text, part):
    assert part in refused(text)


def test_water_and_storage_only_count_in_the_wetted_share(zone):
    whole, drip = zone('plants = "trees"\n'), zone('plants = "trees"\nwetted_share = 0.35\n')
    for name in ("taw_mm", "raw_mm", "intake_mm_h", "surface_storage_mm"):
        assert getattr(drip, name) == pytest.approx(0.35 * getattr(whole, name))
    assert whole.taw_mm == pytest.approx(155.0 * 0.6)  # FAO-56 eq. 82, Table 19 loam
    # Gross is rate x time and litres are gross x area, as before.
    assert (drip.application_rate_mm_h, drip.flow_l_min) == (whole.application_rate_mm_h, whole.flow_l_min)


def test_the_wetted_share_follows_from_emitters(zone):
    heads = 'heads = [{kind = "point emitter", count = 15, flow = "4 L/h", wetted = "0.6 m2"}]\n'
    text = 'plants = "trees"\n' + heads
    found = zone(text)
    assert found.wetted_share == pytest.approx(15 * 0.6 / 30)
    assert found.heads[0].wetted_m2 == 0.6


def test_emitters_that_wet_next_to_nothing_are_refused(refused):
    text = 'heads = [{kind = "point emitter", count = 1, flow = "4 L/h", wetted = "0.6 m2"}]\n'
    assert "the emitters wet 0.02 of 30 m2" in refused(text)
    assert "only one may stand" in refused("wetted_share = 0.5\n" + text)


def test_leaves_over_a_part_of_the_ground_use_as_much_less(zone):
    found = zone('plant_factor = 0.5\ncanopy_area = "12 m2"\n')
    assert found.crop_coefficient == pytest.approx((0.5 * 0.4,) * 12)
    assert found.canopy_share == pytest.approx(0.4)


def test_deep_watering_keeps_its_depth_on_the_wetted_ground(zone):
    found = zone('plants = "trees"\nwetted_share = 0.5\ndeep_watering = {depth = "40 mm", every = "2 weeks"}\n')
    assert (found.deep_watering.depth_mm, found.deep_watering.every_days) == (20.0, 14.0)


def test_deep_watering_needs_a_rule_that_follows_the_balance(refused):
    text = 'rule = "calendar"\ndeep_watering = {depth = "40 mm", every = "14 days"}\n'
    assert "the zone runs by its programs" in refused(text)


def test_new_sod_roots_from_its_own_depth_to_the_final_one(zone):
    found = zone("", NEW + 'kind = "sod"\n').establishment
    assert (found.kind, found.starts_per_day, found.first, found.last) == (
        "sod",
        3,
        date(2026, 6, 1),
        date(2026, 6, 21),
    )
    assert found.start_share == pytest.approx(50.0 / 600.0)
    assert found.share_of_depth(date(2026, 6, 11)) == pytest.approx((50.0 / 600.0 + 1.0) / 2.0)
    assert found.share_of_depth(date(2026, 6, 21)) == found.share_of_depth(date(2026, 7, 1)) == 1.0


def test_an_exemption_is_recorded_as_it_was_given(zone):
    exemption = 'kind = "seed"\nstarts_per_day = 4\nexemption = {reason = "permit 12", until = "2026-06-10"}\n'
    found = zone("", NEW + exemption).establishment
    assert (found.exemption.reason, found.exemption.until, found.starts_per_day) == ("permit 12", date(2026, 6, 10), 4)


@pytest.mark.parametrize(
    ("lines", "part"),
    [
        ('kind = "seed"\nlitres = "40 L"\n', "litres is given for seed"),
        ('kind = "root ball"\nlitres = "40 L"\n', "trees is missing"),
        (
            'kind = "root ball"\nlitres = "40 L"\ntrees = 3\nevery = "3 days"\nstarts_per_day = 2\n',
            "starts_per_day is given for root balls",
        ),
        ('kind = "sod"\nstarts_per_day = 9\n', "at most 5"),
        ('kind = "turf"\n', "accepted are seed, overseeding, plugs, sod, root ball"),
        ('kind = "sod"\nexemption = {reason = "permit", until = "2026-05-01"}\n', "before new plants begin"),
    ],
)
def test_new_plants_that_cannot_be_are_refused(refused, lines, part):
    assert part in refused("", NEW + lines)


def test_an_end_before_the_beginning_is_refused(refused):
    assert "is before from" in refused("", NEW.replace("2026-06-21", "2026-05-21") + 'kind = "sod"\n')


def test_rain_may_be_split_into_runoff_and_what_the_ground_takes_in(load, ground):
    text = ground.replace("[watering]\n", '[watering]\nrain_method = "infiltration"\n') + BED
    found = load(text).site
    assert found.watering.rain_method == "infiltration"
    assert load(ground + BED).site.watering.rain_method == "80 percent"
    refused = load(ground.replace("[watering]\n", '[watering]\nrain_method = "sponge"\n') + BED).errors
    assert "accepted are 80 percent, infiltration" in refused[0].said


def test_the_curve_number_follows_soil_and_slope(zone):
    flat, steep = zone(""), zone("slope = 20\n")
    assert flat.curve_number < 61.0 < steep.curve_number  # a loam is of group B, 61 at a slope of 5 %


def test_bare_soil_takes_the_evaporable_water_of_its_texture(zone):
    found = zone("bare_soil = 0.4\n")
    assert (found.bare_soil, found.rew_mm, found.tew_mm) == (0.4, 9.0, 19.0)  # FAO-56 Table 19, loam
    assert "basal" in found.notes["bare_soil"]
