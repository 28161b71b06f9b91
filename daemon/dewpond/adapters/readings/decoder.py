"""The decoder: one message in, readings out, for any topic and any bytes."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime

from paho.mqtt.matcher import MQTTMatcher

from dewpond.adapters.readings import counters
from dewpond.adapters.readings.counters import FUTURE, Counted, Memory
from dewpond.adapters.readings.mapping import MISSING_ERROR, MISSING_SKIP, Availability, SensorMapping
from dewpond.adapters.readings.numbers import to_number, to_word
from dewpond.adapters.readings.payloads import Found, Message, Unreadable, find, parse_json
from dewpond.adapters.readings.pointer import ABSENT, resolve
from dewpond.adapters.readings.times import Stamp, read_stamp
from dewpond.adapters.readings.units import Conversion, conversion

MAX_PAYLOAD_BYTES = 4096
EXCERPT_CHARS = 40
TOPICS_REMEMBERED = 4096


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One sensor's value out of one message.

    ``value`` is in ``unit`` (the canonical one), None where nothing is known. ``quality`` is good, stale, unknown_age,
    baseline, rollover, reset, duplicate, late or rejected; ``reason`` says why it was rejected. An amount covers the
    ``window_s`` seconds before ``time`` (0 where that is not known). ``excerpt`` is the raw value, never the message.
    """

    sensor: str
    value: float | bool | None
    unit: str
    time: datetime
    quality: str
    reason: str | None = None
    window_s: float | None = None
    excerpt: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DecoderState:
    """What one message leaves for the next: counters by sensor and topic, and which sensors' devices are there."""

    counters: Mapping[str, Memory] = field(default_factory=dict)
    available: Mapping[str, bool] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Arrival:
    """How a message came."""

    topic: str
    message: Message
    received_at: datetime
    retained: bool


class _Rejected(Exception):
    """Raised inside this module when a value cannot be used; ``reason`` is the word of the reading."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


class Decoder:
    """Readings of the messages that concern ``mappings``. Keeps nothing but a cache of which topic is whose."""

    def __init__(self, mappings: Iterable[SensorMapping]) -> None:
        self.mappings = tuple(mappings)
        self._values = _Concerned((each.topic, each) for each in self.mappings)
        self._presence = _Concerned((each.availability.topic, each) for each in self.mappings if each.availability)

    @property
    def topics(self) -> tuple[str, ...]:
        """The topic filters to listen to, each once."""
        return tuple(dict.fromkeys((*self._values.topics, *self._presence.topics)))

    def decode(
        self, topic: str, payload: bytes, *, received_at: datetime, retained: bool, state: DecoderState
    ) -> tuple[list[Reading], DecoderState]:
        """The readings of one message, in the order of the mappings, and the state after it. Raises for no payload.

        ``received_at`` is aware and UTC; ``retained`` is the flag as delivered: the broker kept it for a newcomer.
        """
        arrival = _Arrival(topic, Message(payload), received_at, retained)
        readings: list[Reading] = []
        for mapping in self._values.by(topic):
            found, state = _decode_one(mapping, arrival, state)
            readings += found
        for mapping in self._presence.by(topic):
            state = _hear_presence(mapping, arrival.message, state)
        return readings, state


class _Concerned:
    """Which mappings listen to a topic, in their own order."""

    def __init__(self, pairs: Iterable[tuple[str, SensorMapping]]) -> None:
        self._pairs = tuple(pairs)
        self._filters = MQTTMatcher()  # type: ignore[no-untyped-call]
        self._known: dict[str, tuple[SensorMapping, ...]] = {}
        for topic in self.topics:
            self._filters[topic] = topic

    @property
    def topics(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(topic for topic, _ in self._pairs))

    def by(self, topic: str) -> tuple[SensorMapping, ...]:
        known = self._known.get(topic)
        if known is None:
            if len(self._known) >= TOPICS_REMEMBERED:
                self._known.clear()
            matching = set(self._filters.iter_match(topic))  # type: ignore[no-untyped-call]
            known = self._known[topic] = tuple(mapping for each, mapping in self._pairs if each in matching)
        return known


def _decode_one(mapping: SensorMapping, arrival: _Arrival, state: DecoderState) -> tuple[list[Reading], DecoderState]:
    """One sensor's readings: several where a pack holds several records of it."""
    size = len(arrival.message.payload)
    if size > MAX_PAYLOAD_BYTES:
        return [_rejected(mapping, "too_big", arrival.received_at, f"{size} bytes")], state
    try:
        everything = find(mapping, arrival.message)
    except Unreadable as fault:
        return [_rejected(mapping, fault.reason, arrival.received_at, f"{size} bytes")], state
    readings = []
    for found in everything:
        reading, state = _read(mapping, found, arrival, state)
        if reading is not None:
            readings.append(reading)
    return readings, state


def _read(
    mapping: SensorMapping, found: Found, arrival: _Arrival, state: DecoderState
) -> tuple[Reading | None, DecoderState]:
    """One found value as a reading; None where a missing field is skipped."""
    if found.raw is ABSENT and mapping.missing == MISSING_SKIP:
        return None, state
    if found.raw is ABSENT and mapping.missing != MISSING_ERROR:
        found = replace(found, raw=mapping.missing)
    stamp = read_stamp(mapping.time, found.time, arrival.received_at)
    try:
        raw = _raw_value(mapping, found.raw)
        stamp = _believed(stamp, arrival.received_at)
        meaning = _conversion(mapping, found.unit)
        if mapping.counted:
            return _count(mapping, raw, meaning, stamp, arrival, state)
        value = raw if isinstance(raw, bool) else _checked(mapping, meaning.value(raw * mapping.scale + mapping.offset))
        return _level(mapping, value, stamp, arrival), state
    except _Rejected as fault:
        at = stamp.at if stamp is not None else arrival.received_at
        return _rejected(mapping, fault.reason, at, found.raw), state


def _raw_value(mapping: SensorMapping, raw: object) -> float | bool:
    """The raw number or state. Raises _Rejected."""
    if raw is ABSENT or raw is None:
        raise _Rejected("missing" if raw is ABSENT else "null")
    if mapping.truth is not None:
        meaning = mapping.truth.get(to_word(raw) or "")
        if meaning is None:
            raise _Rejected("unknown_state")
        return meaning
    number = to_number(raw, mapping.decimal)
    if math.isnan(number):
        raise _Rejected("not_numeric")
    if number in mapping.sentinels:
        raise _Rejected("sentinel")
    return number


def _believed(stamp: Stamp | None, received_at: datetime) -> Stamp:
    """The time, if there is one and it has come. Raises _Rejected: a time ahead would make all that follows late."""
    if stamp is None:
        raise _Rejected("bad_time")
    if stamp.at > received_at + FUTURE:
        raise _Rejected("future_time")
    return stamp


def _conversion(mapping: SensorMapping, unit: object) -> Conversion:
    """The mapping's own, unless the message names another unit of the same quantity. Raises _Rejected."""
    if unit is ABSENT or unit is None:
        return mapping.conversion
    found = conversion(unit, frozenset({mapping.unit})) if isinstance(unit, str) else None
    if found is None or found.unit != mapping.unit:
        raise _Rejected("unknown_unit")
    return found


def _checked(mapping: SensorMapping, value: float) -> float:
    """The value, if it lies within the limits. Raises _Rejected; an overflow is out of every range."""
    low = -math.inf if mapping.low is None else mapping.low
    high = math.inf if mapping.high is None else mapping.high
    if not math.isfinite(value) or not low <= value <= high:
        raise _Rejected("out_of_range")
    return value


def _level(mapping: SensorMapping, value: float | bool, stamp: Stamp, arrival: _Arrival) -> Reading:
    """A gauge or state: how fresh it is depends on the message's own time, never on when it arrived."""
    age_s = (arrival.received_at - stamp.at).total_seconds()
    quality = "good"
    if arrival.retained and not stamp.own:
        quality = "unknown_age"
    elif mapping.max_age_s is not None and age_s > mapping.max_age_s:
        quality = "stale"
    return Reading(sensor=mapping.sensor, value=value, unit=mapping.unit, time=stamp.at, quality=quality)


def _count(
    mapping: SensorMapping, raw: float, meaning: Conversion, stamp: Stamp, arrival: _Arrival, state: DecoderState
) -> tuple[Reading, DecoderState]:
    """The amount since the sample before. An impossible one leaves the counter as it was."""
    key = f"{mapping.sensor} {arrival.topic}"
    before = state.counters.get(key)
    counted = _advance(mapping, before, raw, stamp, arrival)
    value = None if counted.amount is None else meaning.increment(counted.amount)
    try:
        reading = Reading(
            sensor=mapping.sensor,
            value=None if value is None else _checked(mapping, value),
            unit=mapping.unit,
            time=stamp.at,
            quality=counted.quality,
            window_s=counted.window_s,
        )
    except _Rejected as fault:
        if mapping.accumulation == "cumulative" and before is not None:
            state = _remember(state, key, counters.refuse_step(before, raw, stamp))
        return _rejected(mapping, fault.reason, stamp.at, raw), state
    return reading, _remember(state, key, counted.memory)


def _advance(mapping: SensorMapping, before: Memory | None, raw: float, stamp: Stamp, arrival: _Arrival) -> Counted:
    if mapping.accumulation == "cumulative":
        return counters.advance(
            before,
            raw,
            stamp,
            arrival.received_at,
            scale=mapping.scale,
            rollover=mapping.rollover,
            max_step=mapping.max_step,
        )
    if arrival.retained:  # kept by the broker for newcomers: it was counted when it was new
        return Counted(None, "stale" if stamp.own else "unknown_age", 0.0, before or Memory())
    return counters.admit(before, raw, stamp, scale=mapping.scale)


def _remember(state: DecoderState, key: str, memory: Memory) -> DecoderState:
    return replace(state, counters={**state.counters, key: memory})


def _rejected(mapping: SensorMapping, reason: str, at: datetime, raw: object) -> Reading:
    return Reading(
        sensor=mapping.sensor,
        value=None,
        unit=mapping.unit,
        time=at,
        quality="rejected",
        reason=reason,
        excerpt=_excerpt(raw),
    )


def _excerpt(raw: object) -> str:
    """The value for the record. A whole object or list may hold anything, a password too, and is only named."""
    if raw is ABSENT:
        return ""
    return f"a {type(raw).__name__}" if isinstance(raw, dict | list) else ascii(raw)[:EXCERPT_CHARS]


def _hear_presence(mapping: SensorMapping, message: Message, state: DecoderState) -> DecoderState:
    """Note what a device says of itself; a word that is on neither list changes nothing."""
    rule = mapping.availability
    word = None if rule is None else _presence_word(rule, message)
    if rule is None or word not in rule.online | rule.offline:
        return state
    return replace(state, available={**state.available, mapping.sensor: word in rule.online})


def _presence_word(rule: Availability, message: Message) -> str | None:
    if len(message.payload) > MAX_PAYLOAD_BYTES:
        return None
    if rule.pointer is None:
        return to_word(message.text)
    try:
        return to_word(resolve(parse_json(message.payload), rule.pointer))
    except Unreadable:
        return None
