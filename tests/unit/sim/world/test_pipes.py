"""True pipes: figures of EPANET 2.2 for an invented garden, the meter's rows, and litres that add up."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable

import numpy as np
import pytest

from dewpond.model.site import Supply, Zone
from dewpond_sim.world.pipes import MeterParameters, MeterRows, RowTimes, SupplyPipes, grid_times

KPA_PER_M = 9.80665
MakeZone = Callable[..., Zone]


def pipes_of(*zones: Zone, static_kpa: float = 400.0, capacity: float = 60.0, **options: object) -> SupplyPipes:
    supply = Supply(id="main", source="potable", capacity_l_min=capacity, static_pressure_kpa=static_kpa)
    values: dict[str, object] = {"meter": MeterParameters(), "rows": RowTimes(), "rng": np.random.default_rng(5)}
    return SupplyPipes(supply, zones, start_s=0.0, **{**values, **options})


def joined(*rows: MeterRows) -> MeterRows:
    return MeterRows(
        *(
            np.concatenate(c)
            for c in zip(*((r.time_s, r.litres, r.window_s, r.pressure_kpa) for r in rows), strict=True)
        )
    )


@pytest.fixture
def garden(make_zone: MakeZone) -> SupplyPipes:
    """Six-zone garden of the EPANET 2.2 runs (US EPA): source head 42 m, zone 1 45.6 L/min, zone 2 38.6 L/min."""
    pipes = pipes_of(
        make_zone("one", 1, flow_l_min=45.6), make_zone("two", 2, flow_l_min=38.6), static_kpa=42.0 * KPA_PER_M
    )
    pipes.loss_kpa = (42.0 - 38.2) * KPA_PER_M / 45.6**2
    pipes.conductance = np.array([45.6 / math.sqrt(38.2 * KPA_PER_M), 38.6 / math.sqrt(39.28 * KPA_PER_M)])
    return pipes


def test_two_zones_together_draw_less_than_their_sum_as_epanet_says(garden: SupplyPipes):
    both = garden.flows((0, 1))
    assert both.total_l_min == pytest.approx(74.7, rel=0.02)
    assert both.pressure_kpa / KPA_PER_M == pytest.approx(32.1, rel=0.02)


def test_a_lower_supply_lowers_the_flow_by_the_square_root_of_pressure_as_epanet_says(garden: SupplyPipes):
    garden.static_kpa -= 14.0 * KPA_PER_M
    garden.changed()
    low = garden.flows((0,))
    assert low.total_l_min == pytest.approx(37.1, rel=0.01)
    assert low.pressure_kpa / KPA_PER_M == pytest.approx(25.4, rel=0.02)
    assert low.total_l_min / math.sqrt(low.pressure_kpa) == pytest.approx(45.6 / math.sqrt(38.2 * KPA_PER_M), rel=0.002)


def test_clogged_heads_lower_the_flow_and_raise_the_pressure_as_epanet_says(garden: SupplyPipes):
    """Three of six heads at 40 %: 33.4 L/min at 39.9 m."""
    garden.conductance[0] *= (3.0 + 3.0 * 0.4) / 6.0
    garden.changed()
    clogged = garden.flows((0,))
    assert clogged.total_l_min == pytest.approx(33.4, rel=0.03)
    assert clogged.pressure_kpa / KPA_PER_M == pytest.approx(39.9, rel=0.02)


def test_a_filling_lateral_draws_as_much_as_epanet_says(garden: SupplyPipes):
    """Refill: 123 L/min at 16.1 m in the garden; one factor serves garden and campus, so within a sixth."""
    filling = garden.flows((0,), (0,))
    assert filling.total_l_min == pytest.approx(123.0, rel=0.17)


def test_a_zone_alone_draws_the_site_files_flow(make_zone: MakeZone):
    pipes = pipes_of(make_zone("lawn", 1, flow_l_min=41.5), make_zone("beds", 2, flow_l_min=7.0, method="drip"))
    assert pipes.flows((0,)).total_l_min == pytest.approx(41.5)
    assert pipes.flows((1,)).total_l_min == pytest.approx(7.0)


def test_compensating_drip_does_not_mind_the_pressure(make_zone: MakeZone):
    pipes = pipes_of(make_zone("lawn", 1, flow_l_min=41.5), make_zone("beds", 2, flow_l_min=7.0, method="drip"))
    pipes.static_kpa *= 0.6
    pipes.changed()
    assert pipes.flows((1,)).total_l_min == pytest.approx(7.0)
    both = pipes.flows((0, 1))
    assert both.zone_l_min[1] == pytest.approx(7.0)
    assert both.zone_l_min[0] < 41.5 * math.sqrt(0.6)
    assert both.pressure_kpa == pytest.approx(pipes.static_kpa - pipes.loss_kpa * both.total_l_min**2)


def test_a_supply_without_pressure_gives_nothing(make_zone: MakeZone):
    pipes = pipes_of(make_zone("lawn", 1), make_zone("beds", 2, flow_l_min=7.0, method="drip"))
    pipes.static_kpa = 0.0
    pipes.changed()
    assert pipes.flows((0, 1)).total_l_min == 0.0


def test_metered_litres_are_flow_times_time_within_a_pulse(make_zone: MakeZone):
    pipes = pipes_of(make_zone("lawn", 1, flow_l_min=37.3), meter=MeterParameters(pulse_l=0.5))
    pipes.switch(100.0, (0,))
    rows, delivered_l = pipes.advance(100.0, 1007.0)
    pipes.switch(1007.0, ())
    rest, _ = pipes.advance(1007.0, 3600.0)
    true_l = 37.3 * 907.0 / 60.0
    assert delivered_l[0] == pytest.approx(true_l)
    assert rows.litres.sum() + rest.litres.sum() == pytest.approx(true_l, abs=0.5)
    assert np.allclose(joined(rows, rest).litres % 0.5, 0.0)


def test_many_short_intervals_give_the_rows_of_one_long_one(make_zone: MakeZone):
    whole, cut = (pipes_of(make_zone("lawn", 1, flow_l_min=33.3)) for _ in range(2))
    for pipes in (whole, cut):
        pipes.switch(0.0, (0,))
    one, _ = whole.advance(0.0, 1200.0)
    edges = np.cumsum([0.0, 7.0, 13.0, 380.0, 1.5, 500.0, 298.5])
    many = joined(*(cut.advance(float(a), float(b))[0] for a, b in itertools.pairwise(edges)))
    assert np.array_equal(one.time_s, many.time_s)
    assert np.array_equal(one.litres, many.litres)
    assert np.array_equal(one.window_s, many.window_s)


def test_rows_come_every_ten_seconds_while_open_and_a_minute_after_else_every_five_minutes(make_zone: MakeZone):
    pipes = pipes_of(make_zone("lawn", 1))
    idle, _ = pipes.advance(0.0, 905.0)
    assert idle.time_s.tolist() == [300.0, 600.0, 900.0]
    pipes.switch(905.0, (0,))
    assert pipes.next_row_s(905.0) == 910.0
    run, _ = pipes.advance(905.0, 1003.0)
    assert run.time_s.tolist() == [910.0 + 10.0 * k for k in range(10)]
    assert run.window_s[0] == 10.0
    pipes.switch(1003.0, ())
    assert pipes.next_row_s(1003.0) == 1010.0
    after, _ = pipes.advance(1003.0, 1300.0)
    assert after.time_s.tolist() == [1010.0, 1020.0, 1030.0, 1040.0, 1050.0, 1060.0, 1200.0]
    assert pipes.next_row_s(1060.0) == 1200.0


def test_next_row_agrees_with_the_rows(make_zone: MakeZone):
    pipes = pipes_of(make_zone("lawn", 1))
    pipes.switch(0.0, (0,))
    pipes.advance(0.0, 95.0)
    pipes.switch(95.0, ())
    at_s, seen = 95.0, []
    while at_s < 1000.0:
        next_s = pipes.next_row_s(at_s)
        rows, _ = pipes.advance(at_s, next_s)
        assert rows.time_s.tolist() == [next_s]
        seen.append(next_s)
        at_s = next_s
    assert seen == [100.0, 110.0, 120.0, 130.0, 140.0, 150.0, 300.0, 600.0, 900.0, 1200.0]


def test_a_drained_lateral_fills_first_and_its_water_does_not_reach_the_ground(make_zone: MakeZone):
    pipes = pipes_of(make_zone("lawn", 1, flow_l_min=36.0), drained_l=20.0, meter=MeterParameters(pulse_l=0.1))
    pipes.switch(0.0, (0,))
    rows, delivered_l = pipes.advance(0.0, 600.0)
    fill_flow = pipes.flows((0,), (0,)).total_l_min
    fill_s = 20.0 / fill_flow * 60.0
    assert fill_flow > 2.0 * 36.0
    assert delivered_l[0] == pytest.approx(36.0 * (600.0 - fill_s) / 60.0)
    assert rows.litres.sum() == pytest.approx(20.0 + delivered_l[0], abs=0.1)
    assert rows.litres[0] > 1.5 * rows.litres[-1]
    assert rows.pressure_kpa[0] < rows.pressure_kpa[-1] or fill_s < 10.0
    pipes.switch(600.0, ())
    pipes.advance(600.0, 1200.0)
    pipes.switch(1200.0, (0,))
    again, _ = pipes.advance(1200.0, 1800.0)
    assert again.litres.sum() == pytest.approx(rows.litres.sum(), abs=0.11)


def test_two_laterals_that_fill_together_end_one_after_the_other(make_zone: MakeZone):
    pipes = pipes_of(make_zone("lawn", 1, flow_l_min=30.0), make_zone("bank", 2, flow_l_min=12.0), drained_l=8.0)
    pipes.switch(0.0, (0, 1))
    rows, delivered_l = pipes.advance(0.0, 300.0)
    assert (delivered_l > 0.0).all()
    assert rows.litres.sum() == pytest.approx(16.0 + delivered_l.sum(), abs=1.0)


def test_a_flow_below_the_meters_start_is_not_counted(make_zone: MakeZone):
    pipes = pipes_of(make_zone("lawn", 1), meter=MeterParameters(start_l_min=0.4, pulse_l=0.1))
    pipes.leak_conductance = 0.3 / math.sqrt(400.0)
    pipes.changed()
    rows, _ = pipes.advance(0.0, 3600.0)
    assert rows.litres.sum() == 0.0
    pipes.leak_conductance = 0.6 / math.sqrt(400.0)
    pipes.changed()
    rows, _ = pipes.advance(3600.0, 7200.0)
    assert rows.litres.sum() == pytest.approx(36.0, abs=0.2)


def test_pressure_is_read_at_the_end_of_each_row_with_its_noise(make_zone: MakeZone):
    noisy = MeterParameters(pressure_noise_kpa=2.0)
    pipes = pipes_of(make_zone("lawn", 1, flow_l_min=36.0), meter=noisy)
    pipes.switch(0.0, (0,))
    rows, _ = pipes.advance(0.0, 20_000.0)
    steady = pipes.flows((0,)).pressure_kpa
    assert rows.pressure_kpa.mean() == pytest.approx(steady, abs=0.2)
    assert rows.pressure_kpa.std() == pytest.approx(2.0, rel=0.1)
    assert np.allclose(rows.pressure_kpa * 10.0, np.round(rows.pressure_kpa * 10.0))


def test_grid_times_are_after_the_start_and_up_to_the_end():
    assert grid_times(0.0, 30.0, 10.0).tolist() == [10.0, 20.0, 30.0]
    assert grid_times(30.0, 39.9, 10.0).tolist() == []
    assert grid_times(29.9, 30.0, 10.0).tolist() == [30.0]
