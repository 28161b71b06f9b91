"""What an opening leaves behind when its valve is shut: booked water, a row of the record, maybe a remainder."""

from __future__ import annotations

import math
from datetime import datetime, timedelta

from dewpond.brain import caps, rain_common, water_in
from dewpond.brain.belief.metered import metered_share, with_metered
from dewpond.brain.beliefs import book_opening
from dewpond.brain.ground import Ground
from dewpond.brain.openings import DONE, active, without, zone_topic
from dewpond.brain.plan_rows import plan_row
from dewpond.brain.state import Opening, State
from dewpond.brain.water_need import LEAST_OPENING_S
from dewpond.model.commands import Command, RecordRun
from dewpond.model.copying import replace
from dewpond.model.events import Now
from dewpond.model.site import Zone
from dewpond.model.states import CLOSED, WAITING, Ending

Told = tuple[State, list[Command]]
FINISHED_KEPT = 2000  # openings of one night that screens can still show
DONE_WITHIN_S = 1.0  # an opening that ended so near its planned end ran whole


def finish(
    ground: Ground,
    state: State,
    item: Opening,
    open_s: float,
    why: str,
    now: Now,
    closed_at: datetime | None = None,
    *,
    wished: bool = False,
) -> Told:
    """An opening is over after ``open_s`` seconds of water: book it, record it, queue what a fault left of it.

    ``wished`` says that the keeper closed it for a person. Its begin counts back from ``closed_at``, or from now where
    nobody knows, unless it was told of at the time.
    """
    open_s = round(open_s, 3)
    cause, ending = _end(item, open_s, why, wished=wished)
    start = item.opened_at or (closed_at or now.wall) - timedelta(seconds=open_s)
    commands: list[Command] = []
    gross_mm = 0.0
    if open_s > 0.0:
        state = caps.remember(state, item.zone, start.timestamp(), open_s)
    if open_s > 0.0 and item.unfed:
        commands.append(_unfed_row(ground, item, start, open_s, cause))
    elif open_s > 0.0:
        state, gross_mm = _booked(ground, state, item, start.timestamp(), open_s)
        commands.append(_row(ground, state, item, start, open_s, gross_mm, cause))
    over = replace(item, state=CLOSED, seconds=open_s, gross_mm=gross_mm)
    finished = (*state.finished, over)[-FINISHED_KEPT:] if open_s > 0.0 else state.finished
    state = replace(without(state, item), finished=finished)
    short_s = item.seconds - open_s
    remainder = _remainder(item, ground.zones[item.zone], open_s, ending, now)
    if open_s <= 0.0 and remainder is None:
        commands.append(_row(ground, state, item, start, 0.0, 0.0, cause))  # nothing was given, and this says why
    if remainder is not None:
        state = replace(
            state, openings=tuple(sorted((*state.openings, remainder), key=lambda o: (o.start_s, o.run_id)))
        )
    word = "done" if short_s < DONE_WITHIN_S else "planned" if remainder else "shortened"
    commands += [plan_row(remainder or item, word), zone_topic(replace(item, state=CLOSED), now, cause)]
    return state, commands


def never_begun(ground: Ground, state: State, item: Opening, why: str, now: Now) -> RecordRun:
    """The record of an opening that is dropped before it gave anything, with the reason."""
    return _row(ground, state, item, now.wall, 0.0, 0.0, why)


def orphaned(state: State, now: Now) -> Told:
    """The record of openings whose zones the site file has given up. On doubt their water counts as given."""
    rows: list[Command] = [_orphan_row(item, now) for item in state.orphans]
    return (replace(state, orphans=()) if rows else state), rows


def _orphan_row(item: Opening, now: Now) -> RecordRun:
    """Its ledger is gone with its zone; the row says how long it can have run, by the flow it was planned with."""
    start = item.opened_at or now.wall
    open_s = min(item.seconds, max(0.0, (now.wall - start).total_seconds()))
    return RecordRun(
        run_id=item.run_id,
        zone=item.zone,
        start=start,
        end=start + timedelta(seconds=open_s),
        seconds=open_s,
        gross_mm=item.gross_mm * open_s / item.seconds if item.seconds > 0.0 else 0.0,
        litres=item.flow_l_min * open_s / 60.0,
        cause=item.cause,
        note="its zone is no longer in the site file; at most so much was given, and what was left of it is dropped",
    )


def _end(item: Opening, open_s: float, why: str, *, wished: bool) -> tuple[str, Ending]:
    """Why it closed. One that was found past its end but had closed before it was not done: the keeper knows why."""
    early = item.ending is Ending.DONE and item.seconds - open_s >= DONE_WITHIN_S
    cause = why if early else item.close_cause or why
    if wished:
        return cause, Ending.WISHED
    return cause, Ending.BROKEN_OFF if early else item.ending


def _booked(ground: Ground, state: State, item: Opening, start_s: float, open_s: float) -> tuple[State, float]:
    """The state with an opening's water in the ledger, and its gross depth. [mm]"""
    zone, told = ground.zones[item.zone], state.reasons.get(item.zone)
    because = item.cause if item.by_hand or item.extra or told is None else told.summary
    alone = all(other.run_id == item.run_id for other in active(state, item.supply))
    share = metered_share(ground, item, open_s) if alone else None
    faults = _faults(state, item)
    if share is not None and faults:  # a broken pipe's water is not the plants', a failing meter's count is nothing
        share = None if "meter_fault" in faults else min(share, 1.0)
    soil, gross_mm = book_opening(state.soil, ground.table, zone, ground.days, start_s, open_s, because, share)
    belief = state.belief
    if belief is not None:
        belief = with_metered(belief, ground.table.index[zone.id], None if faults else share)
    if item.extra:  # no watering: intervals and wishes wait for the real one
        return replace(state, soil=soil, belief=belief), gross_mm
    last_runs = {**state.last_runs, item.zone: (start_s + open_s, gross_mm)}
    state = replace(state, soil=soil, belief=belief, last_runs=last_runs)
    return water_in.given(state, item.zone, gross_mm * zone.efficiency), gross_mm


def _faults(state: State, item: Opening) -> frozenset[str]:
    """Kinds of the open incidents of the pipes that this opening's count may owe something to."""
    memory = state.pipes.get(item.supply)
    if memory is None:
        return frozenset()
    return frozenset(fault.kind for fault in memory.watch.incidents if fault.zone in (None, item.zone))


def _row(
    ground: Ground, state: State, item: Opening, start: datetime, open_s: float, gross_mm: float, cause: str
) -> RecordRun:
    doubt = rain_common.doubt(ground, state, item.supply, start.timestamp())
    against = f"against {' and '.join(item.insisted.rules)}" if item.insisted else ""
    notes = ("" if cause == DONE else cause, against, doubt)
    return RecordRun(
        run_id=item.run_id,
        zone=item.zone,
        start=start,
        end=start + timedelta(seconds=open_s),
        seconds=open_s,
        gross_mm=gross_mm,
        litres=gross_mm * ground.zones[item.zone].area_m2,
        cause=item.cause,
        metered_litres=item.metered_l if ground.site.supply(item.supply).meter else None,
        note="; ".join(note for note in notes if note),
    )


def _unfed_row(ground: Ground, item: Opening, start: datetime, open_s: float, cause: str) -> RecordRun:
    """The record of an opening through which the meter saw no water: nothing reached the ground."""
    zone = ground.zones[item.zone]
    gross_mm = open_s * zone.application_rate_mm_h / 3600.0
    return RecordRun(
        run_id=item.run_id,
        zone=item.zone,
        start=start,
        end=start + timedelta(seconds=open_s),
        seconds=open_s,
        gross_mm=gross_mm,
        litres=gross_mm * zone.area_m2,
        cause=item.cause,
        metered_litres=item.metered_l,
        note=f"{cause}; nothing is booked as applied",
    )


def _remainder(item: Opening, zone: Zone, open_s: float, ending: Ending, now: Now) -> Opening | None:
    """What is left of an opening that ended early by a fault; None where it ends for good."""
    left_s = item.seconds - open_s
    if ending is not Ending.BROKEN_OFF or item.extra or item.resumed or left_s < LEAST_OPENING_S:
        return None
    return replace(
        item,
        run_id=f"{item.run_id}/remainder",
        output=zone.output,  # by which it may not have run so far
        state=WAITING,
        resumed=True,
        start_s=now.wall.timestamp(),
        seconds=float(math.floor(left_s)),
        gross_mm=item.gross_mm * left_s / item.seconds,
        opened_at=None,
        asked_elapsed_s=0.0,
        not_before_elapsed_s=now.elapsed_s,
        close_cause="",
        ending=Ending.BROKEN_OFF,
        metered_l=0.0,
        cause=f"{item.cause}, the remainder",
    )
