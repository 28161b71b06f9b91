"""Soil textures by name; the printed tables are in the test_published_*.py files."""

import numpy as np
import pytest

from dewpond.science import soil_tables


@pytest.mark.parametrize("text", ["Silty Clay", "silty_clay", "silty-clay", "  silty   clay "])
def test_spelling_of_a_texture_does_not_matter(text: str) -> None:
    assert soil_tables.texture_name(text) == "silty clay"


def test_an_unknown_texture_is_refused_with_the_choices() -> None:
    with pytest.raises(ValueError, match=r"soil 'mud' is not a known texture; use one of: sand, loamy sand, .*clay\."):
        soil_tables.intake_rate_mm_h("mud")


def test_available_water_is_the_middle_of_the_published_range() -> None:
    assert soil_tables.available_water_mm_m("loam") == 155.0  # FAO-56 Table 19: 0.13 to 0.18
    assert soil_tables.available_water_mm_m("loamy sand") == 90.0  # FAO-56 Example 36 prints 90 mm/m
    assert soil_tables.available_water_source("loam") == "middle of 130 to 180 mm/m for loam (FAO-56 Table 19, p. 144)"
    assert soil_tables.available_water_source("loamy sand").endswith(", from memory)")


def test_every_texture_answers_every_question() -> None:
    for texture in soil_tables.SOIL_TEXTURES:
        assert 50.0 < soil_tables.available_water_mm_m(texture) < 220.0
        assert 2.5 < soil_tables.intake_rate_mm_h(texture) < 15.3
        depths = soil_tables.allowable_surface_accumulation_mm(texture, np.array([0.0, 4.0, 8.0, 30.0]))
        assert (np.diff(depths) <= 0.0).all()


def test_a_slope_between_two_classes_counts_with_the_steeper() -> None:
    depths = soil_tables.allowable_surface_accumulation_mm("loam", np.array([3.0, 3.1, 6.0, 12.0, 12.1, np.nan]))
    np.testing.assert_allclose(depths / 25.4, [0.30, 0.25, 0.25, 0.21, 0.17, np.nan])
    single = soil_tables.allowable_surface_accumulation_mm("silty clay", 10.0)
    assert isinstance(single, float)
    assert single == pytest.approx(0.16 * 25.4)
    assert np.isnan(soil_tables.allowable_surface_accumulation_mm("loam", np.nan))


def test_a_texture_without_a_row_takes_that_of_the_next_finer() -> None:
    assert soil_tables.intake_rate_mm_h("silt loam") == soil_tables.intake_rate_mm_h("clay loam")
    assert soil_tables.intake_rate_mm_h("sandy clay") == soil_tables.intake_rate_mm_h("silty clay")


def test_coarse_soils_shed_least_water() -> None:
    """TR-55 appendix A: sand A, loam B, sandy clay loam C, clay D."""
    groups = [soil_tables.hydrologic_group(soil) for soil in ("sand", "loam", "sandy clay loam", "clay")]
    assert groups == ["A", "B", "C", "D"]
    assert set(soil_tables.HYDROLOGIC_GROUPS) == set(soil_tables.SOIL_TEXTURES)


def test_every_texture_has_evaporable_water() -> None:
    assert soil_tables.evaporable_water_mm("loam") == (9.0, 19.0)  # FAO-56 Table 19: 8 to 10 and 16 to 22
    for texture in soil_tables.SOIL_TEXTURES:
        rew_mm, tew_mm = soil_tables.evaporable_water_mm(texture)
        assert 0.0 < rew_mm < tew_mm
