"""Rules of the user's own: asked once for each night and question, outside; refilled until and unless they answer.

A plug-in never runs here. The brain wants ``AskRule``; the answer, or why there is none, is a ``RuleAnswered``.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from dewpond.brain.ground import Ground
from dewpond.brain.local_time import EPOCH
from dewpond.brain.rules import refill
from dewpond.brain.rules.forecasts import Chosen
from dewpond.brain.rules.plugged_state import Word, Words
from dewpond.brain.rules.question import Depth, Question
from dewpond.brain.state import SoilState
from dewpond.brain.water_need import night_cap_s
from dewpond.model.codec import to_plain
from dewpond.model.commands import AskRule
from dewpond.model.copying import replace
from dewpond.model.events import RuleAnswered
from dewpond.model.rule_question import (
    API_VERSION,
    AnswerRefused,
    KnownDay,
    RuleQuestion,
    SaidDay,
    ZoneQuestion,
    check_answer,
)

RECENT_DAYS = 14
RAIN_DAY_MM = 1.0
DECIMALS = 4  # of the figures in a question: enough for any rule, and the same question stays the same
WAIT_S = 15.0  # a provisional watering begins no earlier than this after the question, so that the answer can change it


@dataclass(frozen=True, slots=True)
class Asked:
    """The words to plan with now, and the questions that have not been put yet."""

    words: Words
    asks: tuple[AskRule, ...] = ()


def put(
    ground: Ground, soil: SoilState, words: Words, question: Question, chosen: Chosen | None, built_in: Sequence[str]
) -> Asked:
    """Put tonight's question to every rule that is not built in; one that was put before is not put again."""
    kept: dict[str, Word] = {}
    asks: list[AskRule] = []
    for rule in sorted({zone.rule for zone in ground.site.zones}.difference(built_in)):
        plain = to_plain(_question(ground, soil, question, chosen, rule))
        digest = zlib.crc32(json.dumps(plain, sort_keys=True).encode())
        request_id = f"{question.window_date}/{rule}/{digest:08x}"
        before = words.get(rule)
        if before is not None and before.request_id == request_id:
            kept[rule] = before
            continue
        kept[rule] = Word(request_id=request_id)
        asks.append(AskRule(request_id=request_id, rule=rule, question=plain))
    return Asked(kept, tuple(asks))


def depths(rule: str, word: Word | None, question: Question, zones: NDArray[np.int64]) -> list[Depth]:
    """The rule's word for these zones; where it has none, refill, and the reason says so."""
    refilled = refill.decide(question, zones)
    return [_depth(rule, word, question.ids[zone], depth) for zone, depth in zip(zones, refilled, strict=True)]


def waiting(ground: Ground, words: Words) -> frozenset[str]:
    """Zones that are planned provisionally."""
    rules = {rule for rule, word in words.items() if not word.answered}
    return frozenset(zone.id for zone in ground.site.zones if zone.rule in rules) if rules else frozenset()


def heard(ground: Ground, words: Words, event: RuleAnswered) -> tuple[Words, str, str]:
    """The words with an answer taken up; the rule's name, empty when nobody waits for it; and what was wrong."""
    rule = next((rule for rule, word in words.items() if word.request_id == event.request_id), "")
    if not rule or words[rule].answered:
        return words, "", ""
    word = _checked(ground, rule, words[rule], event)
    return {**words, rule: word}, rule, _complaint(rule, word)


def unanswered_dropped(words: Words) -> Words:
    """The words without questions that went down with the process that carried them."""
    return {rule: word for rule, word in words.items() if word.answered}


def _checked(ground: Ground, rule: str, word: Word, event: RuleAnswered) -> Word:
    """What was answered is looked through here as well: a journal or an adapter may be wrong too."""
    word = replace(word, answered=True, failure=event.failure)
    if event.failure:
        return word
    taw_mm = {zone.id: zone.taw_mm for zone in ground.site.zones if zone.rule == rule}
    said: Mapping[str, str] = event.notes.get("said", {})
    try:
        checked = check_answer(taw_mm, event.net_mm)
    except AnswerRefused as refused:
        return replace(word, failure=f"gave no usable answer ({refused})")
    refused_here = {**checked.refused, **event.notes.get("refused", {})}
    return replace(word, net_mm=checked.net_mm, notes=said, refused=refused_here)


def _complaint(rule: str, word: Word) -> str:
    if word.failure:
        return _failed(rule, word)
    for zone, why in sorted(word.refused.items()):
        others = len(word.refused) - 1
        more = f" (and {others} more zone{'s' if others > 1 else ''})" if others else ""
        return f'The rule "{rule}" is not followed for {zone}{more}: {why}; refilled instead.'
    return ""


def _failed(rule: str, word: Word) -> str:
    return f'The rule "{rule}" {word.failure}; refilled instead.'


def _depth(rule: str, word: Word | None, zone: str, refilled: Depth) -> Depth:
    if word is None or not word.answered:
        note = f'Provisional: the rule "{rule}" has been asked and has not answered yet; refilled until it does.'
        return replace(refilled, note=note)
    if word.failure:
        return replace(refilled, note=_failed(rule, word))
    if zone not in word.net_mm:
        why = word.refused.get(zone, "it did not answer for this zone")
        return replace(refilled, note=f'The rule "{rule}" is not followed: {why}; refilled instead.')
    net_mm = word.net_mm[zone]
    said = f": {word.notes[zone]}" if zone in word.notes else "."
    return Depth(
        net_mm,
        refilled.until_next_mm,
        min(net_mm, refilled.least_mm),
        note=f'The rule "{rule}" asked for {net_mm:.1f} mm{said}',
    )


def _question(ground: Ground, soil: SoilState, question: Question, chosen: Chosen | None, rule: str) -> RuleQuestion:
    here = np.array([n for n, zone in enumerate(ground.site.zones) if zone.rule == rule])
    first = ground.days.date_at(ground.rules.window(question.window_date).closes_s)
    days = len(question.futures.eto_mm[0])
    return RuleQuestion(
        version=API_VERSION,
        rule=rule,
        site=ground.site.name,
        night=question.window_date,
        dates=tuple(first + timedelta(days=ahead) for ahead in range(days)),
        eto_mm=_rounded(question.futures.eto_mm.mean(axis=0)),
        rain_mm=_rounded(question.futures.rain_mm.mean(axis=0)),
        rain_chance=_rounded((question.futures.rain_mm >= RAIN_DAY_MM).mean(axis=0)),
        weather_source=question.source,
        recent=_recent(soil),
        forecast=_forecast(chosen),
        forecast_issued_at=None if chosen is None else chosen.source.last.issued_at,
        zones=_zones(ground, question, here),
    )


def _zones(ground: Ground, question: Question, here: NDArray[np.int64]) -> tuple[ZoneQuestion, ...]:
    refilled = refill.decide(question, here)
    found = []
    for n, depth in zip(here, refilled, strict=True):
        zone = ground.site.zones[n]
        cap_mm = night_cap_s(zone) * zone.application_rate_mm_h * zone.efficiency / 3600.0
        found.append(
            ZoneQuestion(
                id=zone.id,
                depletion_mm=_round(question.depletion_mm[n]),
                doubt_mm=_round(question.doubt_mm[n]),
                raw_mm=_round(question.raw_mm[n]),
                taw_mm=_round(question.taw_mm[n]),
                etc_mm=_rounded(question.etc_mm[:, n].mean(axis=1)),
                may_water=tuple(bool(may) for may in question.chance[:, n]),
                refill_mm=_round(depth.net_mm),
                night_cap_mm=_round(cap_mm),
                application_rate_mm_h=zone.application_rate_mm_h,
                efficiency=zone.efficiency,
                area_m2=zone.area_m2,
                plants=zone.plants,
                soil=zone.soil,
            )
        )
    return tuple(found)


def _recent(soil: SoilState) -> tuple[KnownDay, ...]:
    rows = zip(soil.record_day, soil.record_eto_mm, soil.record_rain_mm, strict=True)
    return tuple(
        KnownDay(
            date=EPOCH + timedelta(days=int(day)),
            eto_mm=None if np.isnan(eto_mm) else _round(eto_mm),
            rain_mm=None if np.isnan(rain_mm) else _round(rain_mm),
        )
        for day, eto_mm, rain_mm in list(rows)[-RECENT_DAYS:]
    )


def _forecast(chosen: Chosen | None) -> tuple[SaidDay, ...]:
    days = () if chosen is None else chosen.source.last.days
    return tuple(
        SaidDay(date=day.date, rain_mm=day.rain_mm, rain_probability=day.rain_probability, eto_mm=day.eto_mm)
        for day in days
    )


def _round(value: float | np.float64) -> float:
    return round(float(value), DECIMALS)


def _rounded(values: NDArray[np.float64]) -> tuple[float, ...]:
    return tuple(_round(value) for value in values)
