"""One ``[[sensor]]`` table as a checked rule: where its value is in a message and what it means."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from dewpond.adapters.readings import units
from dewpond.adapters.readings.mapping_keys import KeyProblem, Keys
from dewpond.adapters.readings.shown import cut, shown
from dewpond.adapters.readings.times import TimeRule
from dewpond.model.site import Sensor

DECODES = ("text", "json", "json_b64", "senml", "form", "csv", "bytes")
ACCUMULATIONS = ("cumulative", "increment", "rate")
TIME_FORMATS = ("iso", "iso_local", "unix_s", "unix_ms", "pws")
SENML_FIELDS = ("v", "s", "vb", "vs")
COUNTED = ("cumulative", "increment")
MISSING_ERROR, MISSING_SKIP = "error", "skip"
LARGEST_NUMBER_BYTES = 8

# Canonical units a sensor of each kind may have; what the decisions are made with. No entry: any unit.
KIND_UNITS: Mapping[str, tuple[str, ...]] = {
    "rain": ("mm", "mm/h"),
    "soil_moisture": ("m3/m3",),
    "flow": ("L/min", "L"),
    "pressure": ("kPa",),
    "temperature": ("degC",),
    "humidity": ("%",),
    "wind": ("m/s",),
    "solar": ("W/m2",),
    "switch": (units.BOOL,),
}
# Beyond these a number is a mix-up of units or a broken probe; a range of the mapping replaces them. Canonical units.
# Common practice, no source; wider than the extremes of the World Meteorological Organization's archive (from memory).
PLAUSIBLE: Mapping[str, tuple[float, float]] = {
    "soil_moisture": (0.0, 1.0),
    "temperature": (-90.0, 80.0),
    "humidity": (0.0, 110.0),
    "wind": (0.0, 120.0),
    "solar": (-50.0, 2000.0),
    "pressure": (-110.0, 10_000.0),
}
# Keys that mean something with some ways of decoding only.
_BELONGS_TO = {
    "pointer": ("json", "json_b64", "form"),
    "unit_pointer": ("json", "json_b64", "form"),
    "struct": ("json_b64", "bytes"),
    "byte": ("json_b64", "bytes"),
    "name": ("senml",),
    "field": ("senml",),
    "column": ("csv",),
    "decimal": ("text", "json", "form", "csv"),
    "time": ("json", "json_b64", "form", "csv"),
}
_NUMBERS_ONLY = ("scale", "offset", "range", "sentinels", "accumulation")
_TRUTH = {"true": ("true", "on", "1"), "false": ("false", "off", "0")}
_KNOWN = frozenset({
    "id", "kind", "topic", "zone", "decode", "pointer", "unit_in", "unit_pointer", "time", "scale", "offset", "struct",
    "byte", "name", "column", "field", "sentinels", "range", "missing", "truth", "decimal", "rollover", "max_step",
    "max_age_s", "availability", "accumulation",
})  # fmt: skip


class MappingRefused(Exception):
    """Raised when a sensor's mapping has errors; carries all of them."""

    def __init__(self, sensor: str, problems: tuple[KeyProblem, ...]) -> None:
        super().__init__("\n".join(f'sensor "{sensor}", {problem.sentence()}' for problem in problems))
        self.sensor = sensor
        self.problems = problems


@dataclass(frozen=True, slots=True, kw_only=True)
class Availability:
    """Where a device says whether it is there: words trimmed and without case; ``pointer`` None is plain text."""

    topic: str
    pointer: tuple[str, ...] | None
    online: frozenset[str]
    offline: frozenset[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorMapping:
    """How one sensor's value is found and read.

    value = (raw x ``scale`` + ``offset``) in the sensor's unit, then by ``conversion`` into the canonical one. ``low``
    and ``high`` are in the canonical unit, ``max_step`` in the sensor's own, after ``scale``. ``findings`` are
    sentences worth knowing that keep nothing from running.
    """

    sensor: str
    kind: str
    topic: str
    decode: str
    conversion: units.Conversion
    pointer: tuple[str, ...] = ()
    unit_pointer: tuple[str, ...] | None = None
    time: TimeRule | None = None
    scale: float = 1.0
    offset: float = 0.0
    packing: struct.Struct | None = None
    byte: int = 0
    name: str = ""
    senml_field: str = "v"
    column: int | str = 0
    decimal: str = "."
    sentinels: frozenset[float] = frozenset()
    low: float | None = None
    high: float | None = None
    missing: object = MISSING_ERROR
    truth: Mapping[str, bool] | None = None
    accumulation: str | None = None
    rollover: float | None = None
    max_step: float | None = None
    max_age_s: float | None = None
    availability: Availability | None = None
    findings: tuple[str, ...] = ()

    @property
    def unit(self) -> str:
        """The canonical unit of the sensor's readings."""
        return self.conversion.unit

    @property
    def counted(self) -> bool:
        """Whether every reading is an amount since the one before."""
        return self.accumulation in COUNTED


def parse_mapping(sensor: Sensor) -> SensorMapping:
    """The rule of one sensor. Raises MappingRefused with every problem: key, fact, limit, remedy."""
    keys = Keys(sensor.mapping)
    keys.only(_KNOWN)
    decode = keys.word("decode", DECODES) or _usual_decode(keys)
    accumulation = keys.word("accumulation", ACCUMULATIONS)
    conversion = _conversion(sensor.kind, accumulation, keys)
    truth = _truth(conversion, keys)
    _belonging(decode, accumulation, keys)
    low, high = keys.span("range") or _plausible(sensor.kind, accumulation)
    mapping = SensorMapping(
        sensor=sensor.id,
        kind=sensor.kind,
        topic=keys.topic_filter("topic", sensor.topic),
        decode=decode,
        conversion=conversion,
        pointer=keys.pointer("pointer") or (),
        unit_pointer=keys.pointer("unit_pointer"),
        time=_time(decode, keys),
        scale=_scale(accumulation, keys),
        offset=keys.number("offset") or 0.0,
        packing=_packing(decode, keys),
        byte=keys.count("byte") or 0,
        name=_name(decode, keys),
        senml_field=keys.word("field", SENML_FIELDS) or "v",
        column=keys.column("column") if "column" in keys else 0,
        decimal=keys.word("decimal", (".", ",")) or ".",
        sentinels=frozenset(keys.numbers("sentinels")),
        low=low,
        high=high,
        missing=_missing(truth, keys),
        truth=truth,
        accumulation=accumulation,
        rollover=keys.positive("rollover"),
        max_step=keys.positive("max_step"),
        max_age_s=keys.positive("max_age_s"),
        availability=_availability(keys),
        findings=_findings(sensor.kind, accumulation, conversion, keys),
    )
    if keys.problems:
        raise MappingRefused(sensor.id, tuple(keys.problems))
    return mapping


def _usual_decode(keys: Keys) -> str:
    """What the other keys only make sense with."""
    if "struct" in keys:
        return "json_b64" if "pointer" in keys else "bytes"
    if "pointer" in keys:
        return "json"
    if "name" in keys:
        return "senml"
    return "csv" if "column" in keys else "text"


def _conversion(kind: str, accumulation: str | None, keys: Keys) -> units.Conversion:
    """The unit as written, else the usual one of the kind; checked against what the kind measures."""
    allowed = KIND_UNITS.get(kind, ())
    written = keys.text("unit_in")
    if written is None:
        return units.Conversion(_usual_unit(kind, accumulation, "truth" in keys))
    found = units.conversion(written, frozenset(allowed))
    if found is None:
        limit = f"known are {units.ACCEPTED}"
        keys.refuse("unit_in", f'"{cut(written)}" is an unknown unit', limit, "write raw for a plain number")
        return units.Conversion(units.RAW)
    if allowed and found.unit not in allowed:
        what = f'"{cut(written)}" is read as {found.unit}'
        remedy = 'name the right kind, or kind = "other" for a side value'
        if kind == "soil_moisture" and found.unit in ("%", units.RAW):
            remedy = 'write "%vol" if it is volumetric water, else calibrate the probe by scale and offset to m3/m3'
        keys.refuse("unit_in", what, f"a sensor of kind {kind} has {' or '.join(allowed)}", remedy)
    return found


def _plausible(kind: str, accumulation: str | None) -> tuple[float | None, float | None]:
    """Limits of a reading in its canonical unit; an amount is never below 0."""
    if accumulation in COUNTED:
        return 0.0, None
    return PLAUSIBLE.get(kind, (None, None))


def _usual_unit(kind: str, accumulation: str | None, has_truth: bool) -> str:
    if has_truth:
        return units.BOOL
    if kind == "rain":
        return "mm/h" if accumulation == "rate" else "mm"
    if kind == "flow":
        return "L" if accumulation in COUNTED else "L/min"
    return KIND_UNITS.get(kind, (units.RAW,))[0]


def _truth(conversion: units.Conversion, keys: Keys) -> Mapping[str, bool] | None:
    """Each state word with what it means; None for numbers."""
    if conversion.unit != units.BOOL:
        if "truth" in keys:
            keys.refuse("truth", f"the unit is {conversion.unit}", "truth words make a state", 'write unit_in = "bool"')
        return None
    for key in _NUMBERS_ONLY:
        if key in keys:
            keys.refuse(key, "the sensor is a state (bool)", f"{key} belongs to a number", "take it out")
    table = keys.table("truth", {"true", "false"})
    words = {side: table.words(side) or frozenset(usual) for side, usual in _TRUTH.items()}
    both = words["true"] & words["false"]
    if both:
        keys.refuse("truth", f"{', '.join(sorted(both))} means both true and false", "", "keep it on one side")
    return {word: side == "true" for side in words for word in words[side]}


def _belonging(decode: str, accumulation: str | None, keys: Keys) -> None:
    for key, decodes in _BELONGS_TO.items():
        if key in keys and decode not in decodes:
            keys.refuse(key, f'decode is "{decode}"', f"{key} belongs to {', '.join(decodes)}", "take it out")
    for key in ("rollover", "max_step"):
        if key in keys and accumulation != "cumulative":
            remedy = 'write accumulation = "cumulative"'
            keys.refuse(key, "the sensor is no counter", f"{key} belongs to a counter", remedy)


def _scale(accumulation: str | None, keys: Keys) -> float:
    scale = keys.number("scale")
    if scale is None:
        return 1.0
    if scale == 0 or (scale < 0 and accumulation in COUNTED):
        keys.refuse("scale", f"{scale:g}", "it is not 0, and above 0 for a counter or an increment", "correct it")
    return scale


def _packing(decode: str, keys: Keys) -> struct.Struct | None:
    """One packed number. More than one byte needs its order, or the reading would hang on the machine."""
    code = keys.text("struct")
    if code is None:
        if decode in ("json_b64", "bytes"):
            keys.refuse("struct", "missing", "bytes need the code of one number", 'write for instance struct = ">H"')
        return None
    try:
        packing = struct.Struct(code)
        fields = packing.unpack(bytes(packing.size)) if packing.size <= LARGEST_NUMBER_BYTES else ()
    except (struct.error, ValueError):  # ValueError: a sign outside ASCII
        fields = ()
    if len(fields) != 1 or isinstance(fields[0], bytes | bool):
        keys.refuse(
            "struct", f'"{cut(code)}" is not the code of one number', "such as >H, >h, <I, <f or B", "correct it"
        )
        return None
    if packing.size > 1 and code[0] not in "<>!":
        remedy = f'write ">{code[-1]}" or "<{code[-1]}"'
        keys.refuse("struct", f'"{code}" leaves the byte order open', "it begins with > or <", remedy)
    return packing


def _name(decode: str, keys: Keys) -> str:
    name = keys.text("name")
    if name is None and decode == "senml":
        limit = "SenML records are addressed by their resolved name"
        keys.refuse("name", "missing", limit, "write base name and name joined")
    return name or ""


def _missing(truth: Mapping[str, bool] | None, keys: Keys) -> object:
    """What stands in for a field that is not there: a reason to reject, to skip, or a raw value."""
    value: Any = keys.get("missing")
    if value is None or value in (MISSING_ERROR, MISSING_SKIP):
        return value or MISSING_ERROR
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if (truth is None and is_number) or (truth is not None and isinstance(value, str | int | float)):
        return value
    limit = "it is error, skip, or the value that a missing field stands for"
    keys.refuse("missing", shown(value), limit, "correct it")
    return MISSING_ERROR


def _time(decode: str, keys: Keys) -> TimeRule | None:
    if decode == "senml":
        return TimeRule(format="senml")
    if "time" not in keys:
        return None
    table = keys.table("time", {"pointer", "column", "format", "tz"})
    form = table.word("format", TIME_FORMATS) or "iso"
    zone = table.zone("tz")
    if form == "iso_local" and zone is None and "tz" not in table:
        table.refuse("tz", "missing", "a local time needs its zone", 'write for instance tz = "Europe/Berlin"')
    place = "column" if decode == "csv" else "pointer"
    if place not in table:
        table.refuse(place, "missing", f"with decode {decode} the time has a {place}", f"write {place}")
    return TimeRule(
        format=form,
        pointer=table.pointer("pointer"),
        column=table.column("column") if "column" in table else None,
        zone=zone,
    )


def _availability(keys: Keys) -> Availability | None:
    if "availability" not in keys:
        return None
    table = keys.table("availability", {"topic", "pointer", "online", "offline"})
    online, offline = table.words("online") or frozenset({"online"}), table.words("offline") or frozenset({"offline"})
    if online & offline:
        table.refuse("online", "a word stands on both sides", "", "keep it on one side")
    return Availability(
        topic=table.topic_filter("topic", table.text("topic") or ""),
        pointer=table.pointer("pointer"),
        online=online,
        offline=offline,
    )


def _findings(kind: str, accumulation: str | None, conversion: units.Conversion, keys: Keys) -> tuple[str, ...]:
    found = []
    if "unit_in" not in keys and conversion.unit not in (units.RAW, units.BOOL):
        found.append(f"unit_in is not written; the numbers are taken as {conversion.unit}")
    if kind == "flow" and conversion.unit == "L" and accumulation is None:
        remedy = 'write accumulation = "cumulative" for a counter'
        found.append(f"a volume without accumulation is not followed as flow; {remedy}")
    if "rollover" in keys and "max_step" not in keys:
        found.append("rollover without max_step: a fall of more than half the counter's span is taken as a roll-over")
    return tuple(found)
