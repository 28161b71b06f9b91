"""The MQTT side of the runner: ``drain`` gives events, ``publish`` takes states. Everything else is underneath."""

from __future__ import annotations

import hashlib
import socket
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from dewpond.adapters.mqtt.gather import Gatherer
from dewpond.adapters.mqtt.inbox import Arrived, Inbox
from dewpond.adapters.mqtt.link import Link, LinkChange
from dewpond.adapters.mqtt.operator_messages import OperatorMessages, RequestRefused
from dewpond.adapters.mqtt.throttle import Throttle
from dewpond.adapters.mqtt.topics import Topics, state_payload
from dewpond.adapters.readings import Decoder, DecoderState, parse_mapping
from dewpond.model.events import BrokerChanged, Event, FaultSeen, MessageRefused, Now
from dewpond.model.site import Site
from dewpond.ports import Clock
from dewpond.settings.addresses import BrokerAddress

MAX_STATES = 4096


@dataclass(frozen=True, slots=True)
class _State:
    payload: bytes
    retained: bool


class MqttBus:
    """ports.Bus over a broker.

    ``start``, ``close``, ``drain`` and ``publish`` belong to the runner's thread. Arriving messages only wait in a
    bounded inbox and end the clock's ``wait``; ``drain`` decodes them.

    For a paced clock, ``received_count`` counts the messages that arrived and ``processed_count`` those whose events
    ``drain`` has returned: while a message is between the two, and while a sender has sent more than is processed, time
    must stand still. No ``hold`` is needed for that; give the clock ``processed_count`` and the sender's own count.

    Parameters
    ----------
    site : Site               Its sensors are listened to; MappingRefused is raised for one that cannot be.
    broker : BrokerAddress    Where it is. It may be away for as long as it likes: that is one event, no fault. None for
                              a site without one, whose messages come by ``arrived`` alone.
    clock : Clock             Stamps arrivals; is woken by them.
    commands : bool           Whether requests on ``dewpond/SITE/command`` are read at all.
    session : str             Begins every request id, so that ids of two runs of the daemon differ.
    client_id : str           The same at every start of this installation, and nobody else's; made when left out.
    version : str             "3.1.1" or "5".
    """

    def __init__(
        self,
        site: Site,
        broker: BrokerAddress | None,
        clock: Clock,
        *,
        commands: bool = False,
        session: str = "",
        client_id: str = "",
        version: str = "3.1.1",
    ) -> None:
        self.topics = Topics(site.slug)
        mappings = [parse_mapping(sensor) for sensor in site.sensors]
        self._clock = clock
        self._decoder = Decoder(mappings)
        self._decoder_state = DecoderState()
        self._gatherer = Gatherer(mappings)
        self._requests = OperatorMessages(session) if commands else None
        self._refusals = Throttle()
        self._states: dict[str, _State] = {}
        self._owed: dict[str, None] = {}
        filters = (*self._decoder.topics, *([self.topics.command] if commands else []))
        self._inbox = Inbox(expected=(each for each in filters if "+" not in each and "#" not in each))
        self.processed_count = 0
        self._link: Link | NoLink = (
            NoLink()
            if broker is None
            else Link(
                broker,
                client_id=client_id or client_id_of(site),
                version=version,
                status_topic=self.topics.status,
                filters=filters,
                on_message=self._received,
                on_change=clock.wake,
                wall=lambda: clock.now().wall,
            )
        )

    @property
    def received_count(self) -> int:
        """Messages that have arrived since the start, used or not."""
        return self._inbox.received_count

    def start(self) -> None:
        """Connect in the background; returns at once."""
        self._link.start()

    def close(self) -> None:
        """Publish the last states and ``offline``, then end the link."""
        self._pay_what_is_owed()
        self._link.stop()

    def drain(self, now: Now) -> Sequence[Event]:
        """Everything since the last call: changes of the link, readings in one block per sensor, requests, refusals."""
        events = self._link_events()
        messages, turned_away, received = self._inbox.take()
        for refused in turned_away:
            self._refusals.note(refused.reason, refused.topic, refused.reason, count=refused.count)
        for message in messages:
            events += self._take_up(message, now)
        events += self._gatherer.take(now)
        events += [
            MessageRefused(at=now.wall, topic=due.detail[0], reason=_counted(due.detail[1], due.count))
            for due in self._refusals.due(now.elapsed_s)
        ]
        self._pay_what_is_owed()
        self.processed_count = received
        return events

    def publish(self, topic: str, body: Mapping[str, Any], *, retained: bool) -> None:
        """Publish ``body`` below ``dewpond/SITE/``, with ``at`` unless it has one.

        Only the newest of a topic waits for a broker that is away. Retained states are published again when it is back.
        """
        full = self.topics.below(topic)
        if full not in self._states and len(self._states) >= MAX_STATES:
            forgotten = next(iter(self._states))
            del self._states[forgotten]
            self._owed.pop(forgotten, None)
        self._states[full] = _State(state_payload(body, self._clock.now().wall), retained)
        self._owed[full] = None
        self._pay_what_is_owed()

    def arrived(self, topic: str, payload: bytes) -> None:
        """A message that came by another way than the broker. Safe from any thread."""
        self._received(topic, payload, retained=False)

    def _received(self, topic: str, payload: bytes, retained: bool) -> None:
        """On the network's thread."""
        self._inbox.put(topic, payload, retained=retained, at=self._clock.now().wall)
        self._clock.wake()

    def _take_up(self, message: Arrived, now: Now) -> list[Event]:
        if self._requests is not None and message.topic == self.topics.command:
            return self._take_up_request(self._requests, message, now)
        before = self._decoder_state.available
        readings, self._decoder_state = self._decoder.decode(
            message.topic,
            message.payload,
            received_at=message.at,
            retained=message.retained,
            state=self._decoder_state,
        )
        for reading in readings:
            self._gatherer.add(reading, message.at)
        if self._decoder_state.available is not before:
            self._note_who_left(before, self._decoder_state.available)
        return []

    def _note_who_left(self, before: Mapping[str, bool], after: Mapping[str, bool]) -> None:
        for sensor, there in after.items():
            if not there and before.get(sensor) is not False:
                self._gatherer.reject(sensor, "offline", "its device says so")

    def _take_up_request(self, requests: OperatorMessages, message: Arrived, now: Now) -> list[Event]:
        try:
            return [requests.read(message.payload, retained=message.retained, now=now)]
        except RequestRefused as fault:
            self._refusals.note(fault.sort, message.topic, str(fault))
            return []

    def _link_events(self) -> list[Event]:
        events: list[Event] = []
        while self._link.changes:
            change = self._link.changes.popleft()
            if change.fault:
                events.append(FaultSeen(at=change.at, part="broker", text=change.why))
                continue
            if change.connected:
                self._owed = dict.fromkeys(self._states)
            events.append(BrokerChanged(at=change.at, connected=change.connected, why=change.why))
        return events

    def _pay_what_is_owed(self) -> None:
        for topic in list(self._owed):
            state = self._states[topic]
            if not self._link.publish(topic, state.payload, retained=state.retained):
                return
            del self._owed[topic]
            if not state.retained:
                del self._states[topic]


class NoLink:
    """A link to no broker: nobody is told, and nothing is owed."""

    def __init__(self) -> None:
        self.changes: deque[LinkChange] = deque()

    def start(self) -> None:
        """There is nothing to start."""

    def stop(self) -> None:
        """There is nothing to stop."""

    def publish(self, _topic: str, _payload: bytes, *, retained: bool) -> bool:  # noqa: ARG002 - as a link's
        """Nobody listens."""
        return True


class NoBus:
    """ports.Bus for a site without a broker: nothing arrives, and nobody is told."""

    received_count = 0
    processed_count = 0

    def start(self) -> None:
        """There is nothing to start."""

    def close(self) -> None:
        """There is nothing to close."""

    def drain(self, now: Now) -> Sequence[Event]:  # noqa: ARG002 - the port's signature
        """Nothing ever arrives."""
        return ()

    def publish(self, topic: str, body: Mapping[str, Any], *, retained: bool) -> None:
        """Nobody listens."""


def client_id_of(site: Site) -> str:
    """This machine and this site file as a name. MQTT 3.1.1 section 3.1.3.1: at most 23 letters and digits."""
    return "dewpond" + hashlib.sha256(f"{socket.gethostname()}\0{site.path}".encode()).hexdigest()[:12]


def _counted(reason: str, count: int) -> str:
    return reason if count == 1 else f"{reason} ({count} of them)"
