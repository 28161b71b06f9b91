"""The simulated site as a participant of a demonstration: relay log in, physics, real MQTT messages out.

It learns what the relays do from their log alone and never speaks with the daemon but through the broker, as devices
do.
"""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from dewpond.adapters.mqtt.topics import ONLINE, Topics
from dewpond.adapters.paced_clock import ClockLost, PacedClock
from dewpond_sim.payloads import Message, Post
from dewpond_sim.relay_log import RelayLog
from dewpond_sim.world.sensors import Readings
from dewpond_sim.world.world import World

CONNECT_S = 10.0
KEEPALIVE_S = 60


class BrokerUnreachable(ConnectionError):
    """Raised when the simulated site cannot reach the broker."""


class Radio:
    """The devices' link to the broker. Messages sent while nobody listens at the other end are lost, as on a real site.

    ``listening`` is set from the daemon's retained status on ``status_topic``; ``on_listening`` is called when it
    first is.
    """

    def __init__(self, port: int, status_topic: str, on_listening: Callable[[], None]) -> None:
        self.sent = 0
        self.listening = False
        self._status_topic = status_topic
        self._on_listening = on_listening
        self._up = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="simulated-site")
        self._client.on_socket_open = _send_at_once
        self._client.on_connect = self._connected
        self._client.on_message = self._heard
        self._port = port

    def open(self) -> None:
        """Connect. Raises BrokerUnreachable."""
        try:
            self._client.connect("127.0.0.1", self._port, KEEPALIVE_S)
        except OSError as error:
            raise BrokerUnreachable(f"no broker at 127.0.0.1:{self._port}: {error}") from error
        self._client.loop_start()
        if not self._up.wait(CONNECT_S):
            raise BrokerUnreachable(f"the broker at 127.0.0.1:{self._port} did not answer within {CONNECT_S:g} s")

    def send(self, message: Message) -> None:
        """Hand a message to the broker; counted only when the daemon will see it."""
        if self.listening:
            told = self._client.publish(message.topic, message.payload, qos=0)
            self.sent += told.rc == mqtt.MQTT_ERR_SUCCESS

    def close(self) -> None:
        """Say goodbye."""
        self._client.disconnect()
        self._client.loop_stop()

    def _connected(self, client: mqtt.Client, *_: Any) -> None:
        client.subscribe(self._status_topic)
        self._up.set()

    def _heard(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        self.listening = message.payload == ONLINE
        if self.listening:
            self._on_listening()


def _send_at_once(_client: mqtt.Client, _data: Any, link: Any) -> None:
    """Small messages must not wait for one another (Nagle)."""
    if isinstance(link, socket.socket):
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


class SimulatedSite(threading.Thread):
    """Runs ``world`` on the shared time until the conductor ends. ``failure`` says why it ended otherwise.

    Parameters
    ----------
    world : World          At ``start``.
    relay_log : Path       Where the simulated driver writes.
    broker_port : int      On this machine.
    clock_address : str    The conductor's.
    start : datetime       Wall time at 0 s of the shared time.
    """

    def __init__(self, world: World, relay_log: Path, broker_port: int, clock_address: str, start: datetime) -> None:
        super().__init__(name="simulated-site", daemon=True)
        self.world = world
        self.failure: Exception | None = None
        self._log = RelayLog(relay_log)
        self._post = Post(world.site.sensors)
        self._start_s = start.timestamp()
        self._clock = PacedClock(clock_address, "site", watches=True)
        self._clock.hold()  # no time passes before the daemon listens: its first readings would be lost
        self._held = True
        self._radio = Radio(broker_port, Topics(world.site.slug).status, self._let_go)
        self._clock.count(sent=lambda: self._radio.sent)

    def run(self) -> None:
        try:
            self._radio.open()
            while True:
                self._turn()
                self._clock.wait(self.world.next_report_s() - self._start_s)
        except ClockLost:  # the conductor has ended: so has the demonstration
            pass
        except Exception as error:  # noqa: BLE001 - handed to whoever started the thread
            self.failure = error
        finally:
            self._radio.close()
            self._clock.close()

    def _turn(self) -> None:
        now_s = self._start_s + self._clock.now().elapsed_s
        readings: list[Readings] = []
        for moved in self._log.news():
            readings += self.world.advance(self._start_s + moved.at_s)
            self.world.switch(moved.output, moved.on)
        readings += self.world.advance(now_s)
        for message in self._post.messages(readings):
            self._radio.send(message)

    def _let_go(self) -> None:
        if self._held:
            self._held = False
            self._clock.unhold()
