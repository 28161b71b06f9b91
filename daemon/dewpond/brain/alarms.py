"""Incidents that people are told of: one alarm each, raised once, cleared by evidence or by a person."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dewpond.brain.state import AlarmState, State
from dewpond.model.commands import ClearAlarm, Command, PublishState, RaiseAlarm
from dewpond.model.copying import replace
from dewpond.model.events import Now

Told = tuple[State, list[Command]]
SEEN_AGAIN = "fault/"  # alarms of this kind count from when they were last seen


def raised(
    state: State,
    key: str,
    kind: str,
    sentence: str,
    now: Now,
    zone: str | None = None,
    facts: Mapping[str, Any] | None = None,
) -> Told:
    """The state with an alarm; one that stands already is not told again."""
    if key in state.alarms:
        before = state.alarms[key]
        seen_again = replace(before, since=now.wall) if key.startswith(SEEN_AGAIN) else before
        return replace(state, alarms={**state.alarms, key: seen_again}), []
    alarm = AlarmState(key=key, since=now.wall, kind=kind, zone=zone, sentence=sentence)
    told: list[Command] = [
        RaiseAlarm(key=key, at=now.wall, kind=kind, zone=zone, detail=sentence, facts=facts or {}),
        PublishState(topic="alarm", body={"at": now.wall.isoformat(), "kind": kind, "zone": zone, "text": sentence}),
    ]
    return replace(state, alarms={**state.alarms, key: alarm}), told


def cleared(state: State, key: str, now: Now, why: str) -> Told:
    """The state without an alarm, and the word that it is over."""
    if key not in state.alarms:
        return state, []
    left = {known: alarm for known, alarm in state.alarms.items() if known != key}
    told: list[Command] = [
        ClearAlarm(key=key, at=now.wall, why=why),
        PublishState(topic="alarm", body={"at": now.wall.isoformat(), "kind": "cleared", "zone": None, "text": why}),
    ]
    return replace(state, alarms=left), told
