"""The page Now: what is open, what flows, what comes tonight, and how every zone stands."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from markupsafe import Markup

from dewpond.board.charts.flow_scale import flow_scale
from dewpond.board.charts.soil import core_mark
from dewpond.board.words import Words, counted, day, known, night, span
from dewpond.model.reasons import ZoneReason
from dewpond.model.view import OpeningView, SiteView, SupplyView, ZoneView

DECISIONS = {
    "water": ("●", "to be watered"),
    "left dry": ("○", "left dry"),
    "held": ("‖", "held"),
    "not allowed": ("✕", "not allowed"),
}
VALVES = {
    "open": ("●", "open"),
    "opening": ("◔", "opening"),
    "closing": ("◕", "closing"),
    "closed": ("○", "closed"),
    "unknown": ("?", "not known"),
}


MOST_NAMES = 4  # longer lists of names hide what they say


@dataclass(frozen=True, slots=True)
class OpenEntry:
    """One zone with water on it, or about to have."""

    zone: str
    name: str
    sign: str
    state: str
    until: str
    sentence: str


@dataclass(frozen=True, slots=True)
class FlowEntry:
    supply: str
    sentence: str
    drawing: Markup
    watch: str


@dataclass(frozen=True, slots=True)
class ZoneRow:
    zone: str
    name: str
    core: Markup
    water: str
    sign: str
    decision: str
    why: str
    week: str


@dataclass(frozen=True, slots=True)
class AlarmEntry:
    key: str
    sentence: str
    since: str
    zone: str | None
    zone_name: str


@dataclass(frozen=True, slots=True)
class NowPage:
    open: tuple[OpenEntry, ...]
    resting: str
    flows: tuple[FlowEntry, ...]
    tonight: tuple[str, ...]
    zones: tuple[ZoneRow, ...]
    alarms: tuple[AlarmEntry, ...]


def now_page(view: SiteView) -> NowPage:
    """Everything the page says about this view."""
    words = Words.of(view)
    return NowPage(
        open=tuple(open_entry(zone, view.at, words) for zone in view.zones if zone.valve not in ("closed", "unknown")),
        resting=resting_sentence(view, words),
        flows=tuple(flow_entry(supply, view.at, words) for supply in view.supplies),
        tonight=tuple(tonight_sentences(view, words)),
        zones=tuple(zone_row(zone, words) for zone in view.zones),
        alarms=alarm_entries(view, words),
    )


def zone_names(view: SiteView) -> dict[str, str]:
    return {zone.id: zone.name or zone.id for zone in view.zones}


def open_entry(zone: ZoneView, at: datetime, words: Words) -> OpenEntry:
    sign, state = VALVES.get(zone.valve, VALVES["unknown"])
    parts = [f"about {words.flow(zone.flow_l_min)}"]
    if zone.opened_at:
        parts.insert(0, f"since {words.when(zone.opened_at, at)}")
    if zone.asked_by:
        parts.append(words.said(zone.asked_by))
    until = ""
    if zone.until:
        until = f"until {words.when(zone.until, at)}, {span((zone.until - at).total_seconds())} more"
    return OpenEntry(zone.id, zone.name or zone.id, sign, state, until, ", ".join(parts))


def resting_sentence(view: SiteView, words: Words) -> str:
    """What is said when nothing is open, with the next opening if there is one."""
    unknown = [zone.name or zone.id for zone in view.zones if zone.valve == "unknown"]
    if len(unknown) > MOST_NAMES:
        return f"Whether {len(unknown)} of {len(view.zones)} valves are closed is not known."
    if unknown:
        return f"Whether these are closed is not known: {', '.join(unknown)}."
    coming = next_opening(view)
    if coming is None:
        return "Every valve is closed. Nothing is planned."
    name = zone_names(view).get(coming.zone, coming.zone)
    return f"Every valve is closed. Next is {name} at {words.when(coming.start, view.at)}."


def flow_entry(supply: SupplyView, at: datetime, words: Words) -> FlowEntry:
    expected = words.flow(supply.expected_l_min)
    if not known(supply.flow_l_min):
        sentence = f"No fresh flow reading; {expected} expected."
    else:
        when = f" at {words.when(supply.flow_at, at)}" if supply.flow_at else ""
        sentence = f"{words.flow(supply.flow_l_min)} measured{when}; {expected} expected."
    if known(supply.pressure_kpa):
        sentence += f" Pressure {words.pressure(supply.pressure_kpa)}."
    drawing = (
        Markup("")
        if not known(supply.flow_l_min) and not supply.expected_l_min
        else flow_scale(
            measured=supply.flow_l_min,
            expected=supply.expected_l_min,
            capacity=supply.capacity_l_min,
            capacity_text=words.flow(supply.capacity_l_min) if supply.capacity_l_min else "",
        )
    )
    watch = f"Pipe watch: {supply.watching}. {supply.pump} {supply.guided}"
    return FlowEntry(supply.id, sentence, drawing, words.said(watch.strip()))


def tonight_sentences(view: SiteView, words: Words) -> list[str]:
    """What happens in the window in view, in one to three sentences."""
    if view.window_date is None or view.window_opens is None or view.window_closes is None:
        coming = f" The night is decided at {words.when(view.next_planning, view.at)}." if view.next_planning else ""
        return [f"Nothing is planned yet.{coming}"]
    window = f"{words.clock(view.window_opens)} to {words.clock(view.window_closes)}"
    sentences = [f"Night of {night(view.window_date)}, window {window}.", *_planned(view, words)]
    dry = sum(1 for zone in view.zones if zone.reason is not None and zone.reason.decision != "water")
    if dry:
        sentences.append(f"{counted(dry, 'zone gets', 'zones get')} no water.")
    return sentences


def _planned(view: SiteView, words: Words) -> list[str]:
    wet = [opening for opening in view.openings if opening.state != "dropped"]
    if not wet:
        return ["No zone is to be watered."]
    zones = len({opening.zone for opening in wet})
    seconds = sum(opening.seconds for opening in wet)
    litres = sum(opening.flow_l_min * opening.seconds / 60 for opening in wet)
    sentences = [f"{counted(zones, 'zone', 'zones')}, {span(seconds)} of water, about {words.volume(litres)}."]
    coming = next_opening(view)
    if coming is not None:
        name = zone_names(view).get(coming.zone, coming.zone)
        sentences.append(f"Next is {name} at {words.when(coming.start, view.at)}.")
    return sentences


def next_opening(view: SiteView) -> OpeningView | None:
    """The planned opening that starts first."""
    return min((o for o in view.openings if o.state == "planned"), key=lambda o: o.start, default=None)


def water_sentence(zone: ZoneView, words: Words) -> str:
    """How far the root zone is below full, and how far it may go."""
    if not known(zone.depletion_mm):
        return "soil water not known yet"
    missing = f"{words.depth(zone.depletion_mm)} missing, due at {words.depth(zone.raw_mm)}"
    return f"{missing}; roots lack water" if zone.depletion_mm > zone.raw_mm else missing


def decision_words(reason: ZoneReason | None) -> tuple[str, str]:
    if reason is None:
        return "·", "not decided yet"
    return DECISIONS.get(reason.decision, ("·", reason.decision))


def zone_row(zone: ZoneView, words: Words) -> ZoneRow:
    sign, decision = decision_words(zone.reason)
    if zone.held:
        sign, decision = DECISIONS["held"]
    return ZoneRow(
        zone=zone.id,
        name=zone.name or zone.id,
        core=core_mark(depletion_mm=zone.depletion_mm, raw_mm=zone.raw_mm, taw_mm=zone.taw_mm),
        water=water_sentence(zone, words),
        sign=sign,
        decision=decision,
        why=words.said(zone.held or (zone.reason.summary if zone.reason else "")),
        week=words.volume(zone.week_litres) if zone.week_litres > 0 else "",
    )


def alarm_entries(view: SiteView, words: Words) -> tuple[AlarmEntry, ...]:
    names = zone_names(view)
    return tuple(
        AlarmEntry(
            key=a.key,
            sentence=words.said(a.sentence),
            since=words.when(a.since, view.at),
            zone=a.zone if a.zone in names else None,
            zone_name=names.get(a.zone or "", ""),
        )
        for a in view.alarms
    )


def opening_sentence(opening: OpeningView, words: Words, at: datetime) -> str:
    """One opening in words, for titles of bars and for lists."""
    parts = f"{words.when(opening.start, at)}, {span(opening.seconds)}, {words.depth(opening.gross_mm)}"
    return f"{parts}, {words.flow(opening.flow_l_min)}, {opening.source}, {opening.state}"


def last_run_sentence(zone: ZoneView, words: Words) -> str:
    if zone.last_run_end is None:
        return "No run is recorded yet."
    return f"Last watered {day(words.local(zone.last_run_end).date())}, {words.depth(zone.last_run_mm)}."
