"""What cups say of a zone: the published audits first, then grades, causes, and before and after."""

from __future__ import annotations

import numpy as np
import pytest
from tests.unit.sites import zone
from tests.unit.upkeep.cup_tables import CASES, grid

from dewpond.model.site import HeadKind, Heads
from dewpond.science.units import CM2_PER_IN2, MM_PER_INCH
from dewpond.upkeep.cups import compare, cup_test, effect_of, judge
from dewpond.upkeep.cups.refusal import AuditRefused

AUDITS = ("CC-01", "CC-02", "CC-03", "CC-05", "CC-08")


def published(case_id):
    """A published audit as somebody would hand it in."""
    i = CASES[case_id]["inputs"]
    if i["cup_unit"] == "mL":
        mouth = np.pi / 4 * i["cup_diameter_cm"] ** 2
        return cup_test(grid(i["cups"]), unit="mL", minutes=i["duration_min"], mouth_cm2=mouth)
    if i["cup_unit"] == "in/h":
        return cup_test(grid(i["cups"]), unit="in/h")
    # 0.575 in in 2.25 h is more time than a landscape audit takes, so it is handed in as its rate.
    return cup_test(grid([value / i["duration_h"] for value in i["cups"]]), unit="in/h")


@pytest.mark.parametrize("case_id", AUDITS)
def test_published_audits_are_met(case_id):
    """Grabow, North Carolina State University, 2021-2022; cups of CC-03 to CC-08 from Merriam & Keller 1978."""
    expected, tolerance = CASES[case_id]["expected"], CASES[case_id]["tolerance"]
    found = judge(published(case_id))
    assert 100 * found.du_lq == pytest.approx(expected["DU_lq_pct"], abs=tolerance["DU_lq_pct"])
    assert 100 * found.du_lh == pytest.approx(expected["DU_lh_pct"], abs=tolerance["DU_lh_pct"])
    assert 100 * found.cu == pytest.approx(expected["CU_pct"], abs=tolerance["CU_pct"])
    assert found.run_time_multiplier == pytest.approx(
        expected["run_time_multiplier"], abs=tolerance["run_time_multiplier"]
    )
    assert len(found.lowest_quarter) == CASES[case_id]["inputs"]["low_quarter_count"]


def test_the_published_home_lawn_gives_its_rate_and_run_times():
    """CC-02: 0.41 in/h; 36.3 and 54.1 minutes for 0.25 in, the lower and the upper run time."""
    expected, found = CASES["CC-02"]["expected"], judge(published("CC-02"))
    assert found.rate_mm_h / MM_PER_INCH == pytest.approx(expected["precipitation_rate_in_per_h"], abs=0.005)
    lawn = zone(raw_mm=0.25 * MM_PER_INCH, application_rate_mm_h=found.rate_mm_h, efficiency=1.0)
    effect = effect_of(found, lawn)
    assert effect.before.minutes == pytest.approx(expected["lower_runtime_min"], abs=0.1)
    assert effect.after.minutes == pytest.approx(expected["upper_runtime_min"], abs=0.1)
    assert "below the 50% that spray heads should reach" in found.verdict


def test_the_least_mean_catch_is_the_published_one():
    """CC-10: 1.5 mL for each square inch, 45 mL for a throat of 30 in2."""
    mouth = CASES["CC-10"]["inputs"]["cup_throat_area_in2"] * CM2_PER_IN2
    short = judge(cup_test(grid([44.0] * 24), unit="mL", minutes=5.0, mouth_cm2=mouth))
    assert any("below 45 mL" in note and "run 6 min" in note for note in short.notes)
    full = judge(cup_test(grid([45.1] * 24), unit="mL", minutes=5.0, mouth_cm2=mouth))
    assert not any("least that reads well" in note for note in full.notes)


def ml(values, **more):
    return cup_test(grid(values, **more), unit="mL", minutes=6.0, mouth_cm2=95.0)


def test_five_cups_in_one_placement_show_dry_spots_and_earn_no_grade():
    found = judge(ml([30.0, 31.0, 8.0, 30.0, 29.0]))
    assert (found.graded, found.grade, found.verdict) == (False, "", "")
    assert found.dry == (3,)
    assert any("earn no uniformity grade" in note for note in found.notes)
    assert found.confidence.startswith("low: 5 cups")
    with pytest.raises(AuditRefused, match="5 cups earn no uniformity grade"):
        effect_of(found, zone())


def test_five_placements_of_five_cups_are_graded_together():
    found = judge(ml([30.0, 28.0, 26.0, 31.0, 29.0] * 5, placements=5))
    assert found.graded
    assert found.placements == 5
    assert found.grade == "excellent"


def test_placements_with_unlike_means_are_told():
    values = [30.0 if n % 2 else 20.0 for n in range(24)]
    assert any("Placement means lie between 20 and 30 mL" in note for note in judge(ml(values, placements=2)).notes)


@pytest.mark.parametrize(
    ("low", "method", "grade", "verdict"),
    [
        (30.0, "spray", "excellent", "excellent for any sprinkler"),
        (20.0, "spray", "very good", "usable"),
        (14.0, "spray", "fair", "worth repairing"),
        (14.0, "rotor", "poor", "below the 70%"),
    ],
)
def test_the_verdict_goes_by_the_kind_of_head(low, method, grade, verdict):
    found = judge(ml([30.0] * 18 + [low] * 6), zone(method=method))
    assert found.grade == grade
    assert verdict in found.verdict


def test_the_interval_holds_the_figure_and_narrows_with_cups():
    rng = np.random.default_rng(1)
    few, many = judge(ml(rng.normal(30, 5, 24))), judge(ml(rng.normal(30, 5, 120)))
    for found in (few, many):
        assert found.rate_interval_mm_h[0] < found.rate_mm_h < found.rate_interval_mm_h[1]
    width = few.rate_interval_mm_h[1] - few.rate_interval_mm_h[0]
    assert width > 1.35 * (many.rate_interval_mm_h[1] - many.rate_interval_mm_h[0])


def codes(test, of=None):
    return [cause.code for cause in judge(test, of).causes]


def test_dry_cups_in_one_place_point_to_one_head():
    values = [30.0] * 24
    values[16] = values[17] = values[22] = values[23] = 12.0
    (cause,) = judge(ml(values)).causes
    assert cause.code == "dry_place"
    assert cause.place == pytest.approx((9.0, 5.0))


def test_scattered_dry_cups_point_to_levelling_and_nozzles():
    values = [30.0] * 24
    values[0] = values[5] = values[18] = values[23] = 10.0
    assert codes(ml(values)) == ["scattered"]


def test_one_full_cup_points_to_a_leak():
    values = [20.0] * 24
    values[9] = 90.0
    assert codes(ml(values)) == ["wet_cup"]


def test_dry_edges_and_a_dry_middle_are_told_apart():
    inner = {7, 8, 9, 10, 13, 14, 15, 16}
    assert codes(ml([40.0 if n in inner else 26.0 for n in range(24)])) == ["edge"]
    (cause,) = judge(ml([20.0 if n in inner else 30.0 for n in range(24)])).causes
    assert cause.code == "edge"
    assert "middle" in cause.what


def test_even_cups_have_no_cause():
    assert codes(ml([30.0, 29.0, 31.0] * 8), zone()) == []


def test_mixed_kinds_and_pressure_are_named_from_the_zone():
    mixed = zone(
        heads=(
            Heads(kind=HeadKind.SPRAY, count=4, flow_l_min=4.0, rated_pressure_kpa=210.0),
            Heads(kind=HeadKind.ROTOR, count=4, flow_l_min=5.0, rated_pressure_kpa=310.0),
        )
    )
    cups = {"values": [30.0, 29.0, 31.0] * 8}
    assert codes(ml(**cups, pressure_kpa=150.0), mixed)[:2] == ["mixed_kinds", "low_pressure"]
    assert codes(ml(**cups, pressure_kpa=300.0), mixed)[:2] == ["mixed_kinds", "high_pressure"]


def test_cups_that_catch_far_less_than_the_heads_give_off_are_told():
    lawn = zone(heads=(Heads(kind=HeadKind.SPRAY, count=9, flow_l_min=4.0),))  # 36 mm/h on 60 m2
    assert codes(ml([20.0] * 24), lawn) == ["rate_low"]
    assert codes(ml([50.0] * 24), lawn) == ["rate_high"]
    assert codes(ml([33.0] * 24), lawn) == []


def test_before_and_after_say_whether_cups_can_tell():
    rng = np.random.default_rng(2)
    poor = judge(ml(rng.uniform(4, 56, 24)))
    mended = judge(ml(rng.uniform(26, 34, 24)))
    change = compare(poor, mended)
    assert change.sure
    assert "clearly better" in change.said
    assert change.du_lq == pytest.approx(mended.du_lq - poor.du_lq)
    same = compare(mended, judge(ml(rng.uniform(26, 34, 24))))
    assert not same.sure
    assert "cannot tell it from chance" in same.said
