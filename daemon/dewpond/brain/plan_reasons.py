"""Why each zone gets what it gets tonight: kept for the record, and told where it is new."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from dewpond.brain import carried, cooling, establishment, place_now, rain_common, wording
from dewpond.brain.establishment import Starts
from dewpond.brain.ground import Ground
from dewpond.brain.local_time import utc
from dewpond.brain.packing import Decided, Piece
from dewpond.brain.state import State
from dewpond.brain.tonight import Tonight
from dewpond.model.commands import Command, PublishState, RecordReason
from dewpond.model.copying import replace
from dewpond.model.reasons import Input, ZoneReason

REASON_DAYS_KEPT = 3


def with_reasons(
    ground: Ground, state: State, tonight: Tonight, decided: Sequence[Decided], pieces: dict[str, list[Piece]]
) -> tuple[State, list[Command]]:
    """Keep and tell each zone's reason, where it is new or differs from the one already told for this night."""
    reasons, commands = dict(state.reasons), []
    decided_at = utc(tonight.now_s)
    at = decided_at.isoformat()
    for item in decided:
        seen = (*tonight.seen[item.zone.id], *cooling.inputs(state, item.zone, tonight.night.window_date))
        doubts = (*rain_common.said(ground, state, item.zone), *place_now.said(ground, item.zone, tonight.night))
        doubts = (*doubts, *carried.said(state, tonight, item.zone))
        told = _reason(item, tonight, decided_at, pieces.get(item.zone.id, ()), seen, doubts)
        before = reasons.get(item.zone.id)
        reasons[item.zone.id] = told
        if before is None or before.window_date != told.window_date or before.summary != told.summary:
            commands += [RecordReason(reason=told), _need_topic(told, at)]
    closing_day = ground.days.date_at(tonight.night.closes_s - 1.0)
    summaries = tuple(reasons[zone.id].summary if zone.id in reasons else "no decision" for zone in ground.site.zones)
    kept_from = closing_day - timedelta(days=REASON_DAYS_KEPT)
    day_reasons = {day: texts for day, texts in state.day_reasons.items() if day >= kept_from}
    return replace(state, reasons=reasons, day_reasons={**day_reasons, closing_day: summaries}), commands


def _reason(
    item: Decided,
    tonight: Tonight,
    decided_at: datetime,
    pieces: Sequence[Piece],
    seen: tuple[Input, ...],
    doubts: tuple[str, ...],
) -> ZoneReason:
    if item.starts is not None:
        item = _told_starts(item, item.starts, sum(piece.source == establishment.SOURCE for piece in pieces))
        pieces = [piece for piece in pieces if piece.source != establishment.SOURCE]
    given_s = sum([piece.placed.seconds for piece in pieces])
    short_s = item.need.seconds - given_s
    extra = doubts
    if item.chains and short_s > 0.5:
        extra = (*doubts, f"The window is too short: {short_s / 60:.0f} min are carried to the next night.")
    if item.chains and not pieces:
        summary = (
            f"Needs water, but nothing fits into tonight's allowed hours; {item.need.depletion_mm:.1f} mm are missing."
        )
        item = replace(item, decision="not allowed", summary=summary)
    return wording.reason(
        item.need,
        item.zone,
        tonight.night.window_date,
        decided_at,
        len(pieces),
        item.zone.rule,
        (*tonight.inputs, *seen),
        extra,
        item.decision,
        item.summary,
        given_s,
    )


def _told_starts(item: Decided, starts: Starts, placed: int) -> Decided:
    """The decision with its word on starts by day: a limit beside the night's, or all there is where that is dry."""
    sentence = starts.sentence
    if placed < len(starts.chains):
        sentence += f" Only {placed} of them find room."
    if item.need.water or item.decision is not None or not placed:
        return replace(item, need=replace(item.need, limits=(*item.need.limits, sentence)))
    night = f"The night is left dry, {item.need.depletion_mm:.1f} mm are missing."
    return replace(item, decision="water", summary=f"{sentence} {night}")


def _need_topic(told: ZoneReason, at: str) -> PublishState:
    body = {
        "at": at,
        "window_date": told.window_date.isoformat(),
        "decision": told.decision,
        "depletion_mm": round(told.depletion_mm, 2),
        "raw_mm": round(told.raw_mm, 2),
        "net_mm": round(told.net_mm, 2),
        "seconds": told.seconds,
        "why": list(told.sentences()),
    }
    return PublishState(topic=f"zone/{told.zone}/need", body=body)
