"""True soil columns: the surface store by the published example, stress by FAO-56, and nothing gained or lost."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dewpond.model.site import Zone
from dewpond_sim.world.soil import SoilColumns, SoilParameters, after_et, even_spread, parameters_of


def columns(spread: np.ndarray | None = None, *, start_mm: float = 0.0, zones: int = 2) -> SoilColumns:
    parameters = SoilParameters(
        taw_mm=np.full(zones, 24.0),
        raw_mm=np.full(zones, 12.0),
        intake_mm_h=np.full(zones, 9.0),
        surface_storage_mm=np.full(zones, 6.0),
        loss_share=np.full(zones, 0.25),
        coefficient=np.full((12, zones), 0.8),
        spread=np.ones(1) if spread is None else spread,
    )
    return SoilColumns(parameters, np.full(zones, start_mm))


def residual_mm(soil: SoilColumns, start_mm: float) -> np.ndarray:
    """What the balance of soil and of surface leaves unexplained, per zone."""
    t = soil.totals
    ground = soil.zone_depletion_mm - start_mm - (t.et_mm - t.effective_rain_mm - t.net_mm + t.drainage_mm)
    surface = t.applied_mm - t.runoff_mm - t.lost_mm - t.net_mm - soil.zone_standing_mm
    return np.maximum(np.abs(ground), np.abs(surface))


def test_unstressed_soil_loses_reference_et_times_coefficient():
    soil = columns()
    soil.advance(24.0, 6, 5.0, 0.0, None)
    assert soil.zone_depletion_mm == pytest.approx([4.0, 4.0])


def test_stress_follows_fao_56_equation_84_in_small_steps():
    """dD = Ks dE with Ks = (TAW - D) / (TAW - RAW): 1,000 small steps of the published factor give the closed form."""
    depletion_mm = 10.0
    for _ in range(1000):
        stress = min(1.0, (24.0 - depletion_mm) / (24.0 - 12.0))
        depletion_mm += 8.0 / 1000 * stress
    exact = after_et(np.array(10.0), np.array(8.0), np.array(12.0), np.array(24.0))
    assert exact == pytest.approx(depletion_mm, abs=0.01)
    assert exact == pytest.approx(24.0 - 12.0 * np.exp(-6.0 / 12.0))


def test_et_may_be_cut_anywhere():
    whole = after_et(np.array(9.0), np.array(20.0), np.array(12.0), np.array(24.0))
    part = after_et(np.array(9.0), np.array(2.5), np.array(12.0), np.array(24.0))
    assert after_et(part, np.array(17.5), np.array(12.0), np.array(24.0)) == pytest.approx(whole, abs=1e-12)
    assert whole < 24.0


def test_the_surface_store_runs_off_above_its_storage():
    """36 mm/h on 9 mm/h of intake and 6 mm of storage: runoff starts after 6/27 h; after 20 min it is 9 - 6 = 3 mm."""
    soil = columns(start_mm=20.0)
    soil.advance(20.0 / 60.0, 6, 0.0, 0.0, np.array([12.0, 0.0]))
    assert soil.totals.runoff_mm == pytest.approx([3.0, 0.0])
    assert soil.zone_standing_mm == pytest.approx([6.0, 0.0])
    assert soil.totals.net_mm == pytest.approx([3.0 * 0.75, 0.0])


def test_standing_water_soaks_in_after_the_valve_closed():
    soil = columns(start_mm=20.0)
    soil.advance(10.0 / 60.0, 6, 0.0, 0.0, np.array([6.0, 0.0]))
    soil.advance(2.0, 6, 0.0, 0.0, None)
    assert soil.totals.runoff_mm == pytest.approx([0.0, 0.0])
    assert soil.zone_standing_mm == pytest.approx([0.0, 0.0])
    assert soil.zone_depletion_mm == pytest.approx([20.0 - 6.0 * 0.75, 20.0])


def test_what_the_roots_cannot_hold_drains():
    soil = columns(start_mm=2.0)
    soil.advance(4.0, 6, 0.0, 0.0, np.array([8.0, 8.0]))
    assert soil.totals.drainage_mm == pytest.approx([4.0, 4.0])
    assert soil.zone_depletion_mm == pytest.approx([0.0, 0.0])


def test_rain_counts_at_four_fifths_and_no_more_than_the_soil_can_take():
    soil = columns(start_mm=5.0)
    soil.advance(3.0, 6, 0.0, 4.0, None)
    assert soil.totals.effective_rain_mm == pytest.approx([3.2, 3.2])
    soil.advance(3.0, 6, 0.0, 10.0, None)
    assert soil.totals.effective_rain_mm == pytest.approx([5.0, 5.0])
    assert soil.totals.drainage_mm == pytest.approx([0.0, 0.0])


@given(
    st.lists(
        st.tuples(
            st.floats(0.01, 30.0),
            st.integers(1, 12),
            st.floats(0.0, 9.0),
            st.one_of(st.just(0.0), st.floats(0.0, 60.0)),
            st.one_of(st.none(), st.floats(0.0, 40.0)),
        ),
        min_size=1,
        max_size=12,
    ),
    st.floats(0.0, 24.0),
)
@settings(max_examples=60, deadline=None)
def test_no_water_is_gained_or_lost(steps: list[tuple[float, int, float, float, float | None]], start_mm: float):
    soil = columns(even_spread(0.6, 8), start_mm=start_mm)
    for hours, month, eto_mm, rain_mm, applied_mm in steps:
        soil.advance(hours, month, eto_mm, rain_mm, None if applied_mm is None else np.array([applied_mm, 0.0]))
    assert residual_mm(soil, start_mm).max() < 1e-9
    assert (soil.depletion_mm >= 0.0).all()
    assert (soil.depletion_mm <= 24.0).all()
    assert (soil.standing_mm <= 6.0).all()


def test_uneven_patches_have_the_uniformity_asked_for():
    """Low-quarter uniformity: mean of the lowest quarter over the mean (the trade's audit formula)."""
    spread = even_spread(0.55, 16)
    assert spread.mean() == pytest.approx(1.0)
    assert np.sort(spread)[:4].mean() / spread.mean() == pytest.approx(0.55)


def test_uneven_watering_drains_in_one_patch_and_leaves_another_dry():
    soil = columns(even_spread(0.5, 4), start_mm=9.0)
    soil.advance(4.0, 6, 0.0, 0.0, np.array([12.0, 12.0]))
    assert soil.totals.drainage_mm[0] > 1.0
    assert soil.depletion_mm[0].max() > 3.0


def test_patches_that_cannot_be_are_refused():
    with pytest.raises(ValueError, match="multiple of 4"):
        even_spread(0.6, 6)
    with pytest.raises(ValueError, match=r"0\.25 to 1"):
        even_spread(0.1, 8)


def test_parameters_are_the_site_files_own(make_zone: Callable[..., Zone]):
    zone = make_zone("lawn", 1, crop_coefficient=tuple(0.1 * month for month in range(1, 13)), exposure=0.5)
    parameters = parameters_of([zone])
    assert parameters.coefficient[5, 0] == pytest.approx(0.3)
    assert parameters.loss_share == pytest.approx([0.25])
    assert parameters.taw_mm == pytest.approx([24.0])
