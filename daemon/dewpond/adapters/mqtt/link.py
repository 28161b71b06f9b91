"""The connection to the broker. Its callbacks run on the network's thread and only queue; nothing here decides."""

from __future__ import annotations

import socket
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from dewpond.adapters.mqtt.topics import OFFLINE, ONLINE
from dewpond.settings.addresses import BrokerAddress

KEEPALIVE_S = 30  # a dead link is noticed within two of these
FIRST_RETRY_S, LONGEST_RETRY_S = 1, 10  # a restarted broker is found within 15 s
MAX_PACKET_BYTES = 65_536  # told to a broker that speaks MQTT 5: it does not send more
STATES_IN_FLIGHT = 1000
FAREWELL_S = 2.0
STOP_S = 6.0  # one try to connect may take 5 s
CHANGES_KEPT = 64
VERSIONS = {"3.1.1": mqtt.MQTTv311, "5": mqtt.MQTTv5}


@dataclass(frozen=True, slots=True)
class LinkChange:
    """The link came up or went down, or the broker refused a subscription (``fault``)."""

    at: datetime
    connected: bool
    why: str
    fault: bool = False


class Link:
    """One client of one broker, with a will. Retries for ever; ``start`` never waits for the broker.

    Parameters
    ----------
    status_topic : str      Retained ``online`` after subscribing, ``offline`` before a clean stop and as the will.
    filters : tuple of str  Topic filters, subscribed anew at every connection: the broker may have forgotten them.
    on_message : callable   Called on the network's thread with topic, payload, retained.
    on_change : callable    Called on that thread after ``changes`` has got something new.
    wall : callable         The time of a change.
    """

    def __init__(
        self,
        broker: BrokerAddress,
        *,
        client_id: str,
        version: str,
        status_topic: str,
        filters: tuple[str, ...],
        on_message: Callable[[str, bytes, bool], None],
        on_change: Callable[[], None],
        wall: Callable[[], datetime],
    ) -> None:
        self._broker = broker
        self._version = version
        self._status_topic = status_topic
        self._filters = filters
        self._on_message = on_message
        self._on_change = on_change
        self._wall = wall
        self._subscription: int | None = None
        self._told: set[str] = set()
        self.changes: deque[LinkChange] = deque(maxlen=CHANGES_KEPT)
        self.ready = threading.Event()
        self._client = self._make_client(client_id)

    def start(self) -> None:
        """Connect in the background."""
        self._client.connect_async(
            self._broker.host,
            self._broker.port,
            keepalive=KEEPALIVE_S,
            clean_start=True if self._version == "5" else mqtt.MQTT_CLEAN_START_FIRST_ONLY,
            properties=self._connect_properties(),
        )
        self._client.loop_start()

    def stop(self) -> None:
        """Say goodbye and end the network's thread; at most a few seconds, whatever the broker does."""
        if self.ready.is_set():
            farewell = self._client.publish(self._status_topic, OFFLINE, qos=1, retain=True)
            if farewell.rc == mqtt.MQTT_ERR_SUCCESS:
                farewell.wait_for_publish(FAREWELL_S)
        self._client.disconnect()
        ending = threading.Thread(target=self._client.loop_stop, name="mqtt-stop", daemon=True)
        ending.start()
        ending.join(STOP_S)

    def publish(self, topic: str, payload: bytes, *, retained: bool) -> bool:
        """Hand over one message at QoS 1. False when the link is down or too much is in flight."""
        if not self.ready.is_set():
            return False
        return self._client.publish(topic, payload, qos=1, retain=retained).rc == mqtt.MQTT_ERR_SUCCESS

    def _make_client(self, client_id: str) -> mqtt.Client:
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=client_id,
            clean_session=None if self._version == "5" else True,
            protocol=VERSIONS[self._version],
        )
        client.max_queued_messages_set(STATES_IN_FLIGHT)
        client.reconnect_delay_set(FIRST_RETRY_S, LONGEST_RETRY_S)
        client.will_set(self._status_topic, OFFLINE, qos=1, retain=True)
        if self._broker.username is not None:
            client.username_pw_set(self._broker.username, self._broker.password)
        if self._broker.tls:
            client.tls_set()
        client.on_socket_open = _send_at_once
        client.on_connect = self._connected
        client.on_connect_fail = self._not_reached
        client.on_disconnect = self._disconnected
        client.on_subscribe = self._subscribed
        client.on_message = self._received
        return client

    def _connect_properties(self) -> Properties | None:
        if self._version != "5":
            return None
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.MaximumPacketSize = MAX_PACKET_BYTES
        return properties

    def _connected(self, client: mqtt.Client, _data: Any, _flags: Any, reason: ReasonCode, _properties: Any) -> None:
        if reason.is_failure:
            self._change(False, f"the broker at {self._place} refuses: {reason}")
        elif self._filters:
            _, self._subscription = client.subscribe([(each, 1) for each in self._filters])
        else:
            self._announce()

    def _subscribed(
        self, _client: mqtt.Client, _data: Any, number: int, reasons: list[ReasonCode], _properties: Any
    ) -> None:
        if number != self._subscription:
            return
        for topic, reason in zip(self._filters, reasons, strict=False):
            if reason.is_failure:
                text = f'the broker refuses to deliver topic "{topic}"; give the user of this service leave to read it'
                self.changes.append(LinkChange(self._wall(), True, text, fault=True))
        self._announce()

    def _announce(self) -> None:
        """Birth, once everything is subscribed."""
        self._client.publish(self._status_topic, ONLINE, qos=1, retain=True)
        self.ready.set()
        self._change(True, "")

    def _disconnected(
        self, _client: mqtt.Client, _data: Any, _flags: Any, reason: ReasonCode, _properties: Any
    ) -> None:
        self.ready.clear()
        self._change(False, f"the link to the broker at {self._place} ended: {reason}")

    def _not_reached(self, _client: mqtt.Client, _data: Any) -> None:
        self._change(False, f"no broker answers at {self._place}")

    def _received(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "(a topic that is not UTF-8)"
        self._on_message(topic, bytes(message.payload), message.retain)

    def _change(self, connected: bool, why: str) -> None:
        """Tell of a change once, and of each reason once, however often a broker that is away is tried."""
        if connected:
            self._told.clear()
        elif why in self._told:
            return
        self._told.add(why)
        self.changes.append(LinkChange(self._wall(), connected, why))
        self._on_change()

    @property
    def _place(self) -> str:
        return f"{self._broker.host}:{self._broker.port}"


def _send_at_once(_client: mqtt.Client, _data: Any, link: Any) -> None:
    """Small messages must not wait for the next one (Nagle)."""
    if isinstance(link, socket.socket):
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
