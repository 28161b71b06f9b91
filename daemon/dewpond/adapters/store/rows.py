"""Events and commands as table rows, and back: pure functions, exact both ways."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping, Sequence
from typing import Any, TypeVar

import numpy as np

from dewpond.adapters.store.tables import from_microseconds, microseconds
from dewpond.model import commands as command_types
from dewpond.model import events as event_types
from dewpond.model.codec import from_plain, to_plain
from dewpond.model.commands import Command, PublishState, RaiseAlarm, RecordDay, RecordPlan, RecordReason, RecordRun
from dewpond.model.events import Event, Now, ReadingsArrived
from dewpond.model.reasons import ZoneReason

EVENT_KINDS: Mapping[str, type[Event]] = {
    name: kind
    for name, kind in vars(event_types).items()
    if isinstance(kind, type) and issubclass(kind, Event) and kind is not Event
}
COMMAND_KINDS: Mapping[str, type[Command]] = {
    name: kind
    for name, kind in vars(command_types).items()
    if isinstance(kind, type) and issubclass(kind, Command) and kind is not Command
}

Row = dict[str, Any]
K = TypeVar("K")


def step_rows(step_no: int, now: Now, events: Sequence[Event], commands: Sequence[Command]) -> list[Row]:
    """Journal rows of one step, events before commands; a row of empty kind when it received nothing but the time.

    What was published is left out: it is a picture of the state for others, not an act, and would fill the disk.
    """
    bodies = [(type(event).__name__, event_body(event)) for event in events] or [("", "")]
    bodies += [(type(c).__name__, as_json(to_plain(c))) for c in commands if not isinstance(c, PublishState)]
    return [
        {
            "step_no": step_no,
            "seq": seq,
            "wall": now.wall,
            "elapsed_s": now.elapsed_s,
            "trusted": now.trusted,
            "kind": kind,
            "body": body,
        }
        for seq, (kind, body) in enumerate(bodies)
    ]


def event_body(event: Event) -> str:
    """One event as JSON. Readings, which are most of a journal, drop the field names."""
    if not isinstance(event, ReadingsArrived):
        return as_json(to_plain(event))
    window_s = None if event.window_s is None else event.window_s.tolist()
    return as_json([microseconds(event.at), event.sensor, event.time_s.tolist(), event.value.tolist(), window_s])


def event_from(kind: str, body: str) -> Event:
    """The event that ``event_body`` wrote. Raises ValueError for a kind this version does not know."""
    plain = json.loads(body)
    if kind != ReadingsArrived.__name__:
        event: Event = from_plain(_known(EVENT_KINDS, kind), plain)
        return event
    at_us, sensor, time_s, value, window_s = plain
    return ReadingsArrived(
        at=from_microseconds(at_us),
        sensor=sensor,
        time_s=np.asarray(time_s, dtype=np.float64),
        value=np.asarray(value, dtype=np.float64),
        window_s=None if window_s is None else np.asarray(window_s, dtype=np.float64),
    )


def command_from(kind: str, body: str) -> Command:
    """The command of a journal row. Raises ValueError for a kind this version does not know."""
    command: Command = from_plain(_known(COMMAND_KINDS, kind), json.loads(body))
    return command


def _known(kinds: Mapping[str, type[K]], kind: str) -> type[K]:
    if kind not in kinds:
        raise ValueError(f"the journal holds a {kind!r} that this version of dewpond does not know")
    return kinds[kind]


def reading_rows(series: int, block: ReadingsArrived) -> list[Row]:
    """Rows of the readings table; what is not a finite number stays in the journal alone."""
    usable = np.isfinite(block.time_s) & np.isfinite(block.value)
    time_ms = np.rint(block.time_s[usable] * 1000.0).astype(np.int64).tolist()
    values = block.value[usable].tolist()
    return [{"series": series, "time_ms": at, "value": value} for at, value in zip(time_ms, values, strict=True)]


def command_row(command: RecordPlan | RecordRun | RecordDay) -> Row:
    """One row with the command's own field names; numbers of numpy become Python's, which every database takes."""
    return {field.name: _native(getattr(command, field.name)) for field in dataclasses.fields(command)}


def reason_row(command: RecordReason) -> Row:
    reason = command.reason
    return {
        "window_date": reason.window_date,
        "zone": reason.zone,
        "decided_at": reason.decided_at,
        "decision": reason.decision,
        "body": as_json(to_plain(reason)),
    }


def reason_from(body: str) -> ZoneReason:
    reason: ZoneReason = from_plain(ZoneReason, json.loads(body))
    return reason


def alarm_row(command: RaiseAlarm) -> Row:
    return {
        "key": command.key,
        "raised_at": command.at,
        "kind": command.kind,
        "zone": command.zone,
        "detail": command.detail,
        "facts": as_json(to_plain(command.facts)),
        "cleared_at": None,
        "cleared_why": "",
    }


def as_json(plain: Any) -> str:
    """Compact JSON; floats by ``repr``, so that they come back bit for bit."""
    return json.dumps(plain, separators=(",", ":"), ensure_ascii=False)


def _native(value: Any) -> Any:
    return value.item() if isinstance(value, np.generic) else value
