"""Sensor Measurement Lists, RFC 8428: a pack resolved into records that stand alone (section 4.6)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from dewpond.adapters.readings.numbers import to_number

VERSION = 10  # RFC 8428 section 4.4: the version this reader understands
_VALUES = ("v", "vs", "vb", "vd")


@dataclass(frozen=True, slots=True)
class SenmlRecord:
    """One resolved record. ``time_s`` counts from 1970, or from reception where it is below 2^28."""

    time_s: float
    fields: Mapping[str, object]


def resolve_pack(document: object) -> dict[str, list[SenmlRecord]]:
    """Records by full name in order of time. Raises ValueError for what is no pack, or one that must not be used.

    Base fields hold until the next record that has them (section 4.1); a missing base or time counts as 0 (4.5).
    """
    if not isinstance(document, list) or not all(isinstance(record, dict) for record in document):
        raise ValueError("a SenML pack is an array of objects")
    base: dict[str, object] = {}
    found: dict[str, list[SenmlRecord]] = {}
    for record in document:
        base.update({key: value for key, value in record.items() if key.startswith("b")})
        if any(key.endswith("_") for key in record) or not _number(base.get("bver", VERSION)) <= VERSION:
            raise ValueError("the pack needs an extension or a version that is not known here")
        name = f"{base.get('bn', '')}{record.get('n', '')}"
        found.setdefault(name, []).append(_resolved(record, base))
    for records in found.values():
        records.sort(key=lambda each: each.time_s)
    return found


def _resolved(record: Mapping[str, object], base: Mapping[str, object]) -> SenmlRecord:
    fields = {key: record[key] for key in (*_VALUES, "s") if key in record}
    if "s" in record or "bs" in base:
        fields["s"] = _sum(record.get("s", 0.0), base.get("bs", 0.0))
    if "v" in record or ("bv" in base and not fields):
        fields["v"] = _sum(record.get("v", 0.0), base.get("bv", 0.0))
    return SenmlRecord(_number(record.get("t", 0.0)) + _number(base.get("bt", 0.0)), fields)


def _sum(value: object, base: object) -> object:
    """The value with its base. Something that is no number stays as it is, to be rejected by name later."""
    number = to_number(value)
    return value if math.isnan(number) else number + to_number(base)


def _number(value: object) -> float:
    number = to_number(value)
    if math.isnan(number):
        raise ValueError("a time or version is no number")
    return number
