"""The decoder as a whole: any bytes in, and never an exception, a NaN or an infinity out."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from dewpond.adapters.readings import Decoder, DecoderState, Reading, parse_mapping
from dewpond.model.codec import from_plain, to_plain
from dewpond.model.site import Sensor

NOON = datetime(2026, 5, 14, 12, 0, tzinfo=UTC)
QUALITIES = {"good", "stale", "unknown_age", "baseline", "rollover", "reset", "duplicate", "late", "rejected"}


def sensor(sensor_id: str, topic: str = "t", kind: str = "other", **mapping: Any) -> Sensor:
    return Sensor(id=sensor_id, kind=kind, topic=topic, mapping=mapping)


EVERY_WAY = (
    sensor("text"),
    sensor("comma", decimal=","),
    sensor("json", pointer="/v", scale=1e300, time={"pointer": "/t", "format": "iso"}),
    sensor("unit", pointer="/v", unit_in="degC", unit_pointer="/u", time={"pointer": "/t", "format": "unix_s"}),
    sensor("zone", pointer="/v", time={"pointer": "/t", "format": "iso_local", "tz": "Europe/Berlin"}),
    sensor("packed", pointer="/v", struct=">d", unit_in="mV"),
    sensor("bytes", struct="<f", time=None),
    sensor("record", name="a", field="s", unit_in="m3"),
    sensor("form", decode="form", pointer="/v", time={"pointer": "/t", "format": "pws"}),
    sensor("cell", column=0, time={"column": 1, "format": "unix_ms"}),
    sensor("switch", pointer="/v", unit_in="bool"),
    sensor(
        "counter", pointer="/v", accumulation="cumulative", rollover=65536, time={"pointer": "/t", "format": "unix_s"}
    ),
    sensor("tips", pointer="/v", accumulation="increment", time={"pointer": "/t", "format": "unix_s"}),
)
DECODER = Decoder(parse_mapping(each) for each in EVERY_WAY)
JSON_LIKE = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=12)
    | st.sampled_from(["on", "now", "1e5"]),
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.sampled_from(["v", "t", "u", "n", "s", "bt"]), inner)
    ),
    max_leaves=12,
)


def sound(reading: Reading) -> bool:
    value = reading.value
    known = value is None or isinstance(value, bool) or (isinstance(value, float) and math.isfinite(value))
    return known and reading.quality in QUALITIES and (reading.quality == "rejected") == (reading.reason is not None)


def check(payloads: list[bytes]) -> None:
    state = DecoderState()
    for payload in payloads:
        readings, state = DECODER.decode("t", payload, received_at=NOON, retained=False, state=state)
        assert all(sound(reading) for reading in readings), readings


@settings(max_examples=200, deadline=None, derandomize=True, database=None)
@given(st.lists(st.binary(max_size=300), max_size=3))
@example([b"9" * 4000, b"[" * 4096, b'"' * 4096, b"\\" * 4096])
def test_any_bytes_give_sound_readings(payloads: list[bytes]) -> None:
    check(payloads)


@settings(max_examples=60, deadline=None, derandomize=True, database=None)
@given(st.lists(JSON_LIKE, max_size=4))
@example([{"v": 10**4000, "t": 10**300}, {"v": 1e308, "t": -1e300}, {"v": -1, "t": 0}])
def test_any_document_gives_sound_readings(documents: list[object]) -> None:
    check([json.dumps(document).encode() for document in documents])


def decode(rule: Sensor, payload: str, *, topic: str = "t", retained: bool = False) -> list[Reading]:
    decoder = Decoder([parse_mapping(rule)])
    return decoder.decode(topic, payload.encode(), received_at=NOON, retained=retained, state=DecoderState())[0]


def reason(rule: Sensor, payload: str) -> str | None:
    (reading,) = decode(rule, payload)
    return reading.reason


def test_integer_beyond_all_floats_is_no_number() -> None:
    assert reason(sensor("s", pointer=""), "9" * 400) == "not_numeric"


def test_true_is_no_number() -> None:
    assert reason(sensor("s", pointer=""), "true") == "not_numeric"


def test_overflow_on_the_way_to_the_unit_is_out_of_range() -> None:
    assert reason(sensor("s", scale=1e300), "1e300") == "out_of_range"


def test_payload_over_the_limit_is_not_even_parsed() -> None:
    assert reason(sensor("s"), " " * 4097 + "1") == "too_big"


def test_unit_named_in_the_message_beats_the_mapping_and_must_be_of_its_quantity() -> None:
    rule = sensor("s", pointer="/v", unit_in="degC", unit_pointer="/u")
    assert decode(rule, '{"v": 212, "u": "F"}')[0].value == pytest.approx(100.0)
    assert decode(rule, '{"v": 21}')[0].value == 21.0
    assert reason(rule, '{"v": 21, "u": "mm"}') == "unknown_unit"
    assert reason(rule, '{"v": 21, "u": 5}') == "unknown_unit"


def test_time_that_cannot_be_read_or_has_not_come_rejects_the_value() -> None:
    rule = sensor("s", pointer="/v", time={"pointer": "/t", "format": "iso"})
    assert reason(rule, '{"v": 1, "t": "noon"}') == "bad_time"
    assert reason(rule, '{"v": 1, "t": "2026-05-14T13:00:01Z"}') == "future_time"
    assert reason(rule, '{"v": 1, "t": "2026-05-14T12:59:59Z"}') is None


def test_missing_field_is_rejected_skipped_or_stands_for_a_value() -> None:
    assert reason(sensor("s", pointer="/v"), "{}") == "missing"
    assert decode(sensor("s", pointer="/v", missing="skip"), "{}") == []
    assert decode(sensor("s", pointer="/v", missing=0, offset=2), "{}")[0].value == 2.0
    assert (
        decode(sensor("s", pointer="/v", truth={"true": ["open"], "false": ["shut"]}, missing="shut"), "{}")[0].value
        is False
    )


def test_what_is_impossible_for_its_kind_is_out_of_range_without_a_range() -> None:
    assert reason(sensor("s", kind="soil_moisture", unit_in="%vol"), "187.5") == "out_of_range"
    assert reason(sensor("s", kind="temperature", unit_in="degC"), "85") == "out_of_range"
    assert reason(sensor("s", kind="temperature", unit_in="degC", range=[0, 90]), "85") is None


def test_amount_is_never_negative() -> None:
    assert reason(sensor("s", accumulation="increment", unit_in="mm"), "-0.2") == "out_of_range"


def test_increment_that_the_broker_kept_is_not_counted_again() -> None:
    (reading,) = decode(sensor("s", accumulation="increment", unit_in="mm"), "0.2", retained=True)
    assert (reading.value, reading.quality) == (None, "unknown_age")


def test_several_records_of_one_sensor_are_several_readings() -> None:
    pack = '[{"bn": "a", "t": -60, "v": 1}, {"t": 0, "v": 2}]'
    readings = decode(sensor("s", name="a"), pack)
    assert [(each.value, each.time) for each in readings] == [(1.0, NOON - timedelta(seconds=60)), (2.0, NOON)]


def test_wildcards_and_several_sensors_on_one_topic() -> None:
    rules = [
        sensor("any", "+/soil"),
        sensor("one", "bed-1/soil"),
        sensor("all", "bed-1/#"),
        sensor("none", "bed-2/soil"),
    ]
    decoder = Decoder(parse_mapping(each) for each in rules)
    readings, _ = decoder.decode("bed-1/soil", b"1", received_at=NOON, retained=False, state=DecoderState())
    assert [each.sensor for each in readings] == ["any", "one", "all"]
    assert decoder.topics == ("+/soil", "bed-1/soil", "bed-1/#", "bed-2/soil")


def test_counters_of_two_devices_under_one_wildcard_do_not_mix() -> None:
    decoder = Decoder([parse_mapping(sensor("s", "+/pulses", accumulation="cumulative"))])
    state, values = DecoderState(), []
    for topic, payload in (("a/pulses", b"100"), ("b/pulses", b"7"), ("a/pulses", b"103"), ("b/pulses", b"8")):
        (reading,), state = decoder.decode(topic, payload, received_at=NOON, retained=False, state=state)
        values.append(reading.value)
    assert values == [None, None, 3.0, 1.0]


def test_rejected_sample_leaves_the_counter_untouched() -> None:
    decoder = Decoder([parse_mapping(sensor("s", accumulation="cumulative", sentinels=[65535], range=[0, 50]))])
    state, got = DecoderState(), []
    for payload in (b"100", b"65535", b"nan", b"900", b"110"):
        (reading,), state = decoder.decode("t", payload, received_at=NOON, retained=False, state=state)
        got.append((reading.value, reading.reason))
    assert got == [(None, None), (None, "sentinel"), (None, "not_numeric"), (None, "out_of_range"), (10.0, None)]


def test_state_survives_a_round_trip_through_json() -> None:
    decoder = Decoder([parse_mapping(each) for each in EVERY_WAY])
    payload = b'{"v": 5, "t": 1778750000}'
    _, state = decoder.decode("t", payload, received_at=NOON, retained=False, state=DecoderState())
    assert set(state.counters) == {"counter t", "tips t"}
    assert from_plain(DecoderState, json.loads(json.dumps(to_plain(state)))) == state


def test_excerpt_never_shows_the_rest_of_the_message() -> None:
    rule = sensor("s", "up", decode="form", pointer="/tempf")
    (reading,) = decode(rule, "ID=gate&PASSWORD=verysecret&tempf=warm", topic="up")
    assert reading.excerpt == "'warm'"
    whole = sensor("s", "up", decode="form", pointer="")
    assert decode(whole, "PASSWORD=verysecret", topic="up")[0].excerpt == "a dict"
    broken = sensor("s", pointer="/v")
    assert "secret" not in decode(broken, '{"password": "secret"')[0].excerpt


def test_topic_of_nobody_gives_nothing() -> None:
    assert decode(sensor("s"), "1", topic="elsewhere") == []
