"""A night that is too small: who is shortened, by which stated rule, and what the next night is told of it.

Zones by need carry what is missing in their depletion, so the next night weighs it anew; only the record is kept here.
Zones by program know no depletion: their minutes that found no room are added to the next night they may run in.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from dewpond.brain import establishment
from dewpond.brain.packing import Decided, Piece
from dewpond.brain.place_state import CarriedState
from dewpond.brain.state import State
from dewpond.brain.tonight import Tonight
from dewpond.brain.water_need import LEAST_OPENING_S, night_cap_s
from dewpond.model.commands import Command, NoteShortened
from dewpond.model.copying import replace
from dewpond.model.site import Zone

SOURCE = "carried over"  # of an opening with a program's minutes of a night before
BY_NEED = "zones nearest to stress (missing water over what roots take easily) are placed first"
BY_PROGRAM = "programs are placed in the order of their starts"
ALIKE = "what can wait is cut by the same share in every zone, before one goes without"
WORTH_SAYING_S = 30.0
Told = tuple[State, list[Command]]


def brought_s(state: State, tonight: Tonight, zone: Zone) -> float:
    """Minutes of a program that an earlier night had no room for. [s]"""
    before = state.carried.get(zone.id)
    if before is None or zone.rule != "calendar":
        return 0.0
    waits_s = before.brought_s if before.night == tonight.night.window_date else before.left_s
    return waits_s if waits_s >= LEAST_OPENING_S else 0.0


def record(state: State, tonight: Tonight, decided: Sequence[Decided], pieces: Mapping[str, Sequence[Piece]]) -> Told:
    """Keep what each zone is not given tonight for want of room, and note it in the journal where it is new."""
    carried = dict(state.carried)
    commands: list[Command] = []
    for item in decided:
        before, night = carried.get(item.zone.id), tonight.night.window_date
        if before is None and not item.chains and not tonight.depths[item.zone.id].carried_mm:
            continue  # nothing was brought, nothing is wanted
        found, given_s = _short(state, tonight, item, pieces.get(item.zone.id, ()))
        if found == before or (before is None and not found.left_s):
            continue
        carried[item.zone.id] = found
        if found.left_s or (before is not None and before.night == night and before.left_s):
            told = NoteShortened(
                zone=item.zone.id,
                window_date=night,
                wanted_s=given_s + found.left_s,
                given_s=given_s,
                carried_s=found.left_s,
                rule=found.rule,
            )
            commands.append(told)
    return (state, []) if carried == state.carried else (replace(state, carried=carried), commands)


def said(state: State, tonight: Tonight, zone: Zone) -> tuple[str, ...]:
    """What a zone's reason says of it."""
    found = state.carried.get(zone.id)
    if found is None or found.night != tonight.night.window_date:
        return ()
    brought = f"{found.brought_s / 60:.0f} min are brought over from the night before, which was too short."
    left = f"Who is shortened is chosen by a rule: {found.rule}."
    told = ((found.brought_s, brought), (found.left_s, left))
    return tuple(text for seconds, text in told if seconds >= WORTH_SAYING_S)


def _short(state: State, tonight: Tonight, item: Decided, pieces: Sequence[Piece]) -> tuple[CarriedState, float]:
    """What a zone carries out of tonight, and what it is given. [s]"""
    zone, night, before = item.zone, tonight.night.window_date, state.carried.get(item.zone.id)
    given_s = sum(piece.placed.seconds for piece in pieces if piece.source != establishment.SOURCE)
    wanted_s = sum(sum(chain.openings_s) for chain in item.chains)
    in_s = 0.0 if before is None else before.brought_s if before.night == night else before.left_s
    unplaced_s = max(0.0, wanted_s - given_s)
    if zone.rule == "calendar":
        waits_s = unplaced_s if item.chains else in_s  # where it may not run tonight, what was brought waits on
        left_s, rule = min(waits_s, night_cap_s(zone)), BY_PROGRAM
    else:
        cut_s = tonight.depths[zone.id].carried_mm / zone.efficiency / zone.application_rate_mm_h * 3600.0
        left_s, rule = unplaced_s + cut_s, BY_NEED if unplaced_s > cut_s else ALIKE
    left_s = float(round(left_s)) if left_s >= WORTH_SAYING_S else 0.0
    return CarriedState(night=night, brought_s=in_s, left_s=left_s, rule=rule if left_s else ""), given_s
