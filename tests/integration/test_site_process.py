"""The simulated site on a real broker: it obeys the relay log, and no time passes while a message is under way."""

from __future__ import annotations

import itertools
import json
import math
import queue
import threading
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from dewpond.adapters.paced_clock import PacedClock
from dewpond.model.site import Site
from dewpond.settings.site_file import require_site
from dewpond_drivers import paced_clock as keeper_side
from dewpond_sim import demo_place
from dewpond_sim.conductor_server import ConductorServer
from dewpond_sim.embedded_broker import EmbeddedBroker
from dewpond_sim.site_process import SimulatedSite

_ticks = itertools.count()
OPEN_S, CLOSED_S, END_S = 1200.0, 1800.0, 3601.0


def real_s() -> float:
    return float(next(_ticks)) / 100.0


class SmallDaemon:
    """Reads every message of the site, and plays the keeper by writing the relay log itself."""

    def __init__(self, site: Site, port: int, address: str, relay_log: Path) -> None:
        self.heard: list[tuple[float, str, dict[str, Any]]] = []
        self._inbox: queue.SimpleQueue[mqtt.MQTTMessage] = queue.SimpleQueue()
        self._relay_log = relay_log
        self._processed = 0
        self.clock = PacedClock(address)
        self.clock.count(processed=lambda: self._processed)
        self._keeper = keeper_side.PacedClock(address)
        self._keeper.select_timeout(math.inf)
        self._up = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="small-daemon")
        self._client.on_message = self._arrived
        self._client.on_subscribe = lambda *_: self._up.set()
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._client.subscribe([(topic, 0) for topic in sorted({sensor.topic for sensor in site.sensors})])
        assert self._up.wait(5.0)
        self._client.publish(f"dewpond/{site.slug}/status", "online", qos=1, retain=True).wait_for_publish(5.0)

    def run_until(self, end_s: float) -> None:
        while self.clock.now().elapsed_s < end_s:
            while not self._inbox.empty():
                message = self._inbox.get()
                self.heard.append((self.clock.now().elapsed_s, message.topic, json.loads(message.payload)))
                self._processed += 1
            self.clock.wait(end_s)

    def switch(self, *lines: str) -> None:
        with self._relay_log.open("a") as log:
            log.writelines(f"{self._keeper.now_s():.6f} {line}\n" for line in lines)
        self._keeper.acted()
        self._keeper.select_timeout(math.inf)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()
        self.clock.close()
        self._keeper.close()

    def _arrived(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        self._inbox.put(message)
        self.clock.wake()


def test_the_site_obeys_the_relay_log_and_every_message_arrives_at_the_instant_it_speaks_of(tmp_path: Path):
    site = require_site(demo_place.site_file())
    start = datetime(2027, 7, 9, 0, 0, tzinfo=UTC)
    world = demo_place.world_of(site, start)
    zone, master = site.zones[0], site.supplies[0].master_output
    log = tmp_path / "relays.log"
    with EmbeddedBroker() as broker:
        with ConductorServer(
            tmp_path / "c", start=start, expected=["daemon", "keeper", "site"], real_s=real_s
        ) as server:
            simulated = SimulatedSite(world, log, broker.port, server.address, start)
            simulated.start()
            daemon = SmallDaemon(site, broker.port, server.address, log)
            daemon.run_until(OPEN_S)
            daemon.switch(f"{master} on", f"{zone.output} on")
            daemon.run_until(CLOSED_S)
            daemon.switch(f"{zone.output} off", f"{master} off")
            daemon.run_until(END_S)
            daemon.close()
        simulated.join(5.0)
        assert not simulated.is_alive()
        assert simulated.failure is None
    for at_s, _topic, body in daemon.heard:
        assert datetime.fromisoformat(body["time"]).timestamp() == start.timestamp() + at_s
    meter = [(at_s, body) for at_s, topic, body in daemon.heard if topic == "withy/supply/main"]
    assert meter[0][1]["litres"] == 0
    given_l = world.litres[0] + 3.0  # the lateral filled first
    assert abs(meter[-1][1]["litres"] - given_l) <= 1.0
    assert 0.9 * zone.flow_l_min * 10.0 < given_l < 1.1 * zone.flow_l_min * 10.0
    open_rows = [at_s for at_s, _ in meter if OPEN_S < at_s <= CLOSED_S]
    assert open_rows == [OPEN_S + 30.0 * k for k in range(1, 21)]
    assert len([topic for _, topic, _ in daemon.heard if topic == "withy/weather"]) == 4
