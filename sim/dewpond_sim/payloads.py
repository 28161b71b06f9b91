"""Readings of the simulated world as the messages its devices would send: the site file's mappings, read backwards."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from dewpond.model.site import Sensor
from dewpond_sim.world.sensors import Readings

# What one canonical unit is worth in a device's unit. NIST Special Publication 811 (2008), appendix B; the pound-force
# per square inch to the digits needed for a reading.
PER_CANONICAL = {
    "L": 1.0,
    "m3": 0.001,
    "gal": 1.0 / 3.785411784,
    "mm": 1.0,
    "in": 1.0 / 25.4,
    "m3/m3": 1.0,
    "%vol": 100.0,
    "%": 1.0,
    "degC": 1.0,
    "m/s": 1.0,
    "km/h": 3.6,
    "W/m2": 1.0,
    "kPa": 1.0,
    "bar": 0.01,
    "psi": 1.0 / 6.894757,
    "L/min": 1.0,
    "m3/h": 0.06,
    "gpm": 1.0 / 3.785411784,
}
_DECODERS = ("json", "text")
_TIME_FORMATS = ("iso", "unix_s", "unix_ms")


class MappingUnknown(ValueError):
    """Raised when a sensor's mapping asks for a message that the simulated site cannot write."""


@dataclass(frozen=True, slots=True)
class Message:
    """One message: the instant it was measured, in seconds since 1970-01-01 UTC, its topic and its text."""

    time_s: float
    topic: str
    payload: str


class Voice:
    """One sensor's way to say a reading; a counter remembers its total."""

    def __init__(self, sensor: Sensor) -> None:
        mapping = sensor.mapping
        self.topic = sensor.topic
        self.decode = mapping.get("decode") or ("json" if mapping.get("pointer") is not None else "text")
        self.pointer = str(mapping.get("pointer") or "")
        self.time: Mapping[str, Any] = mapping.get("time") or {}
        self._counts = mapping.get("accumulation") == "cumulative"
        self._scale = float(mapping.get("scale") or 1.0)
        self._offset = 0.0 if mapping.get("accumulation") else float(mapping.get("offset") or 0.0)
        unit = mapping.get("unit_in")
        self._per_canonical = 1.0 if unit is None else PER_CANONICAL.get(unit, 0.0)
        self._total = 0.0
        self._refuse_what_cannot_be_said(sensor, unit)

    def raw(self, value: float) -> float:
        """The number on the wire for a value in the canonical unit (an increment, for a counter)."""
        if self._counts:
            self._total += value
            value = self._total
        number = (value * self._per_canonical - self._offset) / self._scale
        whole = round(number)
        return whole if abs(number - whole) < 1e-6 else float(f"{number:.9g}")

    def _refuse_what_cannot_be_said(self, sensor: Sensor, unit: str | None) -> None:
        problem = ""
        if self.decode not in _DECODERS:
            problem = f'decode "{self.decode}"; it writes {", ".join(_DECODERS)}'
        elif not self._per_canonical:
            problem = f'unit_in "{unit}"; it writes {", ".join(PER_CANONICAL)}'
        elif self.time and self.time.get("format", "iso") not in _TIME_FORMATS:
            problem = f'time format "{self.time.get("format")}"; it writes {", ".join(_TIME_FORMATS)}'
        elif "+" in self.topic or "#" in self.topic:
            problem = f'topic "{self.topic}" with a wildcard; name one topic'
        if problem:
            raise MappingUnknown(f'[[sensor]] "{sensor.id}": the simulated site cannot write {problem}.')


class Post:
    """Turns readings into messages; sensors that share a topic share its message."""

    def __init__(self, sensors: Iterable[Sensor]) -> None:
        self._voices = {sensor.id: Voice(sensor) for sensor in sensors if sensor.kind not in ("switch", "other")}

    def messages(self, readings: Sequence[Readings]) -> list[Message]:
        """Every reading as (part of) a message, in the order of time. Readings of no [[sensor]] are not sent."""
        documents: dict[tuple[float, str], Any] = {}
        for reading in readings:
            voice = self._voices.get(reading.sensor)
            if voice is None:
                continue
            for time_s, value in zip(reading.time_s.tolist(), reading.value.tolist(), strict=True):
                key = (time_s, voice.topic)
                documents[key] = _told(documents.get(key), voice, time_s, value)
        return [
            Message(time_s, topic, document if isinstance(document, str) else json.dumps(document))
            for (time_s, topic), document in sorted(documents.items(), key=lambda item: item[0])
        ]


def _told(document: Any, voice: Voice, time_s: float, value: float) -> Any:
    number = voice.raw(value)
    if voice.decode == "text":
        return str(number)
    document = document if isinstance(document, dict) else {}
    if not voice.pointer:
        return number
    put(document, voice.pointer, number)
    if voice.time.get("pointer"):
        put(document, voice.time["pointer"], _stamp(time_s, voice.time.get("format", "iso")))
    return document


def _stamp(time_s: float, form: str) -> str | float:
    if form == "unix_s":
        return round(time_s)
    if form == "unix_ms":
        return round(time_s * 1000.0)
    return datetime.fromtimestamp(time_s, UTC).isoformat().replace("+00:00", "Z")


def put(document: dict[str, Any], pointer: str, value: Any) -> None:
    """Write ``value`` at a JSON pointer (RFC 6901) through objects, making them on the way."""
    *path, last = [token.replace("~1", "/").replace("~0", "~") for token in pointer.split("/")[1:]]
    for token in path:
        document = document.setdefault(token, {})
    document[last] = value
