"""Rates, run times, the surface store and split runs; published figures are in test_published_practice_cases.py."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dewpond.science import application

SEEDED = settings(derandomize=True, deadline=None, database=None)

rate = st.floats(3.0, 80.0)
intake = st.floats(1.0, 30.0)
storage = st.floats(0.5, 12.0)


def test_nine_sprays_on_a_lawn() -> None:
    # 9 x 5 L/min on 72 m2: 60 q/A.
    assert application.application_rate_from_heads(45.0, 72.0) == 37.5
    assert application.flow_from_application_rate(37.5, 72.0) == 45.0


def test_net_and_gross_are_inverse_without_runoff() -> None:
    efficiency = application.efficiency_from_uniformity(0.62)
    assert efficiency == pytest.approx(0.772)
    gross = application.gross_from_net(10.0, efficiency)
    assert application.net_from_gross(gross, 0.0, efficiency) == pytest.approx(10.0)
    assert application.run_time_for_net_s(10.0, 37.5, efficiency) == pytest.approx(3600 * gross / 37.5)


def test_surface_store_gains_runs_off_and_soaks_in() -> None:
    # 40 mm/h on 8 mm/h intake for 15 min stands 8 mm, 6 of them stay; 8 mm/h soak for 30 min.
    store, runoff = application.surface_store_after(0.0, 40.0, 8.0, 6.0, 900.0, 1800.0)
    assert (store, runoff) == (2.0, 2.0)


def test_surface_store_never_falls_below_empty_nor_runs_off_under_a_slow_rate() -> None:
    store, runoff = application.surface_store_after(np.array([0.0, 3.0]), 5.0, 8.0, 6.0, 3600.0, 0.0)
    assert store.tolist() == [0.0, 0.0]
    assert runoff.tolist() == [0.0, 0.0]


def test_water_above_the_storage_runs_off_at_once() -> None:
    assert application.surface_store_after(7.5, 0.0, 8.0, 6.0, 0.0, 0.0) == (6.0, 1.5)


@SEEDED
@given(st.floats(0.0, 12.0), rate, intake, storage, st.integers(0, 1800), st.integers(0, 1800))
def test_surface_store_is_exact_whatever_the_time_is_cut_into(
    store: float, rate_mm_h: float, intake_mm_h: float, storage_mm: float, open_s: int, rest_s: int
) -> None:
    whole, whole_runoff = application.surface_store_after(store, rate_mm_h, intake_mm_h, storage_mm, open_s, rest_s)
    cut, runoff = application.surface_store_after(store, rate_mm_h, intake_mm_h, storage_mm, open_s / 3, 0.0)
    cut, more = application.surface_store_after(cut, rate_mm_h, intake_mm_h, storage_mm, open_s * 2 / 3, rest_s / 4)
    cut, none = application.surface_store_after(cut, 0.0, intake_mm_h, storage_mm, 0.0, rest_s * 3 / 4)
    assert cut == pytest.approx(whole, abs=1e-9)
    assert runoff + more + none == pytest.approx(whole_runoff, abs=1e-9)


def test_no_limit_to_an_opening_where_the_soil_takes_in_all() -> None:
    lengths = application.longest_opening_s(np.array([8.0, 5.0, 40.0, np.nan]), 8.0, 6.0)
    assert lengths[:3].tolist() == [np.inf, np.inf, 675.0]
    assert np.isnan(lengths[3])
    assert application.longest_opening_s(40.0, 8.0, 6.0, store_mm=2.0) == 450.0
    assert application.longest_opening_s(40.0, 8.0, 6.0, store_mm=9.0) == 0.0


def test_rest_is_endless_on_soil_that_takes_in_nothing_and_none_when_dry() -> None:
    assert application.rest_to_soak_s(np.array([2.0, 0.0]), 0.0).tolist() == [np.inf, 0.0]
    assert application.rest_to_soak_s(6.0, 8.0) == 2700.0
    assert application.soaking_rest_s(40.0, 8.0, 450.0) == 1800.0
    assert application.soaking_rest_s(6.0, 8.0, 450.0) == 0.0


def test_a_run_is_split_into_equal_openings_of_whole_seconds() -> None:
    # Loam on a 4 to 6 % slope under 1.6 in/h: at most 12 min an opening (published case CS-01).
    openings, opening_s, rest_s = application.split_run(1500.0, 1.6 * 25.4, 0.35 * 25.4, 0.25 * 25.4)
    assert (openings, opening_s) == (3.0, 500.0)
    assert rest_s == 1786.0  # (1.6 - 0.35) 500/3600 in stand, 0.35 in/h soak: 1785.7 s
    assert application.split_run(720.0, 1.6 * 25.4, 0.35 * 25.4, 0.25 * 25.4) == (1.0, 720.0, 0.0)
    assert application.split_run(721.0, 1.6 * 25.4, 0.35 * 25.4, 0.25 * 25.4)[:2] == (2.0, 361.0)


@SEEDED
@given(st.integers(1, 20_000), rate, intake, storage)
def test_nothing_runs_off_from_a_split_run(
    seconds: int, rate_mm_h: float, intake_mm_h: float, storage_mm: float
) -> None:
    openings, opening_s, rest_s = application.split_run(float(seconds), rate_mm_h, intake_mm_h, storage_mm)
    assert opening_s == int(opening_s)
    assert rest_s == int(rest_s)
    last_s = seconds - (openings - 1) * opening_s
    assert 0 < last_s <= opening_s
    store = 0.0
    for number in range(int(openings)):
        length = opening_s if number < openings - 1 else last_s
        store, runoff = application.surface_store_after(store, rate_mm_h, intake_mm_h, storage_mm, length, rest_s)
        assert runoff <= 1e-7


def test_splitting_that_cannot_help_is_not_done() -> None:
    assert application.split_run(1200.0, 40.0, 8.0, 0.0) == (1.0, 1200.0, 0.0)
    assert application.split_run(1200.0, 40.0, 0.0, 6.0) == (1.0, 1200.0, 0.0)
    assert application.split_run(1200.0, 6.0, 8.0, 6.0) == (1.0, 1200.0, 0.0)
    assert application.split_run(0.0, 40.0, 8.0, 6.0) == (1.0, 0.0, 0.0)


def test_openings_are_not_made_shorter_than_asked() -> None:
    # 1 mm of store fills in 1 min here; openings of 2 min spill, and the rest soaks a full store.
    openings, opening_s, rest_s = application.split_run(600.0, 70.0, 10.0, 1.0, shortest_s=120.0)
    assert (openings, opening_s, rest_s) == (5.0, 120.0, 360.0)
