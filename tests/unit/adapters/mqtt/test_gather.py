"""Readings to events: amounts with their spans, gauges without, and a record of everything that was not used."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from dewpond.adapters.mqtt.gather import LONGEST_RATE_S, Gatherer
from dewpond.adapters.readings import Reading, SensorMapping, parse_mapping
from dewpond.model.events import Event, Now, ReadingRejected, ReadingsArrived
from dewpond.model.site import Sensor

NOON = datetime(2026, 5, 14, 12, 0, tzinfo=UTC)


def mapping(sensor: str, kind: str, **keys: Any) -> SensorMapping:
    return parse_mapping(Sensor(id=sensor, kind=kind, topic="t", mapping=keys))


MAPPINGS = (
    mapping("meter", "flow", unit_in="L", accumulation="cumulative"),
    mapping("rate", "flow", unit_in="L/min"),
    mapping("rain", "rain", unit_in="mm/h"),
    mapping("soil", "soil_moisture"),
    mapping("switch", "switch"),
)
SECONDS = {each.sensor: each.unit for each in MAPPINGS}


def reading(sensor: str, value: float | bool | None, seconds: float = 0.0, **more: Any) -> Reading:
    time = NOON + timedelta(seconds=seconds)
    return Reading(
        **{"sensor": sensor, "value": value, "unit": SECONDS[sensor], "time": time, "quality": "good"} | more
    )


def take(gatherer: Gatherer, *readings: Reading, elapsed_s: float = 0.0, received_at: datetime = NOON) -> list[Event]:
    for each in readings:
        gatherer.add(each, received_at)
    return gatherer.take(Now(wall=NOON, elapsed_s=elapsed_s))


def block(events: list[Event]) -> ReadingsArrived:
    (found,) = [each for each in events if isinstance(each, ReadingsArrived)]
    return found


def test_gauge_has_no_span_and_a_state_is_one_or_zero() -> None:
    gatherer = Gatherer(MAPPINGS)
    assert block(take(gatherer, reading("soil", 0.31))).window_s is None
    assert block(take(gatherer, reading("switch", True), reading("switch", False, 1))).value.tolist() == [1.0, 0.0]


def test_block_is_in_float64_and_oldest_first() -> None:
    found = block(
        take(Gatherer(MAPPINGS), reading("soil", 0.3, 20), reading("soil", 0.2, -90), reading("soil", 0.1, 5))
    )
    assert found.value.tolist() == [0.2, 0.1, 0.3]
    assert found.value.dtype == found.time_s.dtype == np.float64
    assert found.time_s.tolist() == [NOON.timestamp() - 90, NOON.timestamp() + 5, NOON.timestamp() + 20]


def test_increment_keeps_the_span_it_covers() -> None:
    found = block(take(Gatherer(MAPPINGS), reading("meter", 20.0, window_s=300.0)))
    assert found.window_s is not None
    assert (found.value.tolist(), found.window_s.tolist()) == ([20.0], [300.0])


@pytest.mark.parametrize(("sensor", "amount"), [("rate", 12.0 * 90 / 60), ("rain", 12.0 * 90 / 3600)])
def test_rate_becomes_the_amount_since_the_rate_before(sensor: str, amount: float) -> None:
    gatherer = Gatherer(MAPPINGS)
    assert take(gatherer, reading(sensor, 30.0)) == []
    found = block(take(gatherer, reading(sensor, 12.0, 90)))
    assert found.window_s is not None
    assert (found.value.tolist(), found.window_s.tolist()) == ([pytest.approx(amount)], [90.0])


def test_rate_says_nothing_about_a_long_gap() -> None:
    found = block(take(Gatherer(MAPPINGS), reading("rate", 6.0), reading("rate", 6.0, 86_000)))
    assert found.value.tolist() == [6.0 * LONGEST_RATE_S / 60]


def test_rate_below_zero_is_no_water_back() -> None:
    assert block(take(Gatherer(MAPPINGS), reading("rate", 6.0), reading("rate", -0.1, 60))).value.tolist() == [0.0]


def test_late_rate_is_not_counted_twice() -> None:
    gatherer = Gatherer(MAPPINGS)
    take(gatherer, reading("rate", 6.0), reading("rate", 6.0, 60))
    (record,) = take(gatherer, reading("rate", 6.0, 30))
    assert isinstance(record, ReadingRejected)
    assert record.reason == "late"


def test_late_gauge_is_booked_at_its_own_time_up_to_a_day() -> None:
    gatherer = Gatherer(MAPPINGS)
    assert block(take(gatherer, reading("soil", 0.2, -86_399))).time_s.tolist() == [NOON.timestamp() - 86_399]
    (record,) = take(gatherer, reading("soil", 0.2, -86_401))
    assert isinstance(record, ReadingRejected)
    assert record.reason == "too_old"


@pytest.mark.parametrize("quality", ["stale", "unknown_age"])
def test_value_of_too_great_or_unknown_age_decides_nothing(quality: str) -> None:
    (record,) = take(Gatherer(MAPPINGS), reading("soil", 0.2, quality=quality))
    assert isinstance(record, ReadingRejected)
    assert record.reason == quality


@pytest.mark.parametrize(("quality", "value"), [("baseline", None), ("duplicate", 0.0)])
def test_where_nothing_is_lost_nothing_is_told(quality: str, value: float | None) -> None:
    assert take(Gatherer(MAPPINGS), reading("meter", value, quality=quality)) == []


def test_rejections_come_at_most_once_a_sensor_and_minute_with_their_number() -> None:
    gatherer = Gatherer(MAPPINGS)
    bad = reading("soil", None, quality="rejected", reason="not_numeric", excerpt="'nan'")
    (first,) = take(gatherer, bad, elapsed_s=0.0)
    assert isinstance(first, ReadingRejected)
    assert (first.reason, first.excerpt) == ("not_numeric", "'nan'")
    assert take(gatherer, bad, bad, elapsed_s=30.0) == []
    other = reading("meter", None, quality="rejected", reason="null")
    assert [each.sensor for each in take(gatherer, other, elapsed_s=31.0)] == ["meter"]
    (second,) = take(gatherer, elapsed_s=60.0)
    assert isinstance(second, ReadingRejected)
    assert second.excerpt == "'nan' (the last of 2)"
    assert take(gatherer, elapsed_s=600.0) == []
