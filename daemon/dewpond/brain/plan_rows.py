"""The plan as others read it: rows of the record and what each zone is to get, told where it changed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date

from dewpond.brain.local_time import utc
from dewpond.brain.state import Opening
from dewpond.model.commands import Command, PublishState, RecordPlan


def plan_topics(
    before: Sequence[Opening], openings: Sequence[Opening], day: date, now_s: float, new: Iterable[str] = ()
) -> list[Command]:
    """What each zone is to get tonight, for whoever listens; told where it changed, and of zones whose night is new."""
    told: list[Command] = []
    at, night = utc(now_s).isoformat(), day.isoformat()
    was, is_now = _by_zone(before, day), _by_zone(openings, day)
    new = set(new)
    for zone in sorted(was.keys() | is_now.keys() | new):
        old, fresh = was.get(zone, []), is_now.get(zone, [])
        same = [(item.start_s, item.seconds) for item in old] == [(item.start_s, item.seconds) for item in fresh]
        if same and zone not in new:
            continue
        rows = [
            {"start": utc(item.start_s).isoformat(), "seconds": item.seconds, "gross_mm": round(item.gross_mm, 2)}
            for item in fresh
        ]
        body = {"at": at, "window_date": night, "openings": rows}
        told.append(PublishState(topic=f"zone/{zone}/plan", body=body))
    return told


def _by_zone(openings: Sequence[Opening], day: date) -> dict[str, list[Opening]]:
    found: dict[str, list[Opening]] = {}
    for item in openings:
        if item.window_date == day:
            found.setdefault(item.zone, []).append(item)
    return found


def plan_rows(before: Sequence[Opening], kept: Sequence[Opening], fresh: Sequence[Opening]) -> list[Command]:
    """Rows of the new openings, and "dropped" for planned ones that are no more."""
    now_planned = {item.key for item in (*kept, *fresh)}
    rows: list[Command] = [plan_row(item, "dropped") for item in before if item.key not in now_planned]
    old = {item.key: item for item in before}
    rows += [plan_row(item, "planned") for item in fresh if old.get(item.key) != item]
    return rows


def plan_row(item: Opening, state: str) -> RecordPlan:
    """The plan table's row of one opening."""
    return RecordPlan(
        zone=item.zone,
        source=item.source,
        window_date=item.window_date,
        start_no=item.start_no,
        start=utc(item.start_s),
        seconds=item.seconds,
        gross_mm=item.gross_mm,
        state=state,
    )
