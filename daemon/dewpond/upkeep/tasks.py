"""What came of findings: one task for each fault and spot, from the day it was first seen until it is seen mended.

A fault seen again on a later walk is the same task; one that comes back after its repair opens the task anew.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from dewpond.model.upkeep import UpkeepEntry, next_entry
from dewpond.upkeep.fault import URGENCIES
from dewpond.upkeep.fault_table import FAULTS
from dewpond.upkeep.refusal import Refused

KIND = "task"
OPEN, IN_HAND, DONE, PROVED, LEFT, WITHDRAWN = "open", "in hand", "done", "proved", "left", "withdrawn"
STATES = (OPEN, IN_HAND, DONE, PROVED, LEFT, WITHDRAWN)
STANDING = (OPEN, IN_HAND)  # somebody has still to do something
NEXT = {
    OPEN: {IN_HAND, DONE, LEFT},
    IN_HAND: {OPEN, DONE, LEFT},
    DONE: {OPEN, PROVED},
    PROVED: {OPEN},
    LEFT: {OPEN},
    WITHDRAWN: {OPEN},
}
LONGEST_SPOT, LONGEST_NOTE, MOST_COUNT = 60, 500, 500
Plain = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One fault as it was seen at a place: at which spot, at how many heads, and what the person says of it."""

    fault: str
    spot: str = ""
    count: int = 1
    note: str = ""
    photo: str = ""


def finding_of(plain: Mapping[str, Any], where: str) -> Finding:
    """A finding from plain JSON. Raises Refused, naming field, limit and remedy."""
    unknown = sorted(plain.keys() - {"fault", "spot", "count", "note", "photo"})
    if unknown:
        raise Refused(
            f"{where}: {', '.join(unknown)} is no part of a finding; they are fault, spot, count, note, photo"
        )
    fault, count = str(plain.get("fault", "")), plain.get("count", 1)
    if fault not in FAULTS:
        raise Refused(f"{where}: {fault!r} is no fault known here; `dewpond walk words` lists them")
    if isinstance(count, bool) or not isinstance(count, int) or not 1 <= count <= MOST_COUNT:
        raise Refused(f"{where}, {fault}: count {count!r} is not a whole number from 1 to {MOST_COUNT}")
    texts = {name: plain.get(name, "") for name in ("spot", "note", "photo")}
    for name, text in texts.items():
        longest = LONGEST_SPOT if name == "spot" else LONGEST_NOTE
        if not isinstance(text, str) or len(text) > longest or not text.replace("\n", " ").isprintable():
            raise Refused(f"{where}, {fault}: {name} is not a text of at most {longest} letters; shorten it")
    return Finding(fault=fault, count=count, **texts)


def subject_of(place: str, finding: Finding) -> str:
    """The name of a finding's task: place, fault, and the spot where one was named."""
    spot = re.sub(r"[^a-z0-9]+", "-", finding.spot.casefold()).strip("-")
    return f"{place}/{finding.fault}" + (f"/{spot}" if spot else "")


def seen(newest: UpkeepEntry | None, place: str, finding: Finding, *, walk: str, who: str, at: datetime) -> UpkeepEntry:
    """The task after its fault was seen on a walk: new, the same, or open again. What is left as it is stays left."""
    told = {"walk": walk, "at": at.isoformat(), "who": who, "count": finding.count, "note": finding.note}
    subject = subject_of(place, finding)
    if newest is None:
        first: Plain = {
            "place": place,
            "fault": finding.fault,
            "spot": finding.spot,
            "photo": finding.photo,
            "urgency": FAULTS[finding.fault].urgency,
            "state": OPEN,
            "seen": [told],
            "history": [],
        }
        return next_entry(KIND, subject, first, who=who, at=at, made_from=None)
    body: Plain = dict(newest.body)
    body["seen"] = [*(one for one in body["seen"] if one["walk"] != walk), told]
    body["photo"] = finding.photo or body["photo"]
    if body["state"] in (DONE, PROVED, WITHDRAWN):
        body = _moved(body, OPEN, f"seen again on the walk {walk}", who, at)
    return next_entry(KIND, subject, body, who=who, at=at, made_from=newest)


def taken_back(task: UpkeepEntry, *, walk: str, who: str, at: datetime) -> UpkeepEntry | None:
    """The task after a look that named its fault was corrected; None where nothing changes."""
    if not any(one["walk"] == walk for one in task.body["seen"]):
        return None
    body = dict(task.body)
    body["seen"] = [one for one in body["seen"] if one["walk"] != walk]
    if not body["seen"] and body["state"] in STANDING:
        body = _moved(body, WITHDRAWN, f"taken back on the walk {walk}", who, at)
    return next_entry(KIND, task.subject, body, who=who, at=at, made_from=task)


def proved(task: UpkeepEntry, *, walk: str, who: str, at: datetime) -> UpkeepEntry | None:
    """A task that was done, after its place was looked at and found right; None for every other state."""
    if task.body["state"] != DONE:
        return None
    return next_entry(
        KIND, task.subject, _moved(task.body, PROVED, f"seen right on the walk {walk}", who, at), who=who, at=at,
        made_from=task,
    )  # fmt: skip


def moved(task: UpkeepEntry, state: str, why: str, *, who: str, at: datetime, made_from: int | None) -> UpkeepEntry:
    """The task in another state, by a person's word. Raises Refused for a step that does not follow."""
    now = task.body["state"]
    if state not in STATES:
        raise Refused(f"task {task.subject}: {state!r} is no state; states are {', '.join(STATES)}")
    if state not in NEXT[now]:
        after = ", ".join(one for one in STATES if one in NEXT[now])
        raise Refused(f"task {task.subject}: it is {now}, which {state} does not follow; next may be {after}")
    if state in (DONE, LEFT, WITHDRAWN) and not why.strip():
        raise Refused(f"task {task.subject}: say what was done or why it is left; it goes into the record")
    if len(why) > LONGEST_NOTE:
        raise Refused(f"task {task.subject}: {len(why)} letters, at most {LONGEST_NOTE}; shorten it")
    body = _moved(task.body, state, why.strip(), who, at)
    return next_entry(
        KIND, task.subject, body, who=who, at=at, made_from=task.version if made_from is None else made_from
    )


def _moved(body: Mapping[str, Any], state: str, why: str, who: str, at: datetime) -> Plain:
    step = {"state": state, "who": who, "at": at.isoformat(), "why": why}
    return {**body, "state": state, "history": [*body["history"], step]}


def by_urgency(tasks: list[UpkeepEntry]) -> list[UpkeepEntry]:
    """Tasks as somebody would do them: what is most urgent first, then by place."""
    return sorted(tasks, key=lambda task: (URGENCIES.index(task.body["urgency"]), task.subject))
