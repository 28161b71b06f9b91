"""The broker that the demonstration brings along."""

from __future__ import annotations

import socket
import threading

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from dewpond_sim.embedded_broker import BrokerFailed, EmbeddedBroker


def exchange(port: int) -> bytes:
    """Publish a retained message and return what a newcomer is given."""
    heard = threading.Event()
    payloads: list[bytes] = []

    def keep(_client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        payloads.append(bytes(message.payload))
        heard.set()

    sender = mqtt.Client(CallbackAPIVersion.VERSION2)
    sender.connect("127.0.0.1", port)
    sender.loop_start()
    sender.publish("withy/gate", b"shut", qos=1, retain=True).wait_for_publish(10)
    newcomer = mqtt.Client(CallbackAPIVersion.VERSION2)
    newcomer.on_message = keep
    newcomer.connect("127.0.0.1", port)
    newcomer.loop_start()
    newcomer.subscribe("withy/#", 1)
    assert heard.wait(10)
    for client in (sender, newcomer):
        client.disconnect()
        client.loop_stop()
    return payloads[0]


def test_serves_a_free_port_and_ends_cleanly_twice_in_one_process() -> None:
    threads = threading.active_count()
    for _ in range(2):
        with EmbeddedBroker() as broker:
            assert exchange(broker.port) == b"shut"
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection(("127.0.0.1", broker.port), timeout=5)
    assert threading.active_count() == threads


def test_ends_cleanly_with_clients_still_connected() -> None:
    with EmbeddedBroker() as broker:
        client = mqtt.Client(CallbackAPIVersion.VERSION2, reconnect_on_failure=False)
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        client.publish("withy/gate", b"open", qos=1).wait_for_publish(10)
    client.loop_stop()


def test_taken_port_is_refused_with_its_number() -> None:
    with EmbeddedBroker() as first, pytest.raises(BrokerFailed, match=str(first.port)), EmbeddedBroker(first.port):
        pass
