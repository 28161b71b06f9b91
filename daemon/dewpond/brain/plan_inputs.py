"""The facts a night's decisions rest on, each with where it came from and how old it is."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, datetime, timedelta

from dewpond.brain.belief import evidence
from dewpond.brain.belief.state import BeliefState
from dewpond.brain.ground import Ground
from dewpond.brain.local_time import EPOCH, utc
from dewpond.brain.rules import forecasts
from dewpond.brain.rules.question import Question
from dewpond.brain.state import EtoFact, SoilState, State
from dewpond.model.copying import replace
from dewpond.model.reasons import Input


def of_night(ground: Ground, state: State, question: Question, expected: EtoFact, now_s: float) -> tuple[Input, ...]:
    """What all zones share. What was expected is as old as the last measured day; without any, as the decision."""
    soil = state.soil
    at = _last_measured(ground, soil) or utc(now_s)
    futures = float(len(question.futures.eto_mm))
    return (
        Input(name="expected reference ET", value=expected.eto_mm, unit="mm/d", source=expected.method, known_at=at),
        *_weather(ground, soil, now_s),
        Input(name="weather ahead", value=futures, unit="futures", source=question.source, known_at=at),
        *forecasts.inputs(state.forecasts, ground.days, now_s),
    )


def of_zones(ground: Ground, state: State, belief: BeliefState, now_s: float) -> Mapping[str, tuple[Input, ...]]:
    """What each zone's probe and meter say; what was learned from them is as old as the last closed day."""
    day = state.soil.day
    learned_at = utc(now_s if day is None else min(now_s, ground.days.start_s(day)))
    return {zone: _aged(items, learned_at) for zone, items in evidence.inputs(ground, belief).items()}


def _weather(ground: Ground, soil: SoilState, now_s: float) -> Iterable[Input]:
    for day in sorted(soil.eto)[-1:]:
        fact = soil.eto[day]
        at = _over(ground, day, now_s)
        yield Input(name=f"reference ET of {day}", value=fact.eto_mm, unit="mm", source=fact.method, known_at=at)
    for day in sorted(soil.rain)[-2:]:
        told = "not measured, taken as none" if day in soil.rain_missing else "measured"
        at = _over(ground, day, now_s)
        yield Input(name=f"rain of {day}", value=soil.rain[day], unit="mm", source=told, known_at=at)


def _over(ground: Ground, day: date, now_s: float) -> datetime:
    return utc(min(now_s, ground.days.end_s(day)))


def _last_measured(ground: Ground, soil: SoilState) -> datetime | None:
    if not len(soil.record_day):
        return None
    return utc(ground.days.end_s(EPOCH + timedelta(days=int(soil.record_day[-1]))))


def _aged(items: Iterable[Input], known_at: datetime) -> tuple[Input, ...]:
    """Inputs with an age where they have none; one that was never heard stays without."""
    return tuple(
        replace(item, known_at=known_at) if item.known_at is None and item.value is not None else item for item in items
    )
