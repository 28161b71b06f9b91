"""``dewpond decode`` over real site files: every message of the payload examples, one call each."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from dewpond.cli.decode import decode

DATA = Path(__file__).parents[2] / "data" / "payloads" / "payload_examples.json"
EXAMPLES = json.loads(DATA.read_text(encoding="utf-8"))["examples"]
SITE = """
[site]
name = "Withy Hollow"
latitude = 52.0
longitude = 5.0
elevation = "3 m"
timezone = "Europe/Amsterdam"

[relays]
driver = "simulated"
outputs = 2
"""
KIND_OF = {
    "soil_vwc": "soil_moisture",
    "soil_temp": "temperature",
    "air_temp": "temperature",
    "rel_humidity": "humidity",
    "wind_speed": "wind",
    "solar_irradiance": "solar",
    "valve_open": "switch",
    "flow_rate": "flow",
    "meter_total": "flow",
    "volume_increment": "flow",
    "rain_rate": "rain",
    "rain_increment": "rain",
    "rain_last_60min": "rain",
}


def toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} = {toml(item)}" for key, item in value.items()) + "}"
    return json.dumps(value)


def site_file(folder: Path, example: dict[str, Any]) -> Path:
    text = SITE
    for entry in example["map"]:
        keys = {key: value for key, value in entry.items() if key not in ("as", "kind")}
        if "kind" in entry:
            keys["accumulation"] = entry["kind"]
        kind = KIND_OF.get(entry["as"].partition(".")[0], "other")
        text += "\n[[sensor]]\n" + "".join(
            f"{key} = {toml(value)}\n" for key, value in {"id": entry["as"], "kind": kind, **keys}.items()
        )
    path = folder / "site.toml"
    path.write_text(text, encoding="utf-8")
    return path


def call(site: Path, message: dict[str, Any], *more: str) -> Result:
    arguments = ["--site", str(site), "--topic", message["topic"], "--received-at", message["received_at"], *more]
    if message["retain"]:
        arguments.append("--retained")
    return CliRunner().invoke(decode, arguments, input=message["payload"].encode())


@pytest.mark.parametrize("example", EXAMPLES, ids=[example["id"] for example in EXAMPLES])
def test_every_message_gives_the_readings_of_the_example(example: dict[str, Any], tmp_path: Path) -> None:
    site = site_file(tmp_path, example)
    for number, message in enumerate(example["messages"]):
        wanted = [each for each in example["expected"] if each["msg"] == number]
        result = call(site, message, "--state", str(tmp_path / "state.json"))
        assert result.exit_code == int(any(each["quality"] == "rejected" for each in wanted)), result.stderr
        found = json.loads(result.stdout)
        assert [each["sensor"] for each in found] == [each["as"] for each in wanted]
        for got, expected in zip(found, wanted, strict=True):
            for key in {"value", "quality"} | (set(expected) & {"unit", "time", "reason"}):
                same = pytest.approx(expected[key], rel=1e-9) if isinstance(expected[key], float) else expected[key]
                assert got[key] == same


@pytest.fixture
def meter(tmp_path: Path) -> Path:
    return site_file(tmp_path, next(each for each in EXAMPLES if each["id"] == "S07"))


def test_site_file_with_faults_is_refused_with_all_of_them(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    sensor = '\n[[sensor]]\nid = "a"\nkind = "temperature"\ntopic = "t"\nunit_in = "mm"\nscale = 0\n'
    path.write_text(SITE + sensor, encoding="utf-8")
    result = CliRunner().invoke(decode, ["--site", str(path), "--topic", "t"], input=b"1")
    assert result.exit_code == 2
    assert result.stdout == ""
    assert "unit_in" in result.stderr
    assert "scale" in result.stderr


def test_time_that_is_none_is_refused(meter: Path) -> None:
    result = CliRunner().invoke(decode, ["--site", str(meter), "--topic", "t", "--received-at", "noon"], input=b"1")
    assert result.exit_code == 2
    assert "--received-at" in result.stderr


@pytest.mark.parametrize("text", ["{", "[]", '{"counters": {"a": 5}}', '{"counters": {"a": {"raw": null}}}', "\x00"])
def test_state_of_another_kind_is_refused_and_left_alone(meter: Path, tmp_path: Path, text: str) -> None:
    state = tmp_path / "state.json"
    state.write_text(text, encoding="utf-8")
    arguments = ["--site", str(meter), "--topic", "meter/main/pulses", "--state", str(state)]
    result = CliRunner().invoke(decode, arguments, input=b"5")
    assert result.exit_code == 2
    assert "state.json" in result.stderr
    assert state.read_text(encoding="utf-8") == text


def test_topic_of_nobody_gives_an_empty_list(meter: Path) -> None:
    result = CliRunner().invoke(decode, ["--site", str(meter), "--topic", "elsewhere"], input=b"\xff\x00")
    assert (result.exit_code, json.loads(result.stdout)) == (0, [])
