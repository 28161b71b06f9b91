"""The design review: published limits, each finding with its number, limit and source, and what must stay silent."""

from __future__ import annotations

from dataclasses import replace

import pytest
from tests.unit.sites import site, zone
from tests.unit.upkeep.cup_tables import CASES

from dewpond.model.site import HeadKind, Heads, Pump, Supply
from dewpond.science.hydraulics import friction_loss_kpa
from dewpond.science.units import MM_PER_INCH
from dewpond.upkeep.design import for_check, review
from dewpond.upkeep.design.heads import pressure_at_heads_kpa, sector_rate_mm_h

L_PER_GAL, M_PER_FT, KPA_PER_PSI = 3.785411784, 0.3048, 6.894757293
QUIET = Supply(
    id="main", source="well", capacity_l_min=60.0, static_pressure_kpa=240.0, pipe_diameter_mm=40.0, pipe_length_m=30.0
)
HALF = Heads(
    kind=HeadKind.SPRAY,
    count=4,
    flow_l_min=4.0,
    radius_m=3.6,
    arc_deg=180.0,
    rated_pressure_kpa=210.0,
    spacing_m=3.6,
    check_valve=True,
)


def lawn(**changes):
    """A zone that gives no cause for a finding."""
    calm = {"heads": (HALF,), "flow_l_min": 16.0, "application_rate_mm_h": 16.0, "intake_mm_h": 20.0}
    return zone(**{**calm, **changes})


def codes(of, supply=QUIET, **changes):
    return sorted({finding.code for finding in review(site(of, supplies=(supply,), **changes))})


def only(of, code, supply=QUIET):
    (found,) = [each for each in review(site(of, supplies=(supply,))) if each.code == code]
    return found


def test_a_sound_zone_gives_no_finding():
    assert codes(lawn()) == []


def test_arcs_of_one_family_are_matched_and_never_told():
    """PR-01, Wil: half heads of 1.0 gpm and quarter heads of 0.5 gpm on a 60 by 15 ft strip, 0.86 in/h."""
    i = CASES["PR-01"]["inputs"]
    half = replace(HALF, count=6, flow_l_min=i["half_gpm"] * L_PER_GAL, radius_m=15 * M_PER_FT, spacing_m=15 * M_PER_FT)
    quarter = replace(half, count=4, flow_l_min=i["quarter_gpm"] * L_PER_GAL, arc_deg=90.0)
    assert sector_rate_mm_h(half) == pytest.approx(sector_rate_mm_h(quarter))
    assert codes(lawn(heads=(half, quarter))) == []
    # Head to head, a sector is watered by two half circles' worth: the published rate of the strip.
    strip_in_h = 96.25 * 8.0 / (60 * 15)
    assert strip_in_h == pytest.approx(CASES["PR-01"]["expected"]["precipitation_rate_in_per_h"], abs=0.005)


def test_unmatched_arcs_are_told_with_both_rates():
    whole = replace(HALF, arc_deg=360.0, count=2)  # the same flow over twice the ground
    found = only(lawn(heads=(HALF, whole)), "unmatched_rates")
    assert found.number == pytest.approx(2.0)
    assert found.limit == 1.2
    assert "Yolo County code" in found.source


def test_two_kinds_on_one_valve_are_told_once():
    rotor = replace(HALF, kind=HeadKind.ROTOR, count=2)
    of = lawn(heads=(HALF, rotor))
    assert codes(of) == ["mixed_kinds"]
    assert for_check(site(of, supplies=(QUIET,))) == ()  # reading the site file tells it already


@pytest.mark.parametrize(
    ("spacing_ft", "weight"),
    [(15.0, None), (16.4, None), (16.6, "waste"), (18.0, "waste"), (18.1, "harm")],
)
def test_spacing_follows_the_published_shares_of_the_diameter(spacing_ft, weight):
    """Wil, "Sprinkler spacing": 55 % of the diameter in squares; a 15 ft radius gives 18 ft at the very most."""
    group = replace(HALF, radius_m=15 * M_PER_FT, spacing_m=spacing_ft * M_PER_FT)
    found = [each.weight for each in review(site(lawn(heads=(group,)), supplies=(QUIET,)))]
    assert found == ([] if weight is None else [weight])


def test_pressure_loses_meter_main_rise_and_lateral():
    """Meter at most 10 % of static; 10 m of rise is 98 kPa (1 psi is 2.31 ft, HY-01); Hazen-Williams for the main."""
    supply = replace(QUIET, static_pressure_kpa=400.0, meter="m")
    of = lawn(rise_m=10.0, lateral_diameter_mm=20.0, lateral_length_m=40.0)
    first, last, parts = pressure_at_heads_kpa(of, supply)
    main = float(friction_loss_kpa(16.0, 40.0, 30.0))
    assert first == pytest.approx(400 - 40 - main - 98.07, abs=0.05)
    lateral = float(friction_loss_kpa(16.0, 20.0, 40.0))
    assert first - last == pytest.approx(lateral * sum((k / 4) ** 1.852 for k in range(1, 5)) / 4, rel=0.01)
    assert parts[0] == "400 kPa static"
    assert sum("rise" in part for part in parts) == 1


def test_too_much_pressure_wants_regulated_heads_or_a_regulator():
    supply = replace(QUIET, static_pressure_kpa=500.0)
    found = only(lawn(), "high_pressure", supply)
    assert found.number == pytest.approx((500 - float(friction_loss_kpa(16.0, 40.0, 30.0))) / 210)
    assert "regulator" in found.remedy
    assert codes(lawn(heads=(replace(HALF, regulated=True),)), supply) == []


def test_too_little_pressure_and_long_laterals_are_told():
    assert codes(lawn(rise_m=8.0)) == ["low_pressure"]
    assert codes(lawn(lateral_diameter_mm=16.0, lateral_length_m=90.0)) == ["lateral_loss"]
    assert codes(lawn(lateral_diameter_mm=16.0, lateral_length_m=120.0)) == ["lateral_loss", "low_pressure"]
    assert codes(lawn(lateral_diameter_mm=13.0, lateral_length_m=1.0)) == ["lateral_velocity"]


def test_flow_beside_the_capacity_suggests_how_many_valves():
    found = only(lawn(flow_l_min=57.0), "zone_flow")
    assert found.number == pytest.approx(0.95)
    assert "split it over 2 valves, about 2 heads each" in found.remedy


def test_main_friction_is_held_to_one_psi_in_a_hundred_feet():
    """Jarrett: under 1.0 psi/100 ft."""
    found = only(lawn(), "main_friction", replace(QUIET, pipe_diameter_mm=19.0, velocity_limit_m_s=3.0))
    assert found.limit == pytest.approx(KPA_PER_PSI / (100 * M_PER_FT), rel=1e-3)
    assert found.number > found.limit


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"backflow": None}, "backflow_unknown"),
        ({"backflow": "none"}, "no_backflow"),
        ({"backflow": "atmospheric vacuum breaker"}, "backflow_device"),
        ({"backflow": "double check"}, "backflow_device"),
        ({"backflow": "pressure vacuum breaker"}, "backflow_device"),
        ({"source": "reclaimed"}, "reclaimed"),
    ],
)
def test_drinking_water_needs_a_backflow_preventer(changes, told):
    """30 TAC 344.52; City of Paris, Texas; utility notice citing AWWA. Local code decides."""
    assert codes(lawn(), replace(QUIET, **{"source": "potable", **changes})) == [told]


def test_reduced_pressure_and_air_gaps_need_no_word_and_a_pump_behind_a_vacuum_breaker_is_a_hazard():
    for device in ("reduced pressure", "air gap"):
        assert codes(lawn(), replace(QUIET, source="potable", backflow=device)) == []
    pumped = replace(QUIET, source="potable", backflow="pressure vacuum breaker", pump=Pump(output=7))
    assert only(lawn(), "backflow_device", pumped).weight == "hazard"


def test_static_pressure_above_80_psi_is_told_and_an_unknown_one_too():
    regulated = lawn(heads=(replace(HALF, regulated=True),))
    assert codes(regulated, replace(QUIET, static_pressure_kpa=82 * KPA_PER_PSI)) == ["static_high"]
    assert codes(regulated, replace(QUIET, static_pressure_kpa=None)) == ["static_unknown"]


@pytest.mark.parametrize(
    ("slope", "rate_in_h", "told"),
    [
        (14.0, 1.5, []),
        (16.0, 0.86, ["rate_on_slope"]),
        (16.0, 0.84, []),
        (26.0, 0.76, ["rate_on_slope"]),
        (26.0, 0.74, []),
        (51.0, 0.3, ["overhead_on_slope"]),
    ],
)
def test_rates_on_slopes_follow_published_rules(slope, rate_in_h, told):
    """Redwood City: 0.85 in/h above 15 %, nothing from above over 2 to 1; MWELO (from memory): 0.75 in/h above 25 %."""
    of = lawn(slope_pct=slope, application_rate_mm_h=rate_in_h * MM_PER_INCH, intake_mm_h=100.0)
    assert codes(of) == told


@pytest.mark.parametrize("row", range(3))
def test_splits_are_the_published_ones(row):
    """CS-01, surface-accumulation method: longest cycles of 12.0, 6.62, 17.33 min with 42.9, 64.0, 31.2 min of soak."""
    i, expected = CASES["CS-01"]["inputs"]["rows"][row], CASES["CS-01"]["expected"]
    rate, intake = i["PR_in_per_h"] * MM_PER_INCH, i["IR_in_per_h"] * MM_PER_INCH
    cycle_min, soak_min = expected["max_cycle_min"][row], expected["min_soak_min"][row]
    # A refill of nearly two of the longest cycles, which count whole seconds.
    of = lawn(
        application_rate_mm_h=rate,
        intake_mm_h=intake,
        surface_storage_mm=i["ASA_in"] * MM_PER_INCH,
        efficiency=1.0,
        raw_mm=1.998 * cycle_min / 60 * rate,
    )
    found = only(of, "split")
    assert found.number == 2
    assert f"2 openings of {cycle_min:.0f} min, {soak_min:.0f} min rest" in found.what


def test_many_openings_ask_for_heads_of_a_lower_rate():
    found = only(lawn(application_rate_mm_h=40.0, intake_mm_h=3.0, surface_storage_mm=2.0), "split")
    assert found.number > 4
    assert found.weight == "waste"
    assert "lower rate" in found.remedy


def test_heads_on_a_slope_want_check_valves():
    """San Marcos and Redwood City: where elevation differences may cause low-head drainage; about a foot does."""
    plain = replace(HALF, check_valve=False)
    assert codes(lawn(heads=(plain,), slope_pct=3.0)) == []  # 0.23 m over 7.7 m
    found = only(lawn(heads=(plain,), slope_pct=5.0), "check_valves")
    assert found.number == pytest.approx(0.05 * 60**0.5)
    assert codes(lawn(heads=(replace(HALF, check_valve=True),), slope_pct=5.0)) == []


def test_every_finding_has_a_source_a_remedy_and_a_plain_form():
    poor = lawn(
        heads=(replace(HALF, check_valve=False, spacing_m=5.0), replace(HALF, arc_deg=360.0, count=2)),
        slope_pct=30.0,
        application_rate_mm_h=40.0,
        flow_l_min=58.0,
        intake_mm_h=5.0,
    )
    found = review(site(poor, supplies=(replace(QUIET, source="potable", static_pressure_kpa=600.0),)))
    assert len({each.code for each in found}) >= 8
    for each in found:
        assert each.source
        assert each.remedy
        assert each.as_plain()["text"] == each.sentence()
        assert (each.number is None) == (each.limit is None)
        assert str(each.what) in each.sentence()
    weights = [("hazard", "harm", "waste", "note").index(each.weight) for each in found]
    assert weights == sorted(weights)


def test_zones_without_heads_are_named_as_not_reviewed():
    found = only(zone(intake_mm_h=40.0), "heads_not_described")
    assert "lawn" in found.what
