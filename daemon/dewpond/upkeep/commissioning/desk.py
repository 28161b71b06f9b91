"""Commissioning at the desk of the work on foot: plain JSON in and out. The daemon is told apart from it."""

from __future__ import annotations

import statistics
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from dewpond.brain.pipes.state import UsualFlow
from dewpond.model.site import Site, Zone
from dewpond.ports import UpkeepBook
from dewpond.settings.quantities import FLOW_L_MIN, QuantityError
from dewpond.upkeep import cups
from dewpond.upkeep.audit_desk import DRIP
from dewpond.upkeep.commissioning.record import BEGUN, OK, SIGNED, WRONG, Book, Progress
from dewpond.upkeep.commissioning.steps import CLICK, CUPS, FLUSH, RUNS, RUNS_WANTED, STEPS
from dewpond.upkeep.judging import MOST_L_MIN
from dewpond.upkeep.refusal import Refused
from dewpond.upkeep.steps import Step, cautions_of, checked_place, named, step_shown

Plain = dict[str, Any]
NEVER = "never commissioned"
WATERS = ("clear", "dirty")


@dataclass(frozen=True, slots=True)
class CommissionDesk:
    """Zones of one site on their way to the sign-off. ``usual`` gives a zone's usual flow by the meter."""

    site: Site
    book: UpkeepBook
    usual: Callable[[str], UsualFlow | None]

    @property
    def records(self) -> Book:
        """What the store has of it."""
        return Book(self.site, self.book)

    def begin(self, form: Plain, who: str, at: datetime) -> Plain:
        """Begin the commissioning of some zones."""
        zones = [self._zone(name) for name in dict.fromkeys(form["zones"])]
        for zone in zones:
            self.records.begin(zone, self._runs_of(zone), who=who, at=at, note=form.get("note", ""))
        return self.shown(who, [zone.id for zone in zones])

    def show(self, form: Plain, who: str, _at: datetime) -> Plain:
        """Where every zone stands, or one."""
        return self.shown(who, [self._zone(form["zone"]).id] if form.get("zone") else None)

    def tick(self, form: Plain, who: str, at: datetime) -> Plain:
        """Cautions of a step, read by this person."""
        step, place = self._at(form)
        self.records.ticks(place).add(step, cautions_of(self.site, step, place), form["keys"], who=who, at=at)
        return self.shown(who, self._zones_of(place))

    def note(self, form: Plain, who: str, at: datetime) -> Plain:
        """What was seen at one step."""
        step, place = self._at(form)
        self.records.ticks(place).require(step, cautions_of(self.site, step, place), who)
        seen = self._seen(step, place, form)
        kept = {**seen, "note": form.get("note", "")}
        entry = self.records.report(step, place, kept, who=who, at=at, version=form.get("version"))
        return {**self.shown(who, self._zones_of(place)), "noted": dict(entry.body), "version": entry.version}

    def leave_out(self, form: Plain, who: str, at: datetime) -> Plain:
        """A step left out with its reason."""
        step, place = self._at(form)
        self.records.leave_out(step, place, form["why"], who=who, at=at, version=form.get("version"))
        return self.shown(who, self._zones_of(place))

    def sign(self, form: Plain, who: str, at: datetime) -> Plain:
        """Sign a zone off."""
        zone = self._zone(form["zone"])
        entry = self.records.sign(zone, who=who, at=at, note=form.get("note", ""))
        return {**self.shown(who, [zone.id]), "signed": {"zone": zone.id, "by": entry.who, "version": entry.version}}

    def shown(self, who: str, zones: list[str] | None = None) -> Plain:
        """Zones with their steps, for screens and sheets."""
        wanted = [zone for zone in self.site.zones if zones is None or zone.id in zones]
        return {
            "site": self.site.name,
            "prove_zones": self.site.prove_zones,
            "zones": [self._shown(zone, who) for zone in wanted],
        }

    def _shown(self, zone: Zone, who: str) -> Plain:
        newest, begun, records = self.records.newest(zone.id), self.records.begun(zone.id), self.records
        progress = records.progress(zone)
        on = newest is not None and newest.body["state"] == BEGUN
        left = [one for one in progress if not one.settled] if on else []
        following = None
        if left:
            step, place = left[0].step, left[0].place
            following = step_shown(self.site, step, place, records.ticks(place), who)
        return {
            "zone": zone.id,
            "name": zone.name,
            "state": NEVER if newest is None else newest.body["state"],
            "begun": None if begun is None else {"by": begun.who, "at": begun.at.isoformat()},
            "signed": _signed(newest),
            "steps": [self._step_row(one) for one in progress],
            "missing": [{"step": one.step.key, "place": one.place} for one in left],
            "next": following,
            "may_sign": on and not left,
        }

    def _step_row(self, one: Progress) -> Plain:
        entry = one.entry
        row: Plain = {"step": one.step.key, "title": one.step.title, "place": one.place, "result": "", "said": ""}
        if entry is None:
            return row
        body = entry.body
        said = _audit_said(entry.kind, body) if entry.kind in (cups.KIND, DRIP) else body.get("said", "")
        said = "; ".join(text for text in (said, body.get("why", ""), body.get("note", "")) if text)
        row |= {"result": body.get("result", OK), "said": said, "who": entry.who, "at": entry.at.isoformat()}
        return {**row, "version": entry.version}

    def _seen(self, step: Step, place: str, form: Mapping[str, Any]) -> Plain:
        missing = [name for name in step.needs if form.get(name) in (None, "")]
        if missing:
            raise Refused(f"{place}, {step.key}: {' and '.join(missing)} is missing; {step.how[0]}")
        if step.key == CUPS:
            raise Refused(f"{place}, cups: an audit that is kept counts by itself; audit the zone, or leave it out")
        if step.key == RUNS:
            return self._runs(self._zone(place), form)
        if step.key == CLICK:
            return self._clicked(self._zone(place), form["waters"])
        if step.key == FLUSH:
            return _flushed(place, form["water"])
        works = form["works"] is True
        return _result(works, f"{step.title} works", f"{step.title} does not do as it should")

    def _clicked(self, zone: Zone, waters: str) -> Plain:
        known = [one.id for one in self.site.zones]
        if waters not in (*known, "nothing"):
            raise Refused(f"{zone.id}, click: {waters!r} is no zone; it is one of {', '.join(known)}, or nothing")
        why = f"output {zone.output} clicked {waters}; swap the wires or correct output in the site file"
        return {**_result(waters == zone.id, f"Output {zone.output} clicks {zone.id}", why), "waters": waters}

    def _runs(self, zone: Zone, form: Mapping[str, Any]) -> Plain:
        if self.site.supply(zone.supply).meter is not None:
            return self._counted(zone)
        flows = []
        for text in form.get("flows", ()):
            try:
                flows.append(FLOW_L_MIN.read(text))
            except QuantityError as fault:
                raise Refused(f"{zone.id}, runs: {fault}") from fault
        if len(flows) < RUNS_WANTED:
            raise Refused(f"{zone.id}, runs: {len(flows)} flows, at least {RUNS_WANTED}; run it again and read each")
        if not all(0.0 < flow <= MOST_L_MIN for flow in flows):
            raise Refused(f"{zone.id}, runs: a flow is not above 0 and at most {MOST_L_MIN:g} L/min; check the unit")
        mean = statistics.fmean(flows)
        said = f"{len(flows)} runs by hand of {mean:.1f} L/min, from {min(flows):.1f} to {max(flows):.1f} L/min"
        return {"result": OK, "said": said, "flows_l_min": flows, "flow_l_min": mean, "runs": len(flows)}

    def _counted(self, zone: Zone) -> Plain:
        usual, runs, begun = self.usual(zone.id), self._runs_of(zone), self.records.begun(zone.id)
        if begun is not None and runs >= begun.body["runs"]:  # fewer than then is a flow that is learned afresh
            runs -= begun.body["runs"]
        if usual is None or runs < RUNS_WANTED:
            raise Refused(
                f"{zone.id}, runs: the meter has counted {runs} of {RUNS_WANTED} runs of this zone alone; water it by "
                "hand for some minutes, again until it has"
            )
        from dewpond.brain.pipes.usual import expected_l_min  # noqa: PLC0415 - only a site with a meter asks

        l_min = expected_l_min(usual, None)
        said = f"{runs} runs counted by the meter, usually {l_min:.1f} L/min"
        return {"result": OK, "said": said, "flow_l_min": l_min, "runs": runs}

    def _runs_of(self, zone: Zone) -> int:
        """Runs of the zone alone that its usual flow rests on."""
        usual = self.usual(zone.id)
        return 0 if usual is None else usual.runs

    def _at(self, form: Mapping[str, Any]) -> tuple[Step, str]:
        step = named(STEPS, form["step"])
        return step, checked_place(self.site, step, form["place"])

    def _zones_of(self, place: str) -> list[str]:
        return [zone.id for zone in self.site.zones if place in (zone.id, zone.supply)]

    def _zone(self, name: str) -> Zone:
        for zone in self.site.zones:
            if zone.id == name:
                return zone
        raise Refused(f"no zone {name!r} here; zones are {', '.join(zone.id for zone in self.site.zones)}")


def _signed(newest: Any) -> Plain | None:
    if newest is None or newest.body["state"] != SIGNED:
        return None
    return {"by": newest.who, "at": newest.at.isoformat(), "note": newest.body["note"], "version": newest.version}


def _result(right: bool, said: str, why: str) -> Plain:
    return {"result": OK, "said": said} if right else {"result": WRONG, "why": why}


def _flushed(place: str, water: str) -> Plain:
    if water not in WATERS:
        raise Refused(f"{place}, flush: {water!r} is not known; what came last was clear or dirty")
    return _result(water == "clear", "Flushed until clear", "it still comes dirty; go on flushing")


def _audit_said(kind: str, body: Mapping[str, Any]) -> str:
    if kind == cups.KIND:
        rate = "" if body["rate_mm_h"] is None else f", {body['rate_mm_h']:.1f} mm/h"
        return f"Low-quarter uniformity {body['du_lq']:.0%}{rate}"
    return f"Emission uniformity {body['result']['emission_uniformity']:.0%}"
