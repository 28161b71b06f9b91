"""The technician's check at the desk of the work on foot: plain JSON in and out, for terminal and pages alike."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from dewpond.brain.pipes.state import UsualFlow
from dewpond.model.site import Heads, Site, Zone
from dewpond.ports import UpkeepBook
from dewpond.upkeep.steps import Step, cautions_of, checked_place, named, places, step_shown
from dewpond.upkeep.technician import judged, record
from dewpond.upkeep.technician.judged import FAULT, LOOK, Word
from dewpond.upkeep.technician.record import Check
from dewpond.upkeep.technician.seen import seen_of
from dewpond.upkeep.technician.steps import COIL, DYNAMIC, FLOW, OUTPUT, SPLICES, STATIC, STEPS, TRANSFORMER

Plain = dict[str, Any]


@dataclass(frozen=True, slots=True)
class TechnicianDesk:
    """Checks of one site. ``heads`` gives a zone's heads as the register has them, ``usual`` its usual flow."""

    site: Site
    book: UpkeepBook
    heads: Callable[[Zone], Sequence[Heads]]
    usual: Callable[[str], UsualFlow | None]

    def begin(self, _form: Plain, who: str, at: datetime) -> Plain:
        """Begin a check."""
        return self.shown(record.begin(self.book, self.site, who=who, at=at), who)

    def show(self, form: Plain, who: str, _at: datetime) -> Plain:
        """The check that is on, or one by name."""
        return self.shown(record.current(self.book, form.get("check")), who)

    def list(self, _form: Plain, who: str, _at: datetime) -> Plain:
        """Every check, oldest first."""
        return {"checks": [self._summary(self.shown(check, who)) for check in record.checks(self.book)]}

    def tick(self, form: Plain, who: str, at: datetime) -> Plain:
        """Cautions of a step, read by this person."""
        check, step = record.current(self.book, form.get("check")), named(STEPS, form["step"])
        record.on(check)
        shown = dict.fromkeys(key for place in places(self.site, step) for key in cautions_of(self.site, step, place))
        record.ticks(self.book, check).add(step, list(shown), form["keys"], who=who, at=at)
        return self.shown(check, who)

    def note(self, form: Plain, who: str, at: datetime) -> Plain:
        """What was measured at one step of one place."""
        check, step = record.current(self.book, form.get("check")), named(STEPS, form["step"])
        record.on(check)
        place = checked_place(self.site, step, form["place"])
        record.ticks(self.book, check).require(step, cautions_of(self.site, step, place), who)
        seen = seen_of(self.site, step, place, form, at.astimezone(ZoneInfo(self.site.timezone)))
        entry = record.keep(
            self.book, check, step, place, seen, who=who, at=at, version=form.get("version")
        )  # fmt: skip
        whole = record.current(self.book, check.id)
        words = [asdict(word) for word in self._words(whole, step.key, place)]
        return {
            **self.shown(whole, who),
            "noted": {"step": step.key, "place": place, "words": words},
            "version": entry.version,
        }

    def end(self, form: Plain, who: str, at: datetime) -> Plain:
        """End the check."""
        check = record.current(self.book, form.get("check"))
        return self.shown(record.end(self.book, check, form.get("note", ""), who=who, at=at), who)

    def standing(self) -> Sequence[str]:
        """What the last check found and nobody has measured right since, as clauses."""
        found = record.checks(self.book)
        if not found:
            return []
        last, names = found[-1], {zone.id: zone.name for zone in self.site.zones}
        told = []
        for row in self.shown(last, "")["measured"]:
            place = names.get(row["place"], row["place"])
            faults = [word for word in row["words"] if word["state"] == FAULT]
            told += [f"{place}: {one['text']} To do: {one['remedy']} ({last.day})" for one in faults]
        return told

    def shown(self, check: Check, who: str) -> Plain:
        """A check for screens and sheets: what was measured, judged, compared, and what is next."""
        rows = [self._row(check, step, place) for step in STEPS.values() for place in places(self.site, step)]
        left = record.outstanding(self.site, check)
        then = record.before(record.checks(self.book), check)
        ticks = record.ticks(self.book, check)
        body = check.entry.body
        return {
            "check": check.id,
            "site": self.site.name,
            "by": body["by"],
            "began": body["began"],
            "ended": body["ended"],
            "note": body["note"],
            "measured": [row for row in rows if row is not None],
            "outstanding": [{"step": step.key, "place": place} for step, place in left],
            "next": None if body["ended"] or not left else step_shown(self.site, *left[0], ticks, who),
            "compared": None if then is None else self._compared(then, check),
        }

    def _row(self, check: Check, step: Step, place: str) -> Plain | None:
        notes = check.of(step.key, place)
        if not notes:
            return None
        words = [asdict(word) for word in self._words(check, step.key, place)]
        return {
            "step": step.key,
            "title": step.title,
            "place": place,
            "words": words,
            "seen": [{**entry.body, "who": entry.who, "version": entry.version} for entry in notes.values()],
        }

    def _words(self, check: Check, step: str, place: str) -> Sequence[Word]:
        notes = {hour: entry.body for hour, entry in check.of(step, place).items()}
        body = next(iter(notes.values()))
        zone = next((zone for zone in self.site.zones if zone.id == place), None)
        if step == STATIC:
            supply = self.site.supply(place)
            return judged.static({hour: note["pressure"] for hour, note in sorted(notes.items())}, supply)
        if step == TRANSFORMER:
            return (self._transformer(check, body),)
        if zone is None:
            return ()
        return self._of_zone(step, zone, body)

    def _of_zone(self, step: str, zone: Zone, body: Mapping[str, Any]) -> Sequence[Word]:
        if step == DYNAMIC:
            return judged.dynamic(body["first"], body["last"], zone, self.heads(zone))
        if step == FLOW:
            return judged.flow(body["flow"], zone, self.heads(zone), self.usual(zone.id))
        words = {
            OUTPUT: lambda: judged.output(zone, body["waters"]),
            COIL: lambda: judged.coil(body["ohm"], body["coils"]),
            SPLICES: lambda: judged.SPLICES[body["splice"]],
        }
        return (words[step](),)

    def _transformer(self, check: Check, body: Mapping[str, Any]) -> Word:
        given = {"volts": body["volts"], "holding_a": body["holding"], "inrush_a": body["inrush"]}
        known = {name: value for name, value in given.items() if value is not None}
        return judged.transformer(body["va"], judged.load(self.site, check.coils(), **known))

    def _compared(self, then: Check, now: Check) -> Plain:
        changes = record.compared(then, now)
        return {"check": then.id, "day": then.day.isoformat(), "changes": [record.change_shown(one) for one in changes]}

    def _summary(self, shown: Plain) -> Plain:
        words = [word["state"] for row in shown["measured"] for word in row["words"]]
        return {
            **{name: shown[name] for name in ("check", "by", "began", "ended", "note")},
            "measured": len(shown["measured"]),
            "outstanding": len(shown["outstanding"]),
            "to_look_at": words.count(LOOK),
            "faults": words.count(FAULT),
        }
