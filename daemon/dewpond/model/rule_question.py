"""What a rule plug-in is asked once a night, and what it may answer. Plain data, stable, with a version of its own.

A plug-in is a callable of one ``RuleQuestion``, named under the entry-point group ``dewpond.rules``. It returns a
mapping of zone id to net depth in mm (0 leaves the zone dry), or to a pair of that depth and a sentence::

    def sparing(question):
        return {zone.id: zone.depletion_mm if zone.depletion_mm > 0.8 * zone.raw_mm else 0.0 for zone in question.zones}

The site's caps, allowed hours, supply limits and soaking rests hold for whatever is asked for.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

RULES_GROUP = "dewpond.rules"
# Counted up when a field goes or changes its meaning; new fields do not count.
API_VERSION = 1
LONGEST_NOTE = 200
ROUNDING_MM = 0.01  # a depth this far above TAW is rounding


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneQuestion:
    """One zone tonight. Depths are net, in mm of root-zone water; lists have one entry a day of ``dates``.

    ``depletion_mm`` is expected to be missing from field capacity when the window closes; ``doubt_mm`` by which it may
    be more while today's weather is not known yet. Stress begins at ``raw_mm``, nothing is left at ``taw_mm``.
    ``etc_mm`` is the expected use of each day ahead, rain not counted; ``may_water`` says whether the zone may be
    watered in the night before each day, tonight first. ``refill_mm`` is what the rule ``refill`` would give.
    ``night_cap_mm`` is the most that one night can bring.
    """

    id: str
    depletion_mm: float
    doubt_mm: float
    raw_mm: float
    taw_mm: float
    etc_mm: tuple[float, ...]
    may_water: tuple[bool, ...]
    refill_mm: float
    night_cap_mm: float
    application_rate_mm_h: float
    efficiency: float
    area_m2: float
    plants: str | None = None
    soil: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownDay:
    """A day that is over: reference ET and rain, None where it was not measured. [mm]"""

    date: date
    eto_mm: float | None
    rain_mm: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SaidDay:
    """What the forecast in use says of a day; None where it has no word. ``rain_probability`` is a fraction."""

    date: date
    rain_mm: float | None = None
    rain_probability: float | None = None
    eto_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleQuestion:
    """One night of the zones under one rule.

    ``night`` is the local date on which the window opens. ``dates`` are the days ahead, the first the one on which the
    window closes, each with the mean of the weather expected: ``eto_mm``, ``rain_mm`` and the share of futures with 1
    mm of rain or more, ``rain_chance``. ``recent`` are the last measured days, oldest first. ``forecast`` is empty
    where none is fresh enough to be used; ``weather_source`` tells in words where the days ahead come from.
    """

    version: int
    rule: str
    site: str
    night: date
    dates: tuple[date, ...]
    eto_mm: tuple[float, ...]
    rain_mm: tuple[float, ...]
    rain_chance: tuple[float, ...]
    weather_source: str
    recent: tuple[KnownDay, ...]
    forecast: tuple[SaidDay, ...]
    forecast_issued_at: datetime | None
    zones: tuple[ZoneQuestion, ...]


Answer = Mapping[str, float | tuple[float, str]]
RulePlugIn = Callable[[RuleQuestion], Answer]


class AnswerRefused(ValueError):
    """Raised when the answer as a whole cannot be used; the text is a clause that says why."""


@dataclass(frozen=True, slots=True)
class CheckedAnswer:
    """An answer that was looked through: depths by zone, their sentences, and why a zone's word was not taken."""

    net_mm: Mapping[str, float]
    notes: Mapping[str, str]
    refused: Mapping[str, str]


def check_answer(taw_mm: Mapping[str, float], answer: object) -> CheckedAnswer:
    """Look through what a plug-in returned for the zones whose total available water is given.

    A zone that is missing, or whose depth is no number between 0 and its TAW, is refused by itself. Raises
    AnswerRefused for an answer that is no mapping, or that names zones which were not asked about.
    """
    if not isinstance(answer, Mapping):
        raise AnswerRefused(f"it answered with {_kind(answer)} instead of a mapping of zone id to depth in mm")
    strange = sorted(str(name)[:40] for name in answer if name not in taw_mm)
    if strange:
        raise AnswerRefused(f"it answered for {', '.join(strange[:3])}, which it was not asked about")
    net_mm: dict[str, float] = {}
    notes: dict[str, str] = {}
    refused: dict[str, str] = {}
    for zone, most_mm in taw_mm.items():
        depth, note = _depth_and_note(answer.get(zone))
        fault = "it did not answer for this zone" if zone not in answer else _fault(depth, most_mm)
        if fault:
            refused[zone] = fault
            continue
        net_mm[zone] = min(float(depth), most_mm)
        if note:
            notes[zone] = note
    return CheckedAnswer(net_mm, notes, refused)


def _depth_and_note(word: object) -> tuple[Any, str]:
    if isinstance(word, tuple | list) and len(word) == 2 and isinstance(word[1], str):
        return word[0], " ".join(word[1].split())[:LONGEST_NOTE]
    return word, ""


def _fault(depth: Any, most_mm: float) -> str:
    """Why a depth is nonsense; empty when it is none. Numbers of other libraries count by their ``__float__``."""
    if isinstance(depth, bool | str) or not hasattr(depth, "__float__"):
        return f"it answered with {_kind(depth)} where a depth in mm was expected"
    try:
        value = float(depth)
    except (TypeError, ValueError, OverflowError):
        return f"it answered with {_kind(depth)} where a depth in mm was expected"
    if not math.isfinite(value):
        return f"it asked for {value} mm"
    if value < 0.0:
        return f"it asked for {value:.4g} mm, which is negative"
    if value > most_mm + ROUNDING_MM:
        return f"it asked for {value:.4g} mm, more than the {most_mm:.1f} mm the root zone holds"
    return ""


def _kind(value: object) -> str:
    return "nothing" if value is None else f"a {type(value).__name__}"
