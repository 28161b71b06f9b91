"""The broker is killed every few seconds while the site is watered by hand, by the socket and by messages."""

from __future__ import annotations

import json
import random
import threading
from dataclasses import dataclass
from datetime import timedelta

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from dewpond.adapters.mqtt.topics import Topics
from dewpond.adapters.system_clock import SystemClock
from dewpond_sim.proofs import judge
from dewpond_sim.proofs.place import ZONES, Mosquitto
from dewpond_sim.proofs.real import RealPlace, chance_of
from dewpond_sim.proofs.results import Result

PROOF = "broker killed"
UP_S, DOWN_S = (2.0, 8.0), (0.1, 3.0)
SLUG = "quillbrook-yard"
LATE_S = 45.0  # a command may wait for the link to come back
DEADLINE_S = 30.0


class Killer(threading.Thread):
    """Kills and restarts a broker until told to stop."""

    def __init__(self, broker: Mosquitto, chance: random.Random) -> None:
        super().__init__(name="broker killer", daemon=True)
        self.kills = 0
        self._broker = broker
        self._chance = chance
        self._over = threading.Event()

    def run(self) -> None:
        while not self._over.wait(self._chance.uniform(*UP_S)):
            self._broker.kill()
            self.kills += 1
            self._over.wait(self._chance.uniform(*DOWN_S))
            self._broker.start()

    def stop(self) -> None:
        """Leave a running broker behind."""
        self._over.set()
        self.join()


class Sender:
    """A client that sends each command at QoS 1 until the broker has taken it, and again after a lost link."""

    def __init__(self, port: int) -> None:
        self._clock = SystemClock()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="somebody", clean_session=False)
        self._client.reconnect_delay_set(1, 1)
        self._client.connect_async("127.0.0.1", port)
        self._client.loop_start()

    def water(self, number: int, zone: str, seconds: float) -> None:
        """One command with an id and a deadline, sent twice, as a nervous client does."""
        deadline = self._clock.now().wall + timedelta(seconds=DEADLINE_S)
        body = {"id": f"w{number}", "deadline": deadline.isoformat(), "action": "water", "zone": zone}
        payload = json.dumps({**body, "minutes": seconds / 60.0})
        for _ in range(2):
            self._client.publish(Topics(SLUG).command, payload, qos=1)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@dataclass(frozen=True, slots=True)
class Asked:
    """One watering: by message or at the socket, and what came of it."""

    by_message: bool
    case: judge.Case


def trial(place: RealPlace, seed: int, for_s: float) -> Result:
    """Water and kill for ``for_s`` seconds, then judge every watering by itself."""
    chance = chance_of(PROOF, "mosquitto", seed)
    killer = Killer(place.broker, chance_of(PROOF, "killer", seed))
    sender = Sender(place.broker.port)
    begun_s = place.now_s
    killer.start()
    asked: list[Asked] = []
    try:
        while place.now_s < begun_s + for_s:
            asked.append(_one(place, sender, chance, len(asked)))
    finally:
        killer.stop()
        sender.close()
    place.pause(DEADLINE_S)  # the link comes back; nothing may be repeated then
    wrong = [text for item in asked for text in judge.verdicts(item.case)]
    late = place.zones_seen(place.now_s - DEADLINE_S)
    wrong += ["repeated: a valve opened with nobody asking"] if late else []
    status = place.answer("status") or {}
    body = status.get("body")
    link = body.get("broker") if isinstance(body, dict) else None
    wrong += [] if link == "connected" else [f"the link to the broker did not come back: {link}"]
    by_message = [item for item in asked if item.by_message]
    figures = {
        "minutes": round((place.now_s - begun_s) / 60.0, 1),
        "waterings": len(asked),
        "by_message": len(by_message),
        "messages_obeyed": sum(item.case.given_s > 0.0 for item in by_message),
        "longest_over_plan_s": round(max(item.case.given_s - item.case.asked_s for item in asked), 1),
    }
    return Result(proof=PROOF, kind="mosquitto", seed=seed, wrong=wrong, count=killer.kills, figures=figures)


def _one(place: RealPlace, sender: Sender, chance: random.Random, number: int) -> Asked:
    seconds, zone = float(chance.randrange(25, 90)), chance.choice(sorted(ZONES))
    since_s = place.now_s
    by_message = number % 3 == 2
    if by_message:
        sender.water(number, zone, seconds)
        promised = None
    else:
        promised = place.ask("water", zone=zone, seconds=seconds)
    place.pause(seconds + (LATE_S if by_message else 0.0) + 10.0)
    return Asked(by_message, place.case(seconds, promised, since_s))
