"""What each fault makes of a sensor's true readings."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dewpond_sim.sensor_faults import KINDS, FaultySensors, SensorFault
from dewpond_sim.world.sensors import Readings

DAY_S = 86_400.0
SINCE_S = 10.0 * DAY_S


def block(day: float, *values: float, window_s: float | None = None) -> Readings:
    times_s = day * DAY_S + np.arange(len(values)) * 3600.0
    windows = None if window_s is None else np.full(len(values), window_s)
    return Readings("probe", times_s, np.array(values, dtype=float), windows)


def faulty(kind: str, value: float = 0.0, **other: float) -> FaultySensors:
    return FaultySensors([SensorFault(sensor="probe", kind=kind, since_s=SINCE_S, value=value, **other)])


def read(sensors: FaultySensors, *blocks: Readings) -> list[float]:
    return [round(float(value), 6) for each in blocks for value in sensors.heard(each).value]


def test_a_sound_sensor_and_one_that_is_not_asked_for_pass_unchanged():
    assert read(faulty("rail", 0.9), block(3, 0.2, 0.3)) == [0.2, 0.3]
    other = Readings("gauge", np.array([SINCE_S + 60.0]), np.array([4.0]))
    assert faulty("rail", 0.9).heard(other) is other


def test_a_stuck_sensor_stays_at_its_last_true_value():
    assert read(faulty("stuck"), block(9, 0.30, 0.28), block(11, 0.2, 0.1)) == [0.30, 0.28, 0.28, 0.28]


def test_a_drift_grows_by_its_value_a_day():
    assert read(faulty("drifts", -0.002), block(10, 0.3), block(15, 0.3)) == [0.3, 0.29]


def test_a_fault_from_the_start_begins_with_the_first_reading():
    sensors = FaultySensors([SensorFault(sensor="probe", kind="drifts", since_s=-math.inf, value=0.01)])
    assert read(sensors, block(4, 0.3), block(6, 0.3)) == [0.3, 0.32]


def test_a_probe_that_lost_its_soil_falls_to_air_dry():
    assert read(faulty("dry gap"), block(10, 0.3), block(13, 0.3), block(20, 0.3)) == [0.3, 0.165, 0.03]


def test_a_silent_sensor_sends_nothing():
    assert read(faulty("silent"), block(11, 0.3, 0.3)) == []


def test_a_liar_shows_more_change_than_there_is():
    assert read(faulty("exaggerates", 1.5), block(9, 0.30), block(11, 0.28, 0.30)) == [0.30, 0.27, 0.30]


def test_a_gauge_stuck_wet_counts_its_rain_by_the_hour_and_one_stuck_dry_none():
    assert read(faulty("always wet", 24.0), block(11, 0.0, 0.0, window_s=3600.0)) == [1.0, 1.0]
    assert read(faulty("never tips"), block(11, 4.0, window_s=3600.0)) == [0.0]


def test_a_mended_sensor_is_true_again():
    mended = faulty("rail", 0.9, until_s=12.0 * DAY_S)
    assert read(mended, block(11, 0.3), block(12, 0.3)) == [0.9, 0.3]


def test_several_faults_of_one_sensor_follow_each_other():
    first = SensorFault(sensor="probe", kind="rail", since_s=SINCE_S, value=0.9, until_s=11.0 * DAY_S)
    then = SensorFault(sensor="probe", kind="rail", since_s=12.0 * DAY_S, value=0.0)
    assert read(FaultySensors([first, then]), block(10, 0.3), block(11, 0.3), block(12, 0.3)) == [0.9, 0.3, 0.0]


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_every_kind_leaves_the_past_alone(kind):
    assert read(faulty(kind, 0.1), block(9, 0.3, 0.2)) == [0.3, 0.2]


def test_an_unknown_fault_is_refused_with_those_there_are():
    with pytest.raises(ValueError, match="sensor fault melts: not known here; one of stuck"):
        faulty("melts")
