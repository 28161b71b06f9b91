"""The bus against a real broker: what must survive restarts, floods, garbage and old messages."""

from __future__ import annotations

import datetime as dt
import json
import random
import resource
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from broker import Mosquitto

from dewpond.adapters.mqtt import MqttBus
from dewpond.model.events import (
    BrokerChanged,
    Event,
    MessageRefused,
    Now,
    OperatorAsked,
    ReadingRejected,
    ReadingsArrived,
)
from dewpond.model.hours import DayRule, Hours, Watering
from dewpond.model.site import Relays, Sensor, Site
from dewpond.settings.addresses import BrokerAddress

PATIENCE_S = 30.0
START = datetime(2027, 5, 14, 6, 0, tzinfo=UTC)


class BellClock:
    """Stands still at START; ``wake`` rings a bell that the tests wait for."""

    def __init__(self) -> None:
        self._bell = threading.Event()

    def now(self) -> Now:
        return Now(wall=START, elapsed_s=0.0)

    def wait(self, until_elapsed_s: float) -> None:
        self._bell.wait(min(until_elapsed_s, 0.2))
        self._bell.clear()

    def wake(self) -> None:
        self._bell.set()

    def hold(self) -> None: ...

    def unhold(self) -> None: ...


class Driver:
    """Drains a bus as the runner does and keeps the events."""

    def __init__(self, bus: MqttBus, clock: BellClock) -> None:
        self.bus, self.clock = bus, clock
        self.events: list[Event] = []

    def until(self, found: Callable[[list[Event]], bool]) -> None:
        give_up_s = time.monotonic() + PATIENCE_S
        while time.monotonic() < give_up_s:
            self.events += self.bus.drain(self.clock.now())
            if found(self.events):
                return
            self.clock.wait(0.2)
        raise AssertionError(f"not seen within {PATIENCE_S:.0f} s; the last events: {self.events[-5:]}")

    def until_connected(self) -> None:
        self.events.clear()
        self.until(lambda events: any(isinstance(each, BrokerChanged) and each.connected for each in events))

    def of(self, kind: type) -> list[Any]:
        return [each for each in self.events if isinstance(each, kind)]


def sensor(sensor_id: str, topic: str, kind: str = "other", **mapping: Any) -> Sensor:
    return Sensor(id=sensor_id, kind=kind, topic=topic, mapping=mapping)


SENSORS = (
    sensor("meter", "yard/meter", "flow", accumulation="cumulative", unit_in="L", scale=0.5),
    sensor("probe", "yard/+/soil", "soil_moisture", unit_in="%vol"),
    sensor("anything", "yard/json", decode="json", pointer="/v"),
)
SITE = Site(
    name="Withy Hollow",
    slug="withy-hollow",
    latitude_deg=52.0,
    longitude_deg=5.0,
    elevation_m=3.0,
    timezone="Europe/Amsterdam",
    units="metric",
    watering=Watering(window=Hours(start=dt.time(21), end=dt.time(6)), days=DayRule()),
    restrictions=(),
    supplies=(),
    relays=Relays(driver="simulated", outputs=8),
    zones=(),
    programs=(),
    sensors=SENSORS,
    feeds=(),
)


def make_bus(port: int, clock: BellClock, *, site: Site = SITE, **options: Any) -> MqttBus:
    address = BrokerAddress(host="127.0.0.1", port=port)
    return MqttBus(site, address, clock, client_id="dewpondtest", **options)


@pytest.fixture
def driver(mosquitto: Mosquitto) -> Iterator[Driver]:
    clock = BellClock()
    bus = make_bus(mosquitto.port, clock, commands=True)
    bus.start()
    driver = Driver(bus, clock)
    driver.until_connected()
    yield driver
    bus.close()


class Listener:
    """Keeps what comes on the service's own tree."""

    def __init__(self, broker: Mosquitto) -> None:
        self.heard: list[tuple[str, bytes, bool]] = []
        self._more = threading.Condition()
        self._client = broker.client()
        self._client.on_message = self._keep
        self._client.subscribe("dewpond/#", 1)

    def _keep(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        with self._more:
            self.heard.append((message.topic, bytes(message.payload), message.retain))
            self._more.notify_all()

    def wait_for(self, topic: str, payload: bytes | None = None) -> bytes:
        def found() -> list[bytes]:
            return [body for name, body, _ in self.heard if name == topic and payload in (None, body)]

        with self._more:
            assert self._more.wait_for(lambda: bool(found()), PATIENCE_S), (topic, payload, self.heard)
            return found()[-1]

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def sender(mosquitto: Mosquitto) -> Iterator[mqtt.Client]:
    client = mosquitto.client()
    yield client
    client.disconnect()
    client.loop_stop()


def send(client: mqtt.Client, topic: str, payload: bytes | str, *, retain: bool = False) -> None:
    client.publish(topic, payload, qos=1, retain=retain).wait_for_publish(PATIENCE_S)


def blocks(events: list[Event], name: str) -> list[ReadingsArrived]:
    return [each for each in events if isinstance(each, ReadingsArrived) and each.sensor == name]


def test_readings_of_one_drain_arrive_as_one_block_a_sensor(driver: Driver, sender: mqtt.Client) -> None:
    for pulses in (100, 120, 160):
        send(sender, "yard/meter", str(pulses))
    send(sender, "yard/bed-1/soil", "31.4")
    driver.until(lambda events: bool(blocks(events, "probe")))
    total_l = sum(float(block.value.sum()) for block in blocks(driver.events, "meter"))
    assert total_l == 30.0  # 60 pulses of half a litre; the first message is the baseline
    assert blocks(driver.events, "probe")[0].value.tolist() == [pytest.approx(0.314)]
    assert driver.bus.processed_count == driver.bus.received_count == 4


def test_subscriptions_survive_a_restarted_broker_that_forgot_them(mosquitto: Mosquitto, driver: Driver) -> None:
    mosquitto.stop()
    driver.until(lambda events: any(isinstance(each, BrokerChanged) and not each.connected for each in events))
    mosquitto.start()
    driver.until_connected()
    client = mosquitto.client()
    send(client, "yard/bed-1/soil", "20")
    driver.until(lambda events: bool(blocks(events, "probe")))
    client.disconnect()
    client.loop_stop()


def test_birth_is_retained_and_a_clean_stop_says_offline(mosquitto: Mosquitto) -> None:
    clock = BellClock()
    bus = make_bus(mosquitto.port, clock)
    bus.start()
    Driver(bus, clock).until_connected()
    listener = Listener(mosquitto)
    try:
        assert listener.wait_for("dewpond/withy-hollow/status") == b"online"
        assert listener.heard[0][2], "a newcomer gets the birth only if it is retained"
        bus.close()
        listener.wait_for("dewpond/withy-hollow/status", b"offline")
    finally:
        listener.close()


def test_will_says_offline_when_the_service_dies_without_a_word(mosquitto: Mosquitto) -> None:
    clock = BellClock()
    bus = make_bus(mosquitto.port, clock)
    bus.start()
    Driver(bus, clock).until_connected()
    listener = Listener(mosquitto)
    try:
        listener.wait_for("dewpond/withy-hollow/status", b"online")
        # Another client of the same name makes the broker cut ours off, as a dead connection would be.
        thief = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="dewpondtest", reconnect_on_failure=False)
        thief.connect("127.0.0.1", mosquitto.port)
        thief.loop(0.5)
        listener.wait_for("dewpond/withy-hollow/status", b"offline")
        thief.disconnect()
    finally:
        bus.close()
        listener.close()


def test_states_are_retained_and_published_again_after_a_broker_restart(mosquitto: Mosquitto, driver: Driver) -> None:
    driver.bus.publish("zone/north-lawn/state", {"state": "open"}, retained=True)
    mosquitto.stop()
    driver.until(lambda events: any(isinstance(each, BrokerChanged) and not each.connected for each in events))
    driver.bus.publish("zone/rose-bed/state", {"state": "older"}, retained=True)
    driver.bus.publish("zone/rose-bed/state", {"state": "closed", "depletion_mm": float("nan")}, retained=True)
    mosquitto.start()
    listener = Listener(mosquitto)
    try:
        driver.until_connected()
        first = json.loads(listener.wait_for("dewpond/withy-hollow/zone/north-lawn/state"))
        second = json.loads(listener.wait_for("dewpond/withy-hollow/zone/rose-bed/state"))
        assert first == {"at": START.isoformat(), "state": "open"}
        assert second == {"at": START.isoformat(), "state": "closed", "depletion_mm": None}
    finally:
        listener.close()
    late = Listener(mosquitto)
    try:
        late.wait_for("dewpond/withy-hollow/zone/rose-bed/state")
        assert all(retained for _, _, retained in late.heard)
    finally:
        late.close()


def command(**more: Any) -> str:
    body = {"id": "c1", "deadline": (START + timedelta(minutes=2)).isoformat(), "action": "water"}
    return json.dumps(body | {"zone": "north-lawn", "minutes": 5} | more)


def test_command_is_taken_up_once(driver: Driver, sender: mqtt.Client) -> None:
    send(sender, "dewpond/withy-hollow/command", command())
    send(sender, "dewpond/withy-hollow/command", command())
    driver.until(lambda events: bool(driver.of(MessageRefused)))
    (asked,) = driver.of(OperatorAsked)
    assert (asked.who, asked.action, asked.zone, asked.seconds) == ("mqtt", "water", "north-lawn", 300.0)
    assert "repeated" in driver.of(MessageRefused)[0].reason


def test_retained_command_is_not_taken_up_when_the_service_connects(mosquitto: Mosquitto, sender: mqtt.Client) -> None:
    send(sender, "dewpond/withy-hollow/command", command(), retain=True)
    clock = BellClock()
    bus = make_bus(mosquitto.port, clock, commands=True)
    bus.start()
    driver = Driver(bus, clock)
    try:
        driver.until(lambda events: bool(driver.of(MessageRefused)))
        assert "retained" in driver.of(MessageRefused)[0].reason
        assert not driver.of(OperatorAsked)
    finally:
        bus.close()


def test_commands_are_not_even_read_unless_they_are_enabled(mosquitto: Mosquitto, sender: mqtt.Client) -> None:
    clock = BellClock()
    bus = make_bus(mosquitto.port, clock)
    bus.start()
    driver = Driver(bus, clock)
    try:
        driver.until_connected()
        send(sender, "dewpond/withy-hollow/command", command())
        send(sender, "yard/bed-1/soil", "20")
        driver.until(lambda events: bool(blocks(events, "probe")))
        assert bus.received_count == 1
        assert not driver.of(OperatorAsked)
    finally:
        bus.close()


def test_a_sensor_that_listens_to_everything_does_not_open_the_command_topic(
    mosquitto: Mosquitto, sender: mqtt.Client
) -> None:
    clock = BellClock()
    bus = make_bus(mosquitto.port, clock, site=replace(SITE, sensors=(sensor("nosy", "#", pointer="/minutes"),)))
    bus.start()
    driver = Driver(bus, clock)
    try:
        driver.until_connected()
        send(sender, "dewpond/withy-hollow/command", command())
        driver.until(lambda events: bool(blocks(events, "nosy")))
        assert not driver.of(OperatorAsked)
    finally:
        bus.close()


def test_device_that_says_it_is_offline_leaves_a_record(mosquitto: Mosquitto, sender: mqtt.Client) -> None:
    clock = BellClock()
    device = sensor("probe", "plot/9/data", "soil_moisture", availability={"topic": "plot/9/status"})
    bus = make_bus(mosquitto.port, clock, site=replace(SITE, sensors=(device,)))
    bus.start()
    driver = Driver(bus, clock)
    try:
        driver.until_connected()
        send(sender, "plot/9/status", "Offline")
        driver.until(lambda events: bool(driver.of(ReadingRejected)))
        assert driver.of(ReadingRejected)[0].reason == "offline"
    finally:
        bus.close()


def test_garbage_and_huge_payloads_leave_a_record_and_nothing_else(driver: Driver, sender: mqtt.Client) -> None:
    noise = random.Random(20)  # noqa: S311 - noise, no secret
    for _ in range(300):
        sender.publish("yard/json", noise.randbytes(noise.randrange(200)), qos=0)
    send(sender, "yard/json", b"[" * 4000)
    send(sender, "yard/json", b"x" * 1_000_000)
    send(sender, "yard/json", '{"v": 7}')
    driver.until(lambda events: bool(blocks(events, "anything")))
    assert [block.value.tolist() for block in blocks(driver.events, "anything")] == [[7.0]]
    assert any("bigger than" in each.reason for each in driver.of(MessageRefused))
    assert any(each.sensor == "anything" for each in driver.of(ReadingRejected))


def resident_kb() -> int:
    fields = Path("/proc/self/statm").read_text(encoding="ascii").split()
    return int(fields[1]) * resource.getpagesize() // 1024


def test_flood_keeps_memory_flat_and_the_newest_message(driver: Driver, sender: mqtt.Client) -> None:
    before_kb = resident_kb()
    for number in range(20_000):
        sender.publish(f"yard/{number % 50}/soil", str(number % 40), qos=0)
    send(sender, "yard/last/soil", "40")
    driver.until(lambda _: driver.bus.processed_count == 20_001)
    assert blocks(driver.events, "probe")[-1].value[-1] == pytest.approx(0.4)
    # The inbox may hold 4 MiB; the sender and the events of this test live in the same process.
    assert resident_kb() - before_kb < 30_000


def test_mqtt_5_works_as_well(mosquitto: Mosquitto, sender: mqtt.Client) -> None:
    clock = BellClock()
    bus = make_bus(mosquitto.port, clock, version="5")
    bus.start()
    driver = Driver(bus, clock)
    listener = Listener(mosquitto)
    try:
        driver.until_connected()
        listener.wait_for("dewpond/withy-hollow/status", b"online")
        send(sender, "yard/bed-1/soil", "20")
        driver.until(lambda events: bool(blocks(events, "probe")))
        mosquitto.stop()
        driver.until(lambda events: any(isinstance(each, BrokerChanged) and not each.connected for each in events))
        mosquitto.start()
        driver.until_connected()
    finally:
        bus.close()
        listener.close()


def test_a_broker_that_is_not_there_is_one_event_and_no_fault() -> None:
    clock = BellClock()
    bus = make_bus(1, clock)
    bus.start()
    driver = Driver(bus, clock)
    driver.until(bool)
    for _ in range(3):
        bus.publish("alarm", {"text": "nobody listens"}, retained=False)
        driver.events += bus.drain(clock.now())
    bus.close()
    (event,) = driver.events
    assert isinstance(event, BrokerChanged)
    assert not event.connected
    assert "127.0.0.1:1" in event.why


def test_close_ends_although_the_broker_is_frozen(mosquitto: Mosquitto) -> None:
    clock = BellClock()
    bus = make_bus(mosquitto.port, clock)
    bus.start()
    Driver(bus, clock).until_connected()
    mosquitto.freeze()
    bus.publish("zone/north-lawn/state", {"state": "open"}, retained=True)
    bus.close()
    network_threads = [each for each in threading.enumerate() if each.name.startswith("paho")]
    assert not network_threads
