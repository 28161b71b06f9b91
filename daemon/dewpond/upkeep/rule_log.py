"""The log for an inspector: what ran in a span of dates, under which rules of the place, and by whose word.

Pure: from records to plain data with local times, each with its offset, so that a repeated hour is not ambiguous.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from dewpond.model import events as ev
from dewpond.model.commands import AnswerOperator, Command, NoteMaintenance, NoteRules, NoteShortened, RecordRun
from dewpond.model.events import Event, Now

STEP_WORTH_SAYING_S = 60.0
DECLARED = {"exempt": "exemption recorded", "end-exemption": "exemption ended", "stage": "stage declared"}
Told = tuple[Now, Event | Command]
Plain = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Span:
    """Site calendar dates, both ends included."""

    first: date
    last: date
    zone: ZoneInfo

    @property
    def begins(self) -> datetime:
        return datetime.combine(self.first, datetime.min.time(), self.zone)

    @property
    def ends(self) -> datetime:
        return datetime.combine(self.last + timedelta(days=1), datetime.min.time(), self.zone)

    def has(self, at: datetime) -> bool:
        return self.begins <= at < self.ends

    def local(self, at: datetime) -> str:
        """A local time with its offset from UTC."""
        return at.astimezone(self.zone).isoformat(sep=" ", timespec="seconds")


def rule_log(runs: Sequence[RecordRun], told: Iterable[Told], span: Span, zone: str | None = None) -> Plain:
    """Runs, what was declared, requests against a rule, maintenance, nights too small, and what became of the clock."""
    entries = list(told)
    answers = {item.request_id: item for _, item in entries if isinstance(item, AnswerOperator)}
    notes = {item.run_id: item for _, item in entries if isinstance(item, NoteRules)}
    asked = [(now, item) for now, item in entries if isinstance(item, ev.OperatorAsked)]
    return {
        "from": span.first.isoformat(),
        "to": span.last.isoformat(),
        "timezone": span.zone.key,
        "runs": [_run(run, notes, span) for run in runs if zone in (None, run.zone)],
        "declared": _declared(asked, answers, span),
        "requests": [
            _request(item, answers, span)
            for _, item in asked
            if item.action == "water" and span.has(item.at) and zone in (None, item.zone)
        ],
        "maintenance": [
            _maintenance(item, span)
            for _, item in entries
            if isinstance(item, NoteMaintenance) and span.has(item.began)
        ],
        "shortened": _shortened(entries, span, zone),
        "clock": [text for text in (_clock(now, item, span) for now, item in entries) if text is not None],
    }


def _run(run: RecordRun, notes: Mapping[str, NoteRules], span: Span) -> Plain:
    note = notes.get(run.run_id)
    return {
        "run_id": run.run_id,
        "zone": run.zone,
        "start": span.local(run.start),
        "end": span.local(run.end),
        "seconds": run.seconds,
        "litres": run.litres,
        "metered_litres": run.metered_litres,
        "kind": kind_of(run),
        "cause": run.cause,
        "note": run.note,
        "in_force": list(note.in_force) if note else [],
        "exemptions": list(note.exemptions) if note else [],
        "against": list(note.against) if note else [],
        "insisted_by": note.who if note else "",
        "reason": note.reason if note else "",
    }


def kind_of(run: RecordRun) -> str:
    """What sort of run it was: by schedule, by hand, or maintenance."""
    if run.cause.startswith("maintenance"):
        return "maintenance"
    return "by hand" if run.run_id.startswith("by-hand/") else "by schedule"


def _declared(
    asked: Sequence[tuple[Now, ev.OperatorAsked]], answers: Mapping[str, AnswerOperator], span: Span
) -> list[Plain]:
    """Exemptions and stages: those of the span, and those of before that may still have stood in it."""
    found = []
    for _, item in asked:
        answer = answers.get(item.request_id)
        if item.action not in DECLARED or answer is None or not answer.accepted:
            continue
        over = item.until is not None and item.until <= span.begins
        if not over and (span.has(item.at) or item.action != "end-exemption"):
            found.append(_declaration(item, answer, span))
    return found


def _declaration(item: ev.OperatorAsked, answer: AnswerOperator, span: Span) -> Plain:
    return {
        "at": span.local(item.at),
        "what": DECLARED[item.action],
        "target": item.target,
        "rule": item.rule,
        "number": item.number,
        "stage": item.stage,
        "until": span.local(item.until) if item.until else None,
        "who": item.person,
        "reason": item.reason,
        "text": answer.text,
    }


def _request(item: ev.OperatorAsked, answers: Mapping[str, AnswerOperator], span: Span) -> Plain:
    answer = answers.get(item.request_id)
    return {
        "at": span.local(item.at),
        "zone": item.zone,
        "minutes": (item.seconds or 0.0) / 60.0,
        "who": item.person,
        "insisted": item.against_rule,
        "reason": item.reason,
        "accepted": answer.accepted if answer else None,
        "answer": answer.text if answer else "",
    }


def _maintenance(item: NoteMaintenance, span: Span) -> Plain:
    return {
        "start": span.local(item.began),
        "end": span.local(item.began + timedelta(seconds=item.seconds)),
        "seconds": item.seconds,
        "work": item.work,
        "target": item.target,
        "who": item.who,
        "reason": item.reason,
        "litres": item.litres,
        "outcome": item.outcome,
        "facts": dict(item.facts),
    }


def _shortened(entries: Sequence[Told], span: Span, zone: str | None) -> list[Plain]:
    """The last word on each zone and night; one that was given all after all is left out."""
    last = {(item.window_date, item.zone): item for _, item in entries if isinstance(item, NoteShortened)}
    return [
        {
            "night": night.isoformat(),
            "zone": name,
            "wanted_min": round(item.wanted_s / 60.0, 1),
            "given_min": round(item.given_s / 60.0, 1),
            "carried_min": round(item.carried_s / 60.0, 1),
            "rule": item.rule,
        }
        for (night, name), item in sorted(last.items())
        if item.carried_s > 0.0 and span.first <= night <= span.last and zone in (None, name)
    ]


def _clock(now: Now, item: Event | Command, span: Span) -> Plain | None:
    if not span.has(now.wall):
        return None
    if isinstance(item, ev.ClockStepped) and abs(item.step_s) >= STEP_WORTH_SAYING_S:
        return {"at": span.local(now.wall), "what": f"set by {item.step_s:+.0f} s"}
    if isinstance(item, ev.ClockJudged):
        return {"at": span.local(now.wall), "what": f"{'trusted' if item.trusted else 'not trusted'}: {item.why}"}
    if isinstance(item, ev.OperatorAsked) and item.action == "clock":
        return {"at": span.local(now.wall), "what": f"taken as right by {item.person}"}
    return None
