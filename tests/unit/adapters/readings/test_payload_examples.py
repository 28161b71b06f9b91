"""Every message of the payload examples gives exactly the readings the examples expect."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from dewpond.adapters.readings import Decoder, DecoderState, parse_mapping
from dewpond.model.site import Sensor

DATA = Path(__file__).parents[3] / "data" / "payloads" / "payload_examples.json"
EXAMPLES = json.loads(DATA.read_text(encoding="utf-8"))["examples"]


def sensor_of(entry: dict[str, Any]) -> Sensor:
    keys = {key: value for key, value in entry.items() if key not in ("topic", "as", "kind")}
    if "kind" in entry:
        keys["accumulation"] = entry["kind"]
    return Sensor(id=entry["as"], kind="other", topic=entry["topic"], mapping=keys)


def run(example: dict[str, Any]) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """All readings in the file's own terms, and every change of who is there."""
    decoder = Decoder([parse_mapping(sensor_of(entry)) for entry in example["map"]])
    state = DecoderState()
    found, presence = [], []
    for number, message in enumerate(example["messages"]):
        before = state
        readings, state = decoder.decode(
            message["topic"],
            message["payload"].encode(),
            received_at=datetime.fromisoformat(message["received_at"]),
            retained=message["retain"],
            state=state,
        )
        found += [{"msg": number, "as": reading.sensor, "reading": reading} for reading in readings]
        if state.available != before.available:
            presence.append({"msg": number, "available": next(iter(state.available.values()))})
    return found, presence


@pytest.mark.parametrize("example", EXAMPLES, ids=[example["id"] for example in EXAMPLES])
def test_example_gives_the_expected_readings(example: dict[str, Any]) -> None:
    found, presence = run(example)
    assert [(each["msg"], each["as"]) for each in found] == [(each["msg"], each["as"]) for each in example["expected"]]
    for got, wanted in zip(found, example["expected"], strict=True):
        reading = got["reading"]
        assert reading.quality == wanted["quality"], wanted
        assert reading.reason == wanted.get("reason"), wanted
        if isinstance(wanted["value"], float):
            assert reading.value == pytest.approx(wanted["value"], rel=1e-9, abs=1e-12)
        else:
            assert reading.value == wanted["value"]
            assert isinstance(reading.value, bool) == isinstance(wanted["value"], bool)
        if "unit" in wanted:
            assert reading.unit == wanted["unit"]
            assert reading.time == datetime.fromisoformat(wanted["time"])
    assert presence == example.get("availability_expected", [])


def test_increments_of_the_daily_rain_total_add_up_to_the_rain_that_fell() -> None:
    example = next(each for each in EXAMPLES if each["id"] == "S09")
    found, _ = run(example)
    total_mm = sum(each["reading"].value or 0.0 for each in found)
    assert total_mm == pytest.approx(1.524)  # 0.06 in, as the example says
