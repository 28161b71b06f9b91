"""The page Tonight: each supply's timetable, every opening explained, and why the other zones stay dry."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from markupsafe import Markup

from dewpond.board.charts.timetable import Bar, Tick, timetable
from dewpond.board.show.now import decision_words, opening_sentence, tonight_sentences, zone_names
from dewpond.board.words import Words, span
from dewpond.model.reasons import ZoneReason
from dewpond.model.us_units import L_PER_GAL
from dewpond.model.view import OpeningView, SiteView, SupplyView

STATES = {
    "planned": "planned",
    "running": "running now",
    "done": "done",
    "shortened": "shortened",
    "dropped": "dropped",
}


@dataclass(frozen=True, slots=True)
class OpeningRow:
    number: int
    anchor: str
    zone: str
    name: str
    start: str
    end: str
    length: str
    depth: str
    flow: str
    source: str
    state: str
    note: str


@dataclass(frozen=True, slots=True)
class SupplyNight:
    supply: str
    drawing: Markup
    rows: tuple[OpeningRow, ...]


@dataclass(frozen=True, slots=True)
class ZoneWhy:
    zone: str
    name: str
    sign: str
    decision: str
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TonightPage:
    sentences: tuple[str, ...]
    supplies: tuple[SupplyNight, ...]
    zones: tuple[ZoneWhy, ...]


def tonight_page(view: SiteView) -> TonightPage:
    """Everything the page says about this view."""
    words, names = Words.of(view), zone_names(view)
    supplies, number = [], 0
    for supply in view.supplies:
        openings = sorted((o for o in view.openings if o.supply == supply.id), key=lambda o: (o.start, o.zone))
        rows = tuple(_row(o, number + i + 1, words, names, view.at) for i, o in enumerate(openings))
        number += len(rows)
        supplies.append(SupplyNight(supply.id, _drawing(view, supply, openings, rows, words), rows))
    zones = tuple(_why(zone.id, names[zone.id], zone.held, zone.reason, words) for zone in view.zones)
    return TonightPage(tuple(tonight_sentences(view, words)), tuple(supplies), zones)


def _row(opening: OpeningView, number: int, words: Words, names: dict[str, str], at: datetime) -> OpeningRow:
    return OpeningRow(
        number=number,
        anchor=f"opening-{number}",
        zone=opening.zone if opening.zone in names else "",
        name=names.get(opening.zone, opening.zone),
        start=words.when(opening.start, at),
        end=words.clock(opening.start + timedelta(seconds=opening.seconds)),
        length=span(opening.seconds),
        depth=words.depth(opening.gross_mm),
        flow=words.flow(opening.flow_l_min),
        source=opening.source,
        state=STATES.get(opening.state, opening.state),
        note=opening.note,
    )


def _why(zone: str, name: str, held: str, reason: ZoneReason | None, words: Words) -> ZoneWhy:
    sign, decision = decision_words(reason)
    sentences = (*((f"Held: {held}",) if held else ()), *(reason.sentences() if reason else ()))
    return ZoneWhy(zone, name, sign, decision, tuple(map(words.said, sentences)))


def _drawing(
    view: SiteView, supply: SupplyView, openings: list[OpeningView], rows: tuple[OpeningRow, ...], words: Words
) -> Markup:
    """The timetable over the window, widened to whole hours and to whatever runs outside the window."""
    if view.window_opens is None or view.window_closes is None:
        return Markup("")
    ends = [o.start + timedelta(seconds=o.seconds) for o in openings]
    first = _whole_hour(min([view.window_opens, *(o.start for o in openings)]), up=False)
    last = _whole_hour(max([view.window_closes, *ends]), up=True)
    factor = 1 / L_PER_GAL if words.us else 1.0

    def at_s(at: datetime) -> float:
        return (at - first).total_seconds()

    bars = [
        Bar(
            start_s=at_s(opening.start),
            seconds=opening.seconds,
            flow=opening.flow_l_min * factor,
            label=str(row.number),
            said=f"{row.number}: {row.name}, {opening_sentence(opening, words, view.at)}",
            state=opening.state if opening.state in STATES else "planned",
            link=f"#{row.anchor}",
        )
        for opening, row in zip(openings, rows, strict=True)
    ]
    return timetable(
        bars,
        _ticks(first, last, words),
        span_s=at_s(last),
        window=(at_s(view.window_opens), at_s(view.window_closes)),
        now_s=at_s(view.at),
        capacity=supply.capacity_l_min * factor if supply.capacity_l_min else None,
        unit="gpm" if words.us else "L/min",
        said=f"Timetable of supply {supply.id}; the table below says the same.",
    )


def _whole_hour(at: datetime, *, up: bool) -> datetime:
    seconds = at.astimezone(UTC).timestamp() / 3600
    return datetime.fromtimestamp((math.ceil(seconds) if up else math.floor(seconds)) * 3600, UTC)


def _ticks(first: datetime, last: datetime, words: Words) -> list[Tick]:
    """One tick an hour while there is room; narrow screens keep every third of those shown."""
    hours = round((last - first).total_seconds() / 3600)
    step = next(step for step in (1, 2, 3, 6, 12, 24) if hours / step <= 12 or step == 24)
    ticks = []
    for index, hour in enumerate(range(0, hours + 1, step)):
        local = words.local(first + timedelta(hours=hour))
        label = f"{local.hour % 12 or 12}{'a' if local.hour < 12 else 'p'}" if words.us else f"{local.hour:02d}"
        ticks.append(Tick(hour * 3600.0, label, fine=index % 3 != 0))
    return ticks
