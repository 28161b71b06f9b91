"""Relay firmware behind an MQTT broker: a command topic for each output, and a topic on which it tells its state.

Commands are never retained and never left to the client's own queue: after any fault the connection is thrown away,
for an "on" that arrives late is worse than none.
"""

from __future__ import annotations

import os
import socket
import threading
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar
from urllib.parse import urlsplit

from dewpond_drivers.driver import DriverFault, DriverRefused, DriverUnreachable
from dewpond_drivers.faults import reaching, switch_each_off
from dewpond_drivers.resources import url_places
from dewpond_drivers.templates import fill, names_outputs, read_secret, switch_word

KEEPALIVE_S = 10
EXPIRY_S = 10  # with MQTT 5 the broker forgets a command that it could not deliver by then
PORTS = {"mqtt": 1883, "mqtts": 8883}
MOST_PAYLOAD_BYTES = 4096


@dataclass(frozen=True, slots=True, kw_only=True)
class MqttSettings:
    """Topics and payloads may hold ``{output}`` (from 1), ``{index}`` (from 0) and, in ``timed``, ``{seconds}``.

    ``broker`` is mqtt://HOST:PORT or mqtts://HOST:PORT; the environment's DEWPOND_BROKER wins over it. ``state_topic``
    is where the firmware answers each command. ``query_topic`` makes it tell its state at any time. ``online_topic`` is
    where firmware or broker say whether it is there. ``all_off_topic`` is also the keeper's last will: the broker sends
    ``all_off`` there when the keeper dies.
    """

    command_topic: str
    broker: str = ""
    on: str = "ON"
    off: str = "OFF"
    timed: str = ""
    state_topic: str = ""
    state_pointer: str = ""
    state_on: str = "ON"
    state_off: str = "OFF"
    query_topic: str = ""
    query: str = ""
    online_topic: str = ""
    online: str = "online"
    all_off_topic: str = ""
    all_off: str = "OFF"
    protocol: str = "3.1.1"
    username: str = ""
    password_file: Path | None = None
    timeout_s: float = 1.2

    def problems(self, _outputs: int) -> list[str]:
        problems = []
        if not names_outputs(self.command_topic):
            problems.append(
                f'command_topic "{self.command_topic}" must hold {{output}} or {{index}}; else all are the same'
            )
        if self.state_topic and not names_outputs(self.state_topic + self.state_pointer):
            problems.append("state_topic or state_pointer must hold {output} or {index}; else all outputs are the same")
        if self.query_topic and not self.state_topic:
            problems.append("query_topic needs a state_topic; say where the answer comes")
        if self.timed and "{seconds}" not in self.timed:
            problems.append("timed must hold {seconds}; say where the time goes")
        if self.protocol not in ("3.1.1", "5"):
            problems.append(f'protocol "{self.protocol}" must be "3.1.1" or "5"; see the broker\'s manual')
        address = urlsplit(self.address())
        if address.scheme not in PORTS or not address.hostname:
            problems.append(
                f'broker "{self.address()}" must be mqtt://HOST:PORT or mqtts://HOST:PORT; correct the address'
            )
        if address.username or address.password:
            problems.append("broker must not hold a user or password; give username and password_file instead")
        if not 0.05 <= self.timeout_s <= 1.5:
            problems.append(f"timeout_s ({self.timeout_s}) must be 0.05 to 1.5, for the keeper waits 5 s in all")
        return problems

    def address(self) -> str:
        """The broker to use."""
        named = os.environ.get("DEWPOND_BROKER", "")
        return named if named and named != "none" else self.broker

    def resources(self, outputs: int) -> list[str]:
        topics = [fill(self.command_topic, output) for output in range(1, outputs + 1)]
        return [f"mqtt {place} {topic}" for place in url_places(self.address(), PORTS) for topic in topics]


class MqttDriver:
    """One connection. What the firmware says arrives on the client's own thread and is only noted down there."""

    Settings: ClassVar[type[MqttSettings]] = MqttSettings
    holds_when_cut_off: ClassVar[bool | None] = None

    def __init__(self, settings: MqttSettings, outputs: int) -> None:
        self._settings = settings
        self._outputs = range(1, outputs + 1)
        self._client: Any = None
        self._news = threading.Condition()
        self._told: dict[int, bool | None] = dict.fromkeys(self._outputs)
        self._listening = False
        self._online = True
        self.timed_on = bool(settings.timed)

    def connect(self) -> None:
        self._let_go()
        address = urlsplit(self._settings.address())
        with reaching(self._settings.address()):
            client = self._make_client(address.scheme)
            self._told = dict.fromkeys(self._outputs)
            self._listening, self._online = False, not self._settings.online_topic
            client.connect(address.hostname or "", address.port or PORTS[address.scheme], keepalive=KEEPALIVE_S)
            client.socket().setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # else each command waits 40 ms
            self._client = client
            client.loop_start()
        self._await(
            lambda: self._listening and self._online, "the broker does not let the keeper in or the relays are offline"
        )
        self.all_off()

    def set_output(self, output: int, on: bool) -> None:
        self._command(output, self._settings.on if on else self._settings.off, on)

    def open_for(self, output: int, seconds: float) -> None:
        self._command(output, fill(self._settings.timed, output, seconds), True)

    def all_off(self) -> None:
        if self._settings.all_off_topic:
            self._publish(self._settings.all_off_topic, self._settings.all_off)
        switch_each_off(self.set_output, len(self._outputs))

    def read_back(self) -> Mapping[int, bool | None]:
        """What the firmware says when asked; without a query what it last said, as long as it is known to be there."""
        self._reach()
        settings = self._settings
        if settings.query_topic:
            with self._news:
                self._told = dict.fromkeys(self._outputs)
            for topic in dict.fromkeys(fill(settings.query_topic, output) for output in self._outputs):
                self._publish(topic, settings.query)
            self._await(lambda: None not in self._told.values(), "the relays do not tell their state")
        elif not settings.online_topic:
            return dict.fromkeys(self._outputs)
        with self._news:
            return dict(self._told)

    def close(self) -> None:
        if self._client is not None:
            try:
                self.all_off()
            except DriverFault:
                self._let_go()  # nobody is there to be told
        self._let_go()

    def _command(self, output: int, payload: str, on: bool) -> None:
        with self._news:
            self._told[output] = None
        self._publish(fill(self._settings.command_topic, output), fill(payload, output))
        if not self._settings.state_topic:
            return
        with self._news:
            self._news.wait_for(lambda: self._told[output] is on or not self._listening, self._settings.timeout_s)
            told = self._told[output]
        if told is None:
            self._let_go()
            raise DriverUnreachable(f"output {output}: the relays do not answer on their state topic")
        if told is not on:
            raise DriverRefused(f"output {output}: the relays say {'on' if told else 'off'} after being told otherwise")

    def _publish(self, topic: str, payload: str) -> None:
        """Publish at QoS 1 and wait for the broker; a command it has not taken is not left behind in the client."""
        client = self._reach()
        try:
            with reaching(self._settings.address()):
                sent = client.publish(topic, payload, qos=1, retain=False, properties=self._expiry())
                sent.wait_for_publish(self._settings.timeout_s)
                taken = sent.is_published()
        except DriverUnreachable:
            self._let_go()
            raise
        if not taken:
            self._let_go()
            raise DriverUnreachable(f"{self._settings.address()}: the broker did not take the command")

    def _await(self, arrived: Callable[[], bool], trouble: str) -> None:
        with self._news:
            if self._news.wait_for(arrived, self._settings.timeout_s):
                return
        self._let_go()
        raise DriverUnreachable(f"{self._settings.address()}: {trouble}")

    def _reach(self) -> Any:
        if self._client is None or not (self._listening and self._online):
            raise DriverUnreachable(f"{self._settings.address()}: not connected, or the relays are offline")
        return self._client

    def _make_client(self, scheme: str) -> Any:
        from paho.mqtt.client import Client  # noqa: PLC0415 - only this driver needs it
        from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion  # noqa: PLC0415

        settings = self._settings
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"dewpond-relays-{zlib.crc32(settings.command_topic.encode()):08x}",
            protocol=MQTTProtocolVersion.MQTTv5 if settings.protocol == "5" else MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,
        )
        client.connect_timeout = settings.timeout_s
        if scheme == "mqtts":
            client.tls_set()
        if settings.username:
            client.username_pw_set(settings.username, read_secret(settings.password_file))
        if settings.all_off_topic:
            client.will_set(settings.all_off_topic, settings.all_off, qos=1, retain=False)
        client.on_connect, client.on_subscribe = self._on_connect, self._on_subscribe
        client.on_message, client.on_disconnect = self._on_message, self._on_disconnect
        return client

    def _topics(self) -> list[str]:
        templates = [topic for topic in (self._settings.state_topic, self._settings.online_topic) if topic]
        return list(dict.fromkeys(fill(topic, output) for topic in templates for output in self._outputs))

    def _expiry(self) -> Any:
        if self._settings.protocol != "5":
            return None
        from paho.mqtt.packettypes import PacketTypes  # noqa: PLC0415
        from paho.mqtt.properties import Properties  # noqa: PLC0415

        properties: Any = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        properties.MessageExpiryInterval = EXPIRY_S
        return properties

    def _on_connect(self, client: Any, _userdata: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        topics = self._topics()
        if reason.is_failure:
            return
        if topics:
            client.subscribe([(topic, 1) for topic in topics])
        else:
            self._note(listening=True)

    def _on_subscribe(self, _client: Any, _userdata: Any, _mid: Any, reasons: Any, _properties: Any) -> None:
        self._note(listening=not any(reason.is_failure for reason in reasons))

    def _on_disconnect(self, client: Any, _userdata: Any, _flags: Any, _reason: Any, _properties: Any) -> None:
        if client is self._client:
            self._note(listening=False)

    def _note(self, *, listening: bool) -> None:
        with self._news:
            self._listening = listening
            self._news.notify_all()

    def _on_message(self, _client: Any, _userdata: Any, message: Any) -> None:
        """A retained message is old news, except that of being online, which is meant to be kept."""
        body = message.payload[:MOST_PAYLOAD_BYTES].decode("utf-8", "replace")
        settings = self._settings
        with self._news:
            if message.topic == settings.online_topic:
                self._online = body.strip() == settings.online
                self._told = dict.fromkeys(self._outputs)
            elif not message.retain:
                self._hear_state(message.topic, body)
            self._news.notify_all()

    def _hear_state(self, topic: str, body: str) -> None:
        settings = self._settings
        for output in self._outputs:
            if topic == fill(settings.state_topic, output):
                pointer = fill(settings.state_pointer, output)
                said = switch_word(body, pointer, settings.state_on, settings.state_off)
                self._told[output] = said if said is not None else self._told[output]

    def _let_go(self) -> None:
        client, self._client = self._client, None
        self._listening = False
        if client is not None:
            client.disconnect()
            client.loop_stop()
