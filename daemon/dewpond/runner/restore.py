"""The brain's state at start: the newest snapshot, carried on through the journal by the brain itself."""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any, TypeVar

import numpy as np

from dewpond.brain.brain import Brain
from dewpond.brain.state import Opening, SoilState, State
from dewpond.model.codec import from_plain
from dewpond.model.commands import Command
from dewpond.model.events import Event, Now
from dewpond.model.site import Zone
from dewpond.model.states import ValveState

T = TypeVar("T")
REWIRED = "the site file has wired it otherwise"
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

    What runs on an output or behind a master that the site file has given up is shut first; the rest of it is given by
    the new wiring. A running zone that is gone leaves its opening among ``orphans`` for the record, and its valve is
    closed when the keeper reports it open, since no opening asks for it any more.
    """
    site = brain.ground.site
    zones, supplies = {zone.id: zone for zone in site.zones}, {supply.id: supply for supply in site.supplies}
    masters = {
        supply: master
        for supply, master in state.masters.items()
        if supply in supplies and supplies[supply].master_output == master.output
    }
    now_behind_one = {supply.id for supply in site.supplies if supply.master_output is not None}
    moved = (state.masters.keys() | now_behind_one) - masters.keys()
    state = replace(
        state,
        openings=tuple(
            _rewired(item, zones[item.zone], moved=item.supply in moved)
            for item in state.openings
            if item.zone in zones
        ),
        orphans=(*state.orphans, *(item for item in state.openings if item.zone not in zones)),
        masters=masters,
        pumps=_of([supply.id for supply in site.supplies if supply.pump is not None], state.pumps),
        pipes=_of(supplies, state.pipes),
        attended=replace(state.attended, tests=_of(supplies, state.attended.tests)),
        guided=replace(state.guided, tests=_of(supplies, state.guided.tests)),
    )
    return state if state.soil.zone_ids == brain.ground.table.ids else _fit_zones(brain, state, zones)


def _rewired(item: Opening, zone: Zone, *, moved: bool) -> Opening:
    """An opening under the zone's present wiring; one that runs under another is to be shut, where it runs."""
    same = item.output == zone.output and item.supply == zone.supply
    if item.state is ValveState.WAITING:
        return item if same else replace(item, output=zone.output, supply=zone.supply)
    if same and not moved:
        return item
    shut = replace(item, supply=zone.supply)
    if item.state is ValveState.CLOSING:
        return shut
    asked_s = item.asked_elapsed_s if item.opened_at is None else 0.0  # asked for at once where it is known to run
    return replace(shut, state=ValveState.CLOSING, close_cause=REWIRED, asked_elapsed_s=asked_s)


def _fit_zones(brain: Brain, state: State, zones: Mapping[str, Zone]) -> State:
    known = {zone: number for number, zone in enumerate(state.soil.zone_ids)}
    return replace(
        state,
        soil=_fit_soil(brain, state.soil, known),
        finished=tuple(item for item in state.finished if item.zone in zones),
        reasons=_of(zones, state.reasons),
        day_reasons={},
        holds={key: hold for key, hold in state.holds.items() if key.partition("/")[0] in ("", *zones)},
    )


def _of(known: Container[str], memories: Mapping[str, T]) -> dict[str, T]:
    """What belongs to something that still is."""
    return {key: memory for key, memory in memories.items() if key in known}


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
