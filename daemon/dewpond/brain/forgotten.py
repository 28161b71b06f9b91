"""Openings of tonight that the keeper gave and this state knows nothing of: a backup was put back, or a record is lost.

They are booked like any other, so that no night is watered twice, and people are told that the state is an old one.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta

from dewpond.brain.alarms import raised
from dewpond.brain.closing import finish
from dewpond.brain.ground import Ground
from dewpond.brain.state import Opening, State
from dewpond.model.commands import Command
from dewpond.model.events import KeeperFound, Now

ALARM = "fault/state is old"
REMAINDER = "remainder"


def booked(ground: Ground, state: State, event: KeeperFound, now: Now) -> tuple[State, list[Command]]:
    """The state with what the keeper gave tonight and nobody here remembers."""
    commands: list[Command] = []
    for item, open_s in list(_unknown(ground, state, event, now)):
        why = "given by the keeper for an earlier state of this program, which was lost or put back from a copy"
        state, told = finish(ground, state, item, open_s, why, now, event.closed_at.get(item.run_id))
        state, alarm = raised(state, ALARM, "service_fault", _sentence(ground, item, open_s), now, item.zone)
        commands += [*told, *alarm]
    return state, commands


def _unknown(ground: Ground, state: State, event: KeeperFound, now: Now) -> Iterator[tuple[Opening, float]]:
    """Tonight's closings without a memory of them. Earlier nights are forgotten by design, and are not asked for."""
    window = ground.rules.window_at(now.wall.timestamp())
    known = {item.run_id for item in (*state.finished, *state.openings) if item not in _waiting(state)}
    for run_id, open_s in sorted(event.closed.items()):
        closed_at = event.closed_at.get(run_id)
        if run_id in known or open_s <= 0.0 or closed_at is None:
            continue
        began = closed_at - timedelta(seconds=open_s)
        item = _opening(ground, run_id, open_s, window.date)
        if item is not None and began.timestamp() >= window.opens_s:
            yield item, open_s


def _waiting(state: State) -> tuple[Opening, ...]:
    """Openings that have not been asked for: that the keeper has closed one by such a name is news."""
    return tuple(item for item in state.openings if item.opened_at is None and not item.asked_elapsed_s)


def _opening(ground: Ground, run_id: str, open_s: float, day: date) -> Opening | None:
    """The opening of a night's run, from its name; None for other names and zones that are gone."""
    parts = run_id.split("/")
    named = len(parts) in (4, 5) and parts[0] == day.isoformat() and parts[3].isdigit()
    if not named or (len(parts) == 5 and parts[4] != REMAINDER) or parts[1] not in ground.zones:
        return None
    zone = ground.zones[parts[1]]
    return Opening(
        run_id=run_id,
        zone=zone.id,
        supply=zone.supply,
        output=zone.output,
        source=parts[2],
        window_date=day,
        start_no=int(parts[3]),
        start_s=0.0,
        seconds=open_s,
        latest_end_s=0.0,
        flow_l_min=zone.flow_l_min,
        gross_mm=open_s * zone.application_rate_mm_h / 3600.0,
        cause=f"{parts[2]}: found at the keeper",
        resumed=True,
    )


def _sentence(ground: Ground, item: Opening, open_s: float) -> str:
    name = ground.zones[item.zone].name
    return (
        f"This program's memory is older than its valves: the keeper gave {name} {open_s / 60.0:.0f} min tonight that "
        f"are not on record. They are booked now; what ran before tonight is not known, so look at the ground."
    )
