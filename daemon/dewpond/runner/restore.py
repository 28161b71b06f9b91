"""The brain's state at start: the newest snapshot, carried on through the journal by the brain itself."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from dewpond.brain.brain import Brain
from dewpond.brain.state import SoilState, State
from dewpond.model.codec import from_plain
from dewpond.model.commands import Command
from dewpond.model.events import Event, Now

JournalStep = tuple[int, Now, tuple[Event, ...]]


def restore(brain: Brain, snapshot: tuple[int, Mapping[str, Any]], steps: Iterable[JournalStep]) -> tuple[int, State]:
    """Step number and state after the last journalled step. Commands of those steps were carried out before."""
    step_no, plain = snapshot
    state = fit(brain, from_plain(State, plain))
    for number, now, events in steps:
        state = brain.step(state, events, now).state
        step_no = number
    return step_no, state


def replay_journal(brain: Brain, state: State, steps: Iterable[JournalStep]) -> Iterable[tuple[int, Sequence[Command]]]:
    """The commands the brain gives for each journalled step: what the live daemon wanted, line by line."""
    for number, now, events in steps:
        step = brain.step(state, events, now)
        state = step.state
        yield number, step.commands


def fit(brain: Brain, state: State) -> State:
    """The state for the site as it is now: zones that are new begin at RAW / 2, those that are gone are forgotten.

    A valve of a zone that is gone is closed when the keeper reports it open, since no opening asks for it any more.
    """
    ids = brain.ground.table.ids
    if state.soil.zone_ids == ids:
        return state
    known = {zone: number for number, zone in enumerate(state.soil.zone_ids)}
    outputs = {zone.id: zone.output for zone in brain.ground.site.zones}
    openings = tuple(item for item in state.openings if outputs.get(item.zone) == item.output)
    return replace(
        state,
        soil=_fit_soil(brain, state.soil, known),
        openings=openings,
        finished=tuple(item for item in state.finished if item.zone in outputs),
        reasons={zone: reason for zone, reason in state.reasons.items() if zone in outputs},
        day_reasons={},
        holds={zone: hold for zone, hold in state.holds.items() if zone in outputs or zone == ""},
    )


def _fit_soil(brain: Brain, soil: SoilState, known: Mapping[str, int]) -> SoilState:
    table = brain.ground.table
    zones = len(table.ids)
    depletion_mm, surface_mm, surface_at_s = table.raw_mm / 2.0, np.zeros(zones), np.zeros(zones)
    places = {}
    for number, zone in enumerate(table.ids):
        if zone in known:
            old = known[zone]
            places[old] = number
            depletion_mm[number] = min(soil.depletion_mm[old], table.taw_mm[number])
            surface_mm[number], surface_at_s[number] = soil.surface_mm[old], soil.surface_at_s[old]
    bookings = tuple(replace(item, zone=places[item.zone]) for item in soil.bookings if item.zone in places)
    return replace(
        soil,
        zone_ids=table.ids,
        depletion_mm=depletion_mm,
        surface_mm=surface_mm,
        surface_at_s=surface_at_s,
        layer_mm=np.zeros(zones),
        bookings=bookings,
    )
