"""Pipe and orifice laws; further published figures are in test_published_practice_cases.py."""

import numpy as np
import pytest

from dewpond.science import hydraulics

KPA_PER_PSI = 6.894757293
L_PER_GAL = 3.785411784


def test_head_and_pressure_are_inverse() -> None:
    assert hydraulics.pressure_of_head_kpa(hydraulics.pressure_head_m(380.0)) == pytest.approx(380.0)
    assert hydraulics.pressure_head_m(100.0) == pytest.approx(10.197, abs=0.001)


@pytest.mark.parametrize(("hole_in", "l_min"), [(1 / 32, 0.51), (1 / 16, 2.05)])
def test_sharp_holes_leak_what_the_waste_tables_say(hole_in: float, l_min: float) -> None:
    # City of Powder Springs GA, leak table at 60 psi: 1/32 in 6,000 and 1/16 in 25,000 gal a month.
    flow = hydraulics.orifice_flow_l_min(60 * KPA_PER_PSI, hole_in * 25.4)
    assert flow == pytest.approx(l_min, abs=0.005)
    published = {1 / 32: 6_000, 1 / 16: 25_000}[hole_in] * L_PER_GAL / (365.25 / 12 * 1440)
    assert flow == pytest.approx(published, rel=0.06)


def test_orifice_law_has_the_constant_of_the_us_form() -> None:
    # q(gpm) = 29.84 Cd d(in)^2 sqrt(psi)
    flow_gpm = hydraulics.orifice_flow_l_min(60 * KPA_PER_PSI, 0.25 * 25.4, 0.8) / L_PER_GAL
    assert flow_gpm == pytest.approx(29.84 * 0.8 * 0.25**2 * 60**0.5, rel=1e-3)


def test_nozzle_table_follows_the_square_root() -> None:
    # Extension table, 3/16 in nozzle: 5.97 gpm at 35 psi, 7.51 gpm at 55 psi.
    flow_gpm = hydraulics.emitter_flow_l_min(5.97, 55.0, 35.0)
    assert flow_gpm == pytest.approx(7.51, abs=0.03)
    assert hydraulics.emitter_flow_l_min(5.0, 300.0, 200.0, 0.0) == 5.0
    assert hydraulics.emitter_flow_l_min(5.0, -20.0, 200.0) == 0.0


def test_no_pressure_no_leak() -> None:
    assert hydraulics.orifice_flow_l_min(np.array([-10.0, 0.0]), 3.0).tolist() == [0.0, 0.0]


def test_velocity_limit_and_largest_flow_are_inverse() -> None:
    flow = hydraulics.largest_flow_l_min(25.0)
    assert hydraulics.velocity_m_s(flow, 25.0) == pytest.approx(hydraulics.VELOCITY_LIMIT_M_S)
    assert pytest.approx(5 * 0.3048) == hydraulics.VELOCITY_LIMIT_M_S


def test_friction_agrees_with_the_us_hazen_williams_table_form() -> None:
    # Head lost in ft per 100 ft = 0.2083 (100/C)^1.852 q^1.852/d^4.8655 with gpm and inches, the usual US form (from
    # memory); 2.31 ft are 1 psi.
    loss_kpa = hydraulics.friction_loss_kpa(20 * L_PER_GAL, 1.0 * 25.4, 100 * 0.3048, 150.0)
    assert loss_kpa / KPA_PER_PSI == pytest.approx(0.2083 * (100 / 150) ** 1.852 * 20**1.852 / 2.31, rel=0.01)
    assert hydraulics.friction_loss_kpa(0.0, 25.0, 100.0) == 0.0
    assert pytest.approx(KPA_PER_PSI / 30.48, rel=1e-3) == hydraulics.FRICTION_LIMIT_KPA_M


def test_filling_a_vessel_tells_the_flow() -> None:
    assert hydraulics.fill_flow_l_min(19.0, 38.0) == 30.0


def test_a_window_may_cross_midnight_and_equal_ends_are_the_whole_day() -> None:
    lengths = hydraulics.window_minutes(np.array([1260, 60, 360, 0]), np.array([360, 300, 360, 0]))
    assert lengths.tolist() == [540.0, 240.0, 1440.0, 1440.0]


@pytest.mark.parametrize(("outlets", "printed"), [(2, 0.639), (10, 0.402), (20, 0.376)])
def test_flow_that_leaves_a_lateral_leaves_less_friction(outlets: float, printed: float) -> None:
    """Christiansen 1942, table of F (from memory), and the sum it stands for: N equal spans of k/N of the flow."""
    factor = hydraulics.outlets_factor(float(outlets))
    assert factor == pytest.approx(printed, abs=0.001)
    assert factor == pytest.approx(sum((k / outlets) ** 1.852 for k in range(1, outlets + 1)) / outlets, rel=0.01)
