"""A weather station that uploads by HTTP: readings arrive, secrets do not, rude clients do no harm."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from datetime import UTC, datetime

import pytest
import requests
from tests.unit.sites import site

from dewpond.adapters.mqtt.bus import MqttBus
from dewpond.adapters.system_clock import SystemClock
from dewpond.adapters.uploads import PASSWORD_VARIABLE, TOPIC, UploadServer
from dewpond.model.events import Now, ReadingsArrived
from dewpond.model.site import Sensor
from dewpond.settings.site_file import load_site

QUERY = {"ID": "demo", "PASSWORD": "hush", "dateutc": "now", "tempf": "71.6", "humidity": "48"}


@pytest.fixture
def heard() -> list[tuple[str, bytes]]:
    return []


@pytest.fixture
def server(heard) -> Iterator[UploadServer]:
    server = UploadServer(
        "127.0.0.1",
        0,
        lambda topic, payload: heard.append((topic, payload)),
        station_id="demo",
        environment={PASSWORD_VARIABLE: "hush"},
    )
    server.start()
    yield server
    server.close()


def send(server: UploadServer, **fields: str) -> requests.Response:
    return requests.get(f"http://127.0.0.1:{server.port}/any/path", params={**QUERY, **fields}, timeout=5.0)


def test_an_upload_becomes_a_message_without_its_password(server, heard):
    answer = send(server)
    assert (answer.status_code, answer.text) == (200, "success\n")
    ((topic, payload),) = heard
    assert topic == TOPIC and b"hush" not in payload and b"tempf=71.6" in payload


@pytest.mark.parametrize("wrong", [{"ID": "another"}, {"PASSWORD": "guess"}, {"PASSWORD": ""}])
def test_an_upload_that_is_not_for_us_is_not_taken(server, heard, wrong):
    assert send(server, **wrong).status_code == 403 and heard == []


def test_what_is_no_weather_is_refused(server, heard):
    assert send(server, tempf="7" * 5000).status_code in (400, 414)
    many = "&".join(f"f{n}=1" for n in range(300))
    assert requests.get(f"http://127.0.0.1:{server.port}/?{many}", timeout=5.0).status_code == 400
    assert heard == []


def test_clients_that_never_finish_do_not_keep_the_others_out(server, heard):
    slow = [socket.create_connection(("127.0.0.1", server.port)) for _ in range(4)]
    try:
        for link in slow:
            link.sendall(b"GET /?tem")
        assert send(server).status_code == 200 and len(heard) == 1
    finally:
        for link in slow:
            link.close()


def test_an_upload_reaches_the_loop_as_readings_without_any_broker(server, heard):
    mapping = {"decode": "form", "pointer": "/tempf", "unit_in": "degF"}
    air = Sensor(id="air", kind="temperature", topic=TOPIC, mapping=mapping)
    bus = MqttBus(site(sensors=(air,)), None, SystemClock())
    send(server)
    bus.arrived(*heard[0])
    now = Now(wall=datetime.now(UTC), elapsed_s=0.0)
    (block,) = [event for event in bus.drain(now) if isinstance(event, ReadingsArrived)]
    assert block.sensor == "air" and block.value[0] == pytest.approx(22.0)


def test_the_site_file_says_where_to_listen(tmp_path):
    file = tmp_path / "garden.toml"
    head = '[site]\nname="G"\nlatitude=40\nlongitude=-74\ntimezone="UTC"\n[relays]\ndriver="simulated"\noutputs=1\n'
    zone = '[[zone]]\nid="a"\noutput=1\narea="10 m2"\napplication_rate="20 mm/h"\n[[feed]]\nkind="station"\nupload='
    file.write_text(f'{head}{zone}"0.0.0.0:8089"\nstation_id="demo"\n', encoding="utf-8")
    loaded = load_site(file)
    assert loaded.site is not None and loaded.site.feeds[0].options["upload"] == "0.0.0.0:8089"
    file.write_text(f'{head}{zone}"everywhere"\n', encoding="utf-8")
    assert any("no address to listen on" in str(problem.as_plain()) for problem in load_site(file).errors)
