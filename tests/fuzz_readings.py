"""A long run of broken and nearly right payloads through the decoder. Not a test: run it by hand after changes.

python tests/fuzz_readings.py [COUNT] [SEED]
"""

from __future__ import annotations

import json
import math
import random
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from dewpond.adapters.readings import Decoder, DecoderState, parse_mapping
from dewpond.model.site import Sensor

EXAMPLES = Path(__file__).parent / "data" / "payloads" / "payload_examples.json"
NOON = datetime(2026, 5, 14, 12, 0, tzinfo=UTC)
NASTY = [
    b"NaN",
    b"1e999",
    b"-0",
    b"null",
    b"true",
    b"{}",
    b"[]",
    b'""',
    b"9" * 400,
    b"\\ud800",
    b"\xff",
    b"\x00",
    b"1e-400",
]


def sensors() -> list[Sensor]:
    """Every mapping of the payload examples, ids made unique."""
    found = []
    for example in json.loads(EXAMPLES.read_text(encoding="utf-8"))["examples"]:
        for entry in example["map"]:
            keys: dict[str, Any] = {key: value for key, value in entry.items() if key not in ("topic", "as", "kind")}
            if "kind" in entry:
                keys["accumulation"] = entry["kind"]
            found.append(Sensor(id=f"{example['id']}.{entry['as']}", kind="other", topic=entry["topic"], mapping=keys))
    return found


def seeds() -> list[tuple[str, bytes]]:
    """Every message of the payload examples."""
    examples = json.loads(EXAMPLES.read_text(encoding="utf-8"))["examples"]
    return [(each["topic"], each["payload"].encode()) for example in examples for each in example["messages"]]


def damage(payload: bytes, chance: random.Random) -> bytes:
    """A payload with a few bytes cut, doubled, changed or replaced by something nasty."""
    body = bytearray(payload)
    for _ in range(chance.randrange(1, 5)):
        place = chance.randrange(len(body) + 1)
        match chance.randrange(5):
            case 0:
                del body[place : place + chance.randrange(1, 8)]
            case 1:
                body[place:place] = chance.choice(NASTY)
            case 2:
                body[place : place + 1] = bytes([chance.randrange(256)])
            case 3:
                body[place:place] = body[: chance.randrange(40)]
            case _:
                body[place:place] = str(chance.choice([10 ** chance.randrange(330), -chance.random(), 1e308])).encode()
    return bytes(body)


def main(count: int, seed: int) -> int:
    """Prints how many readings came of how many payloads; 1 when one of them was unsound."""
    chance = random.Random(seed)  # noqa: S311 - noise, no secret
    decoder = Decoder(parse_mapping(each) for each in sensors())
    messages, state = seeds(), DecoderState()
    qualities: dict[str, int] = {}
    for number in range(count):
        topic, payload = chance.choice(messages)
        payload = chance.randbytes(chance.randrange(120)) if number % 5 == 0 else damage(payload, chance)
        readings, state = decoder.decode(
            topic,
            payload,
            received_at=NOON + timedelta(seconds=number / 10),
            retained=chance.random() < 0.1,
            state=state,
        )
        for reading in readings:
            value = reading.value
            if not (value is None or isinstance(value, bool) or math.isfinite(value)):
                print(f"unsound: {reading} of {payload!r}; again: {sys.argv[0]} {count} {seed}")
                return 1
            word = reading.reason or reading.quality
            qualities[word] = qualities.get(word, 0) + 1
    print(f"{count} payloads, seed {seed}, no exception; {dict(sorted(qualities.items()))}")
    return 0


if __name__ == "__main__":
    numbers = [int(each) for each in sys.argv[1:]]
    sys.exit(main(*(numbers + [100_000, 1][len(numbers) :])))
