"""Walks, tasks and cards as a screen or a sheet of paper shows them: plain JSON with finished sentences, metric."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from dewpond.model.codec import to_plain
from dewpond.model.site import Site, Zone
from dewpond.model.upkeep import UpkeepEntry
from dewpond.upkeep import judging, register, tasks
from dewpond.upkeep.cautions import LAST_WORD, cautions
from dewpond.upkeep.fault_table import FAULTS, likely, sign_words
from dewpond.upkeep.register import ZoneCard
from dewpond.upkeep.walk import LEFT_OUT, Walk, all_cautions, compared, order, outstanding, zone_and_supply
from dewpond.upkeep.walk_steps import SITE, Step, faults_at

Plain = dict[str, Any]


def shown(
    site: Site, walk: Walk, before: Walk | None, cards: Mapping[str, ZoneCard], found_tasks: Sequence[UpkeepEntry]
) -> Plain:
    """A whole walk: what is next, what was seen, its tasks, and how it differs from the last."""
    left = outstanding(site, walk)
    mine = [task for task in found_tasks if any(one["walk"] == walk.id for one in task.body["seen"])]
    return {
        **summary(site, walk),
        "next": step_shown(site, walk, *left[0]) if left and not walk.ended else None,
        "outstanding": [{"step": step.key, "letter": step.letter, "place": place} for step, place in left],
        "looks": [
            look_shown(walk.looks[(step.key, place)], step)
            for step, place in order(site, walk)
            if (step.key, place) in walk.looks
        ],
        "tasks": [
            task_shown(task, walk, _zone(site, task), cards.get(task.body["place"])) for task in tasks.by_urgency(mine)
        ],
        "compared": None if before is None else compared_shown(site, before, walk),
        "last_word": LAST_WORD,
    }


def summary(site: Site, walk: Walk) -> Plain:
    """One line's worth of a walk."""
    results = Counter(look.body["result"] for look in walk.looks.values())
    return {
        "walk": walk.id,
        "site": site.name,
        "by": walk.entry.body["by"],
        "began": walk.entry.body["began"],
        "ended": walk.entry.body["ended"],
        "note": walk.entry.body["note"],
        "zones": list(walk.zones),
        "looked_at": sum(results.values()) - results[LEFT_OUT],
        "left_out": results[LEFT_OUT],
        "outstanding_count": len(outstanding(site, walk)),
        "findings": sum(len(look.body["findings"]) for look in walk.looks.values()),
    }


def step_shown(site: Site, walk: Walk, step: Step, place: str) -> Plain:
    """A step at a place: what to do, what is still to be ticked, and the words for what may be found."""
    zone, supply = zone_and_supply(site, place)
    entry = walk.ticked.get(step.key)
    ticked = entry.body["ticked"] if entry else []
    return {
        "step": step.key,
        "letter": step.letter,
        "title": step.title,
        "place": place,
        "name": zone.name if zone is not None else site.name if place == SITE else f"supply {place}",
        "how": list(step.how),
        "cautions": [
            {**asdict(caution), "ticked": caution.key in ticked} for caution in cautions(all_cautions(site, walk, step))
        ],
        "faults": [
            {"fault": fault.key, "words": fault.words, "urgency": fault.urgency}
            for fault in faults_at(step, zone, supply)
        ],
    }


def look_shown(look: UpkeepEntry, step: Step) -> Plain:
    """One look, with each finding in words."""
    body = look.body
    return {
        "step": step.key,
        "letter": step.letter,
        "title": step.title,
        "place": body["place"],
        "who": look.who,
        "at": look.at.isoformat(),
        "version": look.version,
        "result": body["result"],
        "why": body.get("why", ""),
        "waters": body.get("waters", ""),
        "note": body.get("note", ""),
        "sentences": list(body["sentences"]),
        "seen": body.get("seen"),
        "findings": [{**one, "words": finding_words(one)} for one in body["findings"]],
    }


def finding_words(finding: Mapping[str, Any]) -> str:
    """A finding as a clause: what, where, how many, and the person's own words."""
    words = FAULTS[finding["fault"]].words
    spot = f", {finding['spot']}" if finding["spot"] else ""
    count = f" ({finding['count']} of them)" if finding["count"] > 1 else ""
    return f"{words}{spot}{count}" + (f": {finding['note']}" if finding["note"] else "")


def task_shown(task: UpkeepEntry, walk: Walk | None, zone: Zone | None, card: ZoneCard | None) -> Plain:
    """A task with its likely causes, those first that the walk it was last seen on speaks for."""
    body, fault = task.body, FAULTS[task.body["fault"]]
    signs = _signs(task, walk, zone, card)
    last = body["seen"][-1] if body["seen"] else {"count": 1, "note": ""}
    return {
        "task": task.subject,
        "version": task.version,
        "place": body["place"],
        "fault": fault.key,
        "words": finding_words({"fault": fault.key, "spot": body["spot"], **_of(last, "count", "note")}),
        "urgency": body["urgency"],
        "state": body["state"],
        "seen": list(body["seen"]),
        "history": list(body["history"]),
        "photo": body["photo"],
        "causes": [
            {**asdict(cause), "because": [sign_words(sign) for sign in cause.because]} for cause in likely(fault, signs)
        ],
        "cautions": [asdict(caution) for caution in cautions(fault.cautions)],
        "source": fault.source,
        "last_word": LAST_WORD,
    }


def _signs(task: UpkeepEntry, walk: Walk | None, zone: Zone | None, card: ZoneCard | None) -> frozenset[str]:
    if walk is None:
        return frozenset()
    if zone is None or card is None:
        return frozenset(finding["fault"] for _, finding in walk.findings())
    found = [(finding["fault"], finding["count"]) for _, finding in walk.findings(zone.id)]
    by_hand = walk.looks.get(("by-hand", zone.id))
    faults = {fault for fault, _ in found}
    opens = by_hand is not None and by_hand.body["result"] != LEFT_OUT and "will-not-open" not in faults
    own = {task.body["fault"]}
    return judging.signs(zone, card.heads, found, opens) - own


def _of(values: Mapping[str, Any], *names: str) -> Plain:
    return {name: values[name] for name in names}


def _zone(site: Site, task: UpkeepEntry) -> Zone | None:
    return zone_and_supply(site, task.body["place"])[0]


def compared_shown(site: Site, before: Walk, now: Walk) -> Plain:
    """The difference from the last walk, as plain JSON."""
    told = compared(before, now)
    names = {SITE: "Timer and program"} | {item.id: f"Supply {item.id}" for item in site.supplies}
    names |= {zone.id: zone.name for zone in site.zones}

    def words(found: Sequence[tuple[str, str, str]]) -> list[Plain]:
        return [
            {
                "place": place,
                "fault": fault,
                "spot": spot,
                "words": f"{names.get(place, place)}: {FAULTS[fault].words}{f', {spot}' if spot else ''}",
            }
            for place, fault, spot in found
        ]

    return {
        "walk": before.id,
        "new": words(told.new),
        "still": words(told.still),
        "gone": words(told.gone),
        "not_looked_at": words(told.not_looked_at),
        "flows": [
            {"zone": zone, "then_l_min": then, "now_l_min": flow, "change_pct": _change_pct(then, flow)}
            for zone, then, flow in told.flows
        ],
    }


def _change_pct(then: float, now: float) -> float | None:
    return None if then <= 0.0 else 100.0 * (now - then) / then


def card_shown(card: ZoneCard, zone: Zone) -> Plain:
    """A card of the register, with what its heads come to and where it differs from the site file."""
    differences = register.differences(card, zone)
    plain: Plain = to_plain(card)
    return {
        **plain,
        "name": zone.name,
        "supply": zone.supply,
        "head_count": sum(group.count for group in card.heads),
        "head_flow_l_min": register.head_flow_l_min(card.heads),
        "rated_pressure_kpa": register.rated_kpa(card.heads),
        "mixed_kinds": len(register.kinds(card.heads)) > 1,
        "differences": differences,
        "site_file_line": register.site_file_line(card) if differences and card.heads else "",
    }
