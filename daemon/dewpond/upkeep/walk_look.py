"""What a person reports of one step becomes a look: figures judged, faults added by the program, tasks brought up."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from dewpond.brain.pipes.state import UsualFlow
from dewpond.model.site import Supply, Zone
from dewpond.model.upkeep import UpkeepEntry
from dewpond.upkeep import tasks
from dewpond.upkeep.fault_table import FAULTS
from dewpond.upkeep.judging import Seen, fault_of, judge, leak_l_min
from dewpond.upkeep.refusal import Refused
from dewpond.upkeep.register import ZoneCard, kinds
from dewpond.upkeep.tasks import Finding, finding_of
from dewpond.upkeep.walk import FOUND, RIGHT, Walk, looked_for
from dewpond.upkeep.walk_steps import Step, faults_at

Program = Callable[[], tuple[list[Finding], list[str]]]
MOST_FINDINGS = 60
USUAL_PULSE_L = 1.0  # where the site file does not state the meter's
LEAST_LEAK_L = 1.0  # a dial is read to a litre; common practice, no source
Plain = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """Where a report belongs, and what is known there."""

    step: Step
    place: str
    zone: Zone | None
    supply: Supply | None
    card: ZoneCard | None
    usual: UsualFlow | None
    program: Program | None


def result_of(given: Given, form: Mapping[str, Any]) -> Plain:
    """The body of a look from a checked form. Raises Refused, naming field, limit and remedy."""
    _only_here(given.step, form)
    found = _reported(given, form)
    judged, told = JUDGES.get(given.step.key, _nothing)(given, form)
    have = {one.fault for one in found}
    added = [one for one in judged if one.spot or one.fault not in have]
    found += {tasks.subject_of(given.place, one): one for one in added}.values()
    body: Plain = {
        "result": FOUND if found else RIGHT,
        "findings": [asdict(one) for one in found],
        "sentences": list(told),
        "waters": form.get("waters", ""),
        "note": form.get("note", ""),
    }
    if given.step.key == "run":
        body["seen"] = asdict(_seen(form))
    if given.step.key == "leak-test":
        body["seen"] = {name: form[name] for name in ("litres", "minutes") if name in form}
    if given.step.key == "repair" and not body["note"]:
        raise Refused(f"{given.place}, repair: say in a note what was done; it goes into the record")
    return body


_FIGURES = {
    "run": ("flow", "counted", "pressure", "at_head", "came_on", "went_off", "waters"),
    "leak-test": ("litres", "minutes"),
}


def _only_here(step: Step, form: Mapping[str, Any]) -> None:
    for key, names in _FIGURES.items():
        given = [name for name in names if name in form]
        if given and step.key != key:
            raise Refused(f"step {step.key}: {', '.join(given)} belongs to the step {key}; report it there")


def _reported(given: Given, form: Mapping[str, Any]) -> list[Finding]:
    plain = form.get("findings", ())
    where = f"{given.place}, {given.step.key}"
    if len(plain) > MOST_FINDINGS:
        raise Refused(f"{where}: {len(plain)} findings, at most {MOST_FINDINGS}; report like ones with a count")
    found = [finding_of(one, where) for one in plain]
    here = [fault.key for fault in faults_at(given.step, given.zone, given.supply)]
    for one in found:
        if one.fault not in here:
            belongs = FAULTS[one.fault].step
            why = f"it is looked for in the step {belongs}" if belongs != given.step.key else "it is of other zones"
            raise Refused(f"{where}: {one.fault} is not found here, {why}; here are {', '.join(here) or 'none'}")
    names = [tasks.subject_of(given.place, one) for one in found]
    if len(set(names)) < len(names):
        raise Refused(f"{where}: one fault was named twice at one spot; name each spot, or give a count")
    return found


def _nothing(_given: Given, _form: Mapping[str, Any]) -> tuple[list[Finding], list[str]]:
    return [], []


def _seen(form: Mapping[str, Any]) -> Seen:
    names = {"flow": "flow_l_min", "counted": "counted_l", "pressure": "pressure_kpa", "at_head": "at_head"}
    values = {field: form[name] for name, field in names.items() if name in form}
    return Seen(**values, came_on=form.get("came_on"), went_off=form.get("went_off"))


def _run(given: Given, form: Mapping[str, Any]) -> tuple[list[Finding], list[str]]:
    seen = _seen(form)
    fault = fault_of(seen)
    if fault:
        raise Refused(f"{given.place}, run: {fault}")
    if given.zone is None or given.card is None:
        return [], []
    pulse_l = given.supply.meter_pulse_l if given.supply is not None else None
    judged = judge(seen, given.zone, given.card.heads, given.usual, pulse_l or USUAL_PULSE_L)
    return [Finding(fault=fault) for fault in judged.faults], list(judged.sentences)


def _leak_test(given: Given, form: Mapping[str, Any]) -> tuple[list[Finding], list[str]]:
    if "litres" not in form or "minutes" not in form:
        if "litres" in form or "minutes" in form:
            raise Refused(f"{given.place}, leak-test: litres and minutes are both needed; give the other one too")
        return [], ["The meter was not read."]
    try:
        flow_l_min = leak_l_min(form["litres"], form["minutes"])
    except ValueError as error:
        raise Refused(f"{given.place}, {error}") from error
    seen = f"{form['litres']:.1f} L in {form['minutes']:.0f} min"
    told = f"{seen} passed with every valve shut"
    pulse_l = given.supply.meter_pulse_l if given.supply is not None else None
    if form["litres"] < max(LEAST_LEAK_L, 2.0 * (pulse_l or 0.0)):
        return [], [f"{told}: too little to tell from nothing."]
    others = " Others draw from this supply: make sure it was not they." if _shared(given) else ""
    return [Finding(fault="leak-while-shut", note=seen)], [f"{told}, {flow_l_min:.2f} L/min.{others}"]


def _shared(given: Given) -> bool:
    return given.supply is not None and given.supply.shared_with_house


def _heads(given: Given, _form: Mapping[str, Any]) -> tuple[list[Finding], list[str]]:
    found = kinds(given.card.heads) if given.card is not None else ()
    if len(found) < 2:
        return [], []
    return [Finding(fault="mixed-kinds", note=" and ".join(found))], [f"One zone, {len(found)} kinds of heads."]


def _program(given: Given, _form: Mapping[str, Any]) -> tuple[list[Finding], list[str]]:
    return given.program() if given.program is not None else ([], [])


JUDGES: Mapping[str, Callable[[Given, Mapping[str, Any]], tuple[list[Finding], list[str]]]] = {
    "run": _run,
    "leak-test": _leak_test,
    "heads": _heads,
    "program": _program,
}


def tasks_of(
    walk: Walk, look: UpkeepEntry, existing: Sequence[UpkeepEntry], *, who: str, at: datetime
) -> list[UpkeepEntry]:
    """The tasks that a look makes, brings up again, proves, takes back, or (step (c)) does."""
    step, place = look.body["step"], look.body["place"]
    mine = {task.subject: task for task in existing}
    if step == "repair" and look.body["result"] == RIGHT:
        return [_mended(task, walk, look, who, at) for task in mine.values() if _repairable(task, walk)]
    changed = []
    for plain in look.body["findings"]:
        finding = Finding(**plain)
        newest = mine.pop(tasks.subject_of(place, finding), None)
        changed.append(tasks.seen(newest, place, finding, walk=walk.id, who=who, at=at))
    for task in mine.values():
        if FAULTS[task.body["fault"]].step == step:
            after = tasks.taken_back(task, walk=walk.id, who=who, at=at)
            if after is None and looked_for(look, task.body["fault"]):
                after = tasks.proved(task, walk=walk.id, who=who, at=at)
            changed += [after] if after is not None else []
    return changed


def _repairable(task: UpkeepEntry, walk: Walk) -> bool:
    on_this_walk = any(one["walk"] == walk.id for one in task.body["seen"])
    return FAULTS[task.body["fault"]].repair and on_this_walk and task.body["state"] in tasks.STANDING


def _mended(task: UpkeepEntry, walk: Walk, look: UpkeepEntry, who: str, at: datetime) -> UpkeepEntry:
    why = f"mended on the walk {walk.id}: {look.body['note']}"
    return tasks.moved(task, tasks.DONE, why[: tasks.LONGEST_NOTE], who=who, at=at, made_from=None)
