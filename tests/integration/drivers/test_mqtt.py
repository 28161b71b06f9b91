"""The MQTT driver against a real broker and a stand-in for relay firmware."""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import threading
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

from dewpond_drivers import conformance
from dewpond_drivers.driver import DriverUnreachable
from dewpond_drivers.mqtt import MqttDriver, MqttSettings

OUTPUTS = 4
# The check installs it; without it these tests fail rather than say nothing.
BROKER = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin") or "mosquitto"


class Broker:
    """mosquitto on a free port of the loopback, without a store."""

    def __init__(self, folder: Path) -> None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self._config = folder / "broker.conf"
        self._config.write_text(
            f"listener {self.port} 127.0.0.1\nset_tcp_nodelay true\n"
            "allow_anonymous true\npersistence false\nlog_type none\n"
        )
        self.start()

    def start(self) -> None:
        self._process = subprocess.Popen([BROKER, "-c", str(self._config)], stderr=subprocess.DEVNULL)
        pause = threading.Event()
        for _ in range(200):
            try:
                socket.create_connection(("127.0.0.1", self.port), 1.0).close()
            except OSError:
                pause.wait(0.02)
            else:
                return
        raise AssertionError("the broker did not start")

    def stop(self) -> None:
        self._process.kill()
        self._process.wait()


class Firmware:
    """Four relays: ``set`` topics, retained states and ``ask``; a will that says offline."""

    def __init__(self) -> None:
        self.states = dict.fromkeys(range(1, OUTPUTS + 1), False)
        self.jammed: set[int] = set()
        self.commands: list[tuple[str, str, bool]] = []
        self._listening = threading.Event()

    def start(self, port: int) -> None:
        import paho.mqtt.client as paho

        self._client = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id="firmware")
        self._client.will_set("yard/online", "offline", qos=1, retain=True)
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = lambda *_: self._listening.set()
        self._client.on_message = self._on_message
        self._client.connect("127.0.0.1", port)
        self._client.socket().setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._client.loop_start()
        assert self._listening.wait(5.0)

    def stop(self) -> None:
        self._listening.clear()
        self._client.disconnect()
        self._client.loop_stop()

    def die(self) -> None:
        """Leave without a word, so that the broker sends the will."""
        self._client._sock_close()
        self._client.loop_stop()

    def tell(self, output: int) -> None:
        word = json.dumps({"relay": "ON" if self.states[output] else "OFF"})
        self._client.publish(f"yard/relay/{output}/state", word, qos=1, retain=True)

    def _on_connect(self, client, *_: object) -> None:
        client.subscribe([("yard/relay/+/set", 1), ("yard/ask", 1), ("yard/all", 1)])
        client.publish("yard/online", "online", qos=1, retain=True)

    def _on_message(self, _client, _userdata, message) -> None:
        payload = message.payload.decode()
        self.commands.append((message.topic, payload, bool(message.retain)))
        outputs = [int(message.topic.split("/")[2])] if message.topic.endswith("/set") else list(self.states)
        for output in outputs:
            if message.topic != "yard/ask" and output not in self.jammed:
                self.states[output] = payload.startswith("ON")
            self.tell(output)


class MqttBench:
    outputs = OUTPUTS
    can = ("see", "cut", "jam")

    def __init__(self, broker: Broker) -> None:
        self.broker = broker
        self.firmware = Firmware()
        self.firmware.start(broker.port)

    def make(self, **changes) -> MqttDriver:
        keys = {
            "broker": f"mqtt://127.0.0.1:{self.broker.port}",
            "command_topic": "yard/relay/{output}/set",
            "state_topic": "yard/relay/{output}/state",
            "state_pointer": "/relay",
            "query_topic": "yard/ask",
            "online_topic": "yard/online",
            "timeout_s": 0.25,
        }
        return MqttDriver(MqttSettings(**{**keys, **changes}), OUTPUTS)

    def relays(self) -> Mapping[int, bool]:
        return dict(self.firmware.states)

    def force(self, output: int, on: bool) -> None:
        self.firmware.states[output] = on

    def jam(self, output: int) -> None:
        self.firmware.jammed.add(output)

    def heal(self) -> None:
        self.firmware.jammed.clear()

    def cut(self) -> None:
        self.broker.stop()
        self.firmware.stop()

    def mend(self) -> None:
        self.broker.start()
        self.firmware.start(self.broker.port)


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    broker = Broker(tmp_path_factory.mktemp("broker"))
    yield broker
    broker.stop()


@pytest.fixture
def bench(broker: Broker, monkeypatch: pytest.MonkeyPatch) -> Iterator[MqttBench]:
    monkeypatch.delenv("DEWPOND_BROKER", raising=False)
    bench = MqttBench(broker)
    yield bench
    bench.firmware.stop()


@pytest.mark.parametrize("check", conformance.CHECKS, ids=lambda check: check.__name__)
def test_conforms(bench: MqttBench, check) -> None:
    check(bench)


def test_no_command_is_retained_and_none_comes_late(bench: MqttBench) -> None:
    driver = bench.make()
    driver.connect()
    bench.cut()
    with pytest.raises(DriverUnreachable):
        driver.set_output(1, True)
    heard = len(bench.firmware.commands)
    bench.mend()
    bench.firmware.tell(1)
    driver.connect()
    assert all(not payload.startswith("ON") for _, payload, _ in bench.firmware.commands[heard:])
    assert not any(retained for _, _, retained in bench.firmware.commands)
    driver.close()


def test_a_retained_state_is_old_news(bench: MqttBench) -> None:
    """The firmware has died; what the broker still keeps of it counts for nothing."""
    bench.firmware.tell(1)
    driver = bench.make(online_topic="", query_topic="")
    driver.connect()
    bench.firmware.stop()
    again = bench.make(online_topic="", query_topic="")
    with pytest.raises(DriverUnreachable, match="do not answer on their state topic"):
        again.connect()
    driver.close()
    again.close()


def test_relays_that_are_offline_are_out_of_reach(bench: MqttBench) -> None:
    driver = bench.make(query_topic="")
    driver.connect()
    driver.set_output(1, True)
    assert driver.read_back()[1] is True
    bench.firmware.die()
    with driver._news:
        assert driver._news.wait_for(lambda: not driver._online, 5.0)
    with pytest.raises(DriverUnreachable):
        driver.read_back()
    with pytest.raises(DriverUnreachable):
        driver.connect()
    driver.close()


def test_without_query_or_presence_the_state_is_not_told(bench: MqttBench) -> None:
    driver = bench.make(online_topic="", query_topic="")
    driver.connect()
    driver.set_output(1, True)
    assert set(driver.read_back().values()) == {None}
    driver.close()


def test_the_last_will_of_the_keeper_switches_everything_off(bench: MqttBench) -> None:
    driver = bench.make(all_off_topic="yard/all")
    driver.connect()
    driver.set_output(2, True)
    driver._client._sock_close()
    pause = threading.Event()
    for _ in range(250):
        if not bench.relays()[2]:
            break
        pause.wait(0.02)
    assert not bench.relays()[2]
    driver.close()


def test_timed_firmware_is_told_the_seconds_also_by_mqtt_5(bench: MqttBench) -> None:
    driver = bench.make(timed="ON {seconds}", protocol="5")
    assert driver.timed_on
    driver.connect()
    driver.open_for(3, 89.5)
    assert bench.firmware.commands[-1][:2] == ("yard/relay/3/set", "ON 90")
    driver.close()


def test_the_environment_names_the_broker(bench: MqttBench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DEWPOND_BROKER", f"mqtt://127.0.0.1:{bench.broker.port}")
    driver = bench.make(broker="mqtt://192.0.2.1:1")
    driver.connect()
    driver.close()
