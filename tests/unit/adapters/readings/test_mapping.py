"""A mapping is refused with every fault at once, each with key, fact, limit and remedy."""

from __future__ import annotations

from typing import Any

import pytest

from dewpond.adapters.readings.mapping import MappingRefused, SensorMapping, parse_mapping
from dewpond.model.site import Sensor


def parse(kind: str = "other", topic: str = "yard/probe", **mapping: Any) -> SensorMapping:
    return parse_mapping(Sensor(id="probe", kind=kind, topic=topic, mapping=mapping))


def refused(kind: str = "other", topic: str = "yard/probe", **mapping: Any) -> dict[str, str]:
    with pytest.raises(MappingRefused) as caught:
        parse(kind, topic, **mapping)
    return {problem.key: problem.sentence() for problem in caught.value.problems}


def test_smallest_mapping_of_each_kind_has_the_unit_the_decisions_are_made_with() -> None:
    units = {kind: parse(kind).unit for kind in ("rain", "soil_moisture", "flow", "temperature", "humidity", "wind")}
    assert units == {
        "rain": "mm",
        "soil_moisture": "m3/m3",
        "flow": "L/min",
        "temperature": "degC",
        "humidity": "%",
        "wind": "m/s",
    }
    assert parse("flow", accumulation="cumulative").unit == "L"
    assert parse("switch").truth == {"true": True, "on": True, "1": True, "false": False, "off": False, "0": False}
    assert parse("other").unit == "raw"


def test_unit_that_is_only_assumed_is_worth_a_word() -> None:
    assert "L/min" in parse("flow").findings[0]
    assert parse("flow", unit_in="gpm").findings == ()


def test_volume_that_does_not_say_how_it_counts_is_worth_a_word() -> None:
    assert any("accumulation" in text for text in parse("flow", unit_in="m3").findings)


def test_decoding_follows_from_the_other_keys() -> None:
    assert parse(pointer="/a").decode == "json"
    assert parse(pointer="/a", struct=">H").decode == "json_b64"
    assert parse(struct=">H").decode == "bytes"
    assert parse(name="urn:a").decode == "senml"
    assert parse(column=2).decode == "csv"
    assert parse().decode == "text"


def test_all_faults_come_at_once() -> None:
    found = refused("temperature", "a/#/b", unit_in="mm", scale=0, rnage=[0, 1], max_age_s=-1, sentinels=["x"])
    assert set(found) == {"topic", "unit_in", "scale", "rnage", "max_age_s", "sentinels"}
    assert "known are" in found["rnage"]


@pytest.mark.parametrize(
    ("kind", "unit", "said"),
    [
        ("soil_moisture", "%", "%vol"),
        ("soil_moisture", "raw", "scale and offset"),
        ("rain", "L", "mm or mm/h"),
        ("flow", "mm/h", "L/min or L"),
        ("wind", "degC", "m/s"),
        ("other", "furlong", "unknown unit"),
    ],
)
def test_unit_must_fit_the_kind(kind: str, unit: str, said: str) -> None:
    assert said in refused(kind, unit_in=unit)["unit_in"]


@pytest.mark.parametrize(
    ("key", "mapping"),
    [
        ("pointer", {"decode": "json", "pointer": "a"}),
        ("pointer", {"decode": "text", "pointer": "/a"}),
        ("struct", {"decode": "json_b64", "pointer": "/a"}),
        ("struct", {"decode": "bytes", "struct": ">HH"}),
        ("struct", {"decode": "bytes", "struct": "4s"}),
        ("struct", {"decode": "bytes", "struct": "?"}),
        ("struct", {"decode": "bytes", "struct": "H"}),
        ("struct", {"decode": "bytes", "struct": "999999999x"}),
        ("struct", {"decode": "bytes", "struct": "é"}),
        ("name", {"decode": "senml"}),
        ("time", {"decode": "senml", "name": "a", "time": {"pointer": "/t"}}),
        ("time tz", {"pointer": "/v", "time": {"pointer": "/t", "format": "iso_local"}}),
        ("time tz", {"pointer": "/v", "time": {"pointer": "/t", "format": "iso_local", "tz": "Mars/Olympus"}}),
        ("time format", {"pointer": "/v", "time": {"pointer": "/t", "format": "sundial"}}),
        ("time pointer", {"pointer": "/v", "time": {"format": "iso"}}),
        ("time column", {"column": 1, "time": {"format": "iso"}}),
        ("rollover", {"rollover": 65536}),
        ("max_step", {"accumulation": "increment", "max_step": 3}),
        ("scale", {"accumulation": "cumulative", "scale": -1}),
        ("scale", {"scale": float("inf")}),
        ("range", {"range": [1, 0]}),
        ("range", {"range": [0]}),
        ("range", {"unit_in": "bool", "range": [0, 1]}),
        ("truth", {"unit_in": "V", "truth": {"true": ["on"]}}),
        ("truth", {"truth": {"true": ["on"], "false": ["ON"]}}),
        ("truth maybe", {"truth": {"true": ["on"], "maybe": ["?"]}}),
        ("missing", {"missing": "perhaps"}),
        ("missing", {"missing": True}),
        ("accumulation", {"accumulation": "sometimes"}),
        ("availability topic", {"availability": {"online": "here"}}),
        ("availability online", {"availability": {"topic": "a", "online": "x", "offline": ["X", "y"]}}),
        ("column", {"decode": "csv", "column": -1}),
        ("byte", {"decode": "bytes", "struct": "B", "byte": True}),
    ],
)
def test_key_that_cannot_be_right_is_named(key: str, mapping: dict[str, Any]) -> None:
    assert key in refused(**mapping)


@pytest.mark.parametrize("topic", ["", "a+/b", "a/b#", "#/a", "$share/group/a", "a\0b"])
def test_topic_that_cannot_be_listened_to_is_refused(topic: str) -> None:
    assert "topic" in refused(topic=topic)


def test_message_names_sensor_key_limit_and_remedy() -> None:
    with pytest.raises(MappingRefused) as caught:
        parse("soil_moisture", unit_in="%")
    assert str(caught.value).startswith(
        'sensor "probe", unit_in: "%" is read as %; a sensor of kind soil_moisture has m3/m3;'
    )
