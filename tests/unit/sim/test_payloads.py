"""Readings become the messages that the site file's mappings expect."""

from __future__ import annotations

import json

import numpy as np
import pytest

from dewpond.model.site import Sensor
from dewpond_sim.payloads import MappingUnknown, Post, put
from dewpond_sim.world.sensors import Readings

TIME = {"pointer": "/at", "format": "iso"}


def reading(sensor: str, *values: float, start_s: float = 1_900_000_200.0) -> Readings:
    return Readings(sensor, start_s + 10.0 * np.arange(len(values)), np.array(values))


def sensor(name: str, kind: str, topic: str = "yard/x", **mapping: object) -> Sensor:
    return Sensor(id=name, kind=kind, topic=topic, mapping=mapping)


def test_sensors_of_one_topic_share_a_message():
    post = Post(
        [
            sensor("air", "temperature", "yard/sky", decode="json", pointer="/air/temp", unit_in="degC", time=TIME),
            sensor("damp", "humidity", "yard/sky", decode="json", pointer="/air/rh", unit_in="%", time=TIME),
        ]
    )
    messages = post.messages([reading("air", 21.5, 21.7), reading("damp", 60.0, 61.0)])
    assert [message.topic for message in messages] == ["yard/sky", "yard/sky"]
    assert json.loads(messages[0].payload) == {"air": {"temp": 21.5, "rh": 60}, "at": "2030-03-17T17:50:00Z"}
    assert json.loads(messages[1].payload)["at"] == "2030-03-17T17:50:10Z"


def test_a_counter_publishes_its_total_in_pulses():
    """Contract of mappings: value = (raw x scale + offset) in unit_in; increments use scale only."""
    post = Post([sensor("meter", "flow", pointer="/n", unit_in="L", scale=0.5, accumulation="cumulative")])
    payloads = [json.loads(message.payload) for message in post.messages([reading("meter", 5.0, 0.0, 2.5)])]
    assert payloads == [{"n": 10}, {"n": 10}, {"n": 15}]


def test_scale_offset_and_unit_are_read_backwards():
    post = Post([sensor("soil", "soil_moisture", pointer="/v", unit_in="%vol", scale=2.0, offset=-10.0)])
    (message,) = post.messages([reading("soil", 0.3)])
    raw = json.loads(message.payload)["v"]
    assert (raw * 2.0 - 10.0) / 100.0 == pytest.approx(0.3)


def test_plain_text_is_the_number_alone():
    post = Post([sensor("wind", "wind", decode="text", unit_in="km/h")])
    assert [message.payload for message in post.messages([reading("wind", 2.5)])] == ["9"]


def test_messages_come_in_the_order_of_time():
    post = Post([sensor("a", "wind", "yard/a", decode="text"), sensor("b", "wind", "yard/b", decode="text")])
    messages = post.messages([reading("a", 1.0, 2.0), reading("b", 3.0, start_s=1_900_000_205.0)])
    assert [message.topic for message in messages] == ["yard/a", "yard/b", "yard/a"]


def test_readings_that_no_message_carries_are_not_sent():
    assert Post([sensor("door", "switch", decode="text")]).messages([reading("door", 1.0), reading("other", 1.0)]) == []


@pytest.mark.parametrize(
    ("mapping", "word"),
    [
        ({"decode": "senml"}, 'decode "senml"'),
        ({"decode": "text", "unit_in": "furlong"}, 'unit_in "furlong"'),
        ({"pointer": "/v", "time": {"pointer": "/t", "format": "iso_local"}}, 'time format "iso_local"'),
    ],
)
def test_a_mapping_that_cannot_be_written_is_refused_by_name(mapping: dict[str, object], word: str):
    with pytest.raises(MappingUnknown, match=word):
        Post([sensor("odd", "wind", **mapping)])


def test_pointers_are_those_of_rfc_6901():
    document: dict[str, object] = {}
    put(document, "/a~1b/m~0n", 1)
    assert document == {"a/b": {"m~n": 1}}
