"""A guided job of the season as it stands: what is next, what was reported, what may be signed, when it is over.

A job is entries in the store and nothing else, so it goes on where it was interrupted, on any phone. Its reports are
one entry each: two people at one job disturb each other only where both report the same step of the same place.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from dewpond.model.site import Site, Supply
from dewpond.model.upkeep import UpkeepEntry, next_entry
from dewpond.settings.quantities import KPA_PER_PSI
from dewpond.upkeep.care import steps
from dewpond.upkeep.care.steps import AIR_LIMITS_KPA, JOBS, LONGEST_TURN_MIN, CareStep
from dewpond.upkeep.cautions import CAUTIONS, LAST_WORD, tick_fault
from dewpond.upkeep.judging import Seen, fault_of
from dewpond.upkeep.refusal import Refused

KIND, REPORT, TICKS = "care-job", "care-step", "care-ticks"
RIGHT, WRONG, LEFT_OUT = "right", "wrong", "left out"
LEAST_AIR_KPA = 10.0
_FLAGS = {
    "high_open": "the highest or farthest zone is open at its own valve",
    "cracked": "the shut-off was opened a crack first, then slowly",
    "shut": "the hand valve is shut, and a pump is off at its disconnect",
    "after_backflow": "the air goes in behind the backflow device",
    "zone_open": "the first zone is open before any air",
    "next_open": "the next zone was opened before this one was shut",
    "compressor_off": "the compressor is off",
}
_ALWAYS = ("job", "step", "place", "problem", "note", "version")
_OF_RUN = ("flow", "counted", "came_on", "went_off")
Plain = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One job: its own entry, its reports by (step, place), the cautions ticked by step."""

    entry: UpkeepEntry
    reports: Mapping[tuple[str, str], UpkeepEntry]
    ticked: Mapping[str, UpkeepEntry]

    @property
    def id(self) -> str:
        """Its name: kind and date."""
        return self.entry.subject

    @property
    def kind(self) -> str:
        """Which job it is."""
        return str(self.entry.body["job"])

    @property
    def ended(self) -> bool:
        """Whether somebody has closed it."""
        return bool(self.entry.body["ended"])


def job_from(entry: UpkeepEntry, reports: Sequence[UpkeepEntry], ticks: Sequence[UpkeepEntry]) -> Job:
    """A job from its entries."""
    return Job(
        entry=entry,
        reports={(one.body["step"], one.body["place"]): one for one in reports},
        ticked={one.body["step"]: one for one in ticks},
    )


def begun(kind: str, before: Sequence[str], *, day: str, who: str, at: datetime) -> UpkeepEntry:
    """A new job. Raises Refused for one that is none."""
    if kind not in JOBS:
        raise Refused(f"care: {kind[:60]!r} is no guided job; they are {', '.join(JOBS)}")
    name, number = f"{kind}/{day}", 1
    while name in before:
        number += 1
        name = f"{kind}/{day}-{number}"
    body = {"job": kind, "began": _stamp(at), "by": who, "ended": "", "done": False, "note": ""}
    return next_entry(KIND, name, body, who=who, at=at, made_from=None)


def due_steps(site: Site, job: Job) -> list[tuple[CareStep, str]]:
    """Everything the job does, in order."""
    left = frozenset(key for key, one in job.reports.items() if one.body["result"] == LEFT_OUT)
    return list(steps.order(site, job.kind, left))


def outstanding(site: Site, job: Job) -> list[tuple[CareStep, str]]:
    """What is still to be done; the first is next."""
    return [(step, place) for step, place in due_steps(site, job) if (step.key, place) not in job.reports]


def ticks(site: Site, job: Job, step: CareStep, keys: Sequence[str], *, who: str, at: datetime) -> UpkeepEntry:
    """The cautions of a step, read and ticked by a person."""
    _on(job)
    known = steps.cautions_of(step, site.supplies)
    unknown = [key for key in keys if key not in known]
    if unknown or not keys:
        raise Refused(
            f"step {step.key}: {', '.join(unknown)[:80] or 'nothing'} is no caution of it; they are {', '.join(known)}"
        )
    before = job.ticked.get(step.key)
    have = list(before.body["ticked"]) if before else []
    body = {"step": step.key, "ticked": list(dict.fromkeys([*have, *keys]))}
    return next_entry(TICKS, f"{job.id}/{step.key}", body, who=who, at=at, made_from=before)


def report(site: Site, job: Job, step: CareStep, place: str, form: Plain, *, who: str, at: datetime) -> UpkeepEntry:
    """A step done at a place, checked. Raises Refused where it is not its turn, or what it asks for is missing."""
    _check_turn(site, job, step, place)
    ticked = job.ticked.get(step.key)
    fault = tick_fault(steps.cautions_of(step, site.supplies), ticked.body["ticked"] if ticked else ())
    if fault:
        raise Refused(f"step {step.key}, {fault}")
    where = f"{job.id}, step {step.key} at {place}"
    _check_only_asked(where, step, form)
    last = _is_last_of_air(site, step, place)
    for name in step.asks:
        if not (name == "next_open" and last):
            _check_asked(where, name, form)
    _check_air(site, job, step, place, form, where)
    if step.machine in ("open", "close") and not form.get("keeper"):
        word = "sign" if step.machine == "open" else "close"
        raise Refused(f"{where}: the keeper does it and answers; `dewpond care {word}` asks it")
    if step.machine == "open" and (missing := unsigned(site, job)):
        raise Refused(f"{where}: {', '.join(missing)} of the start-up list is not done or was found wrong; see to it")
    wrong = form.get("problem") or form.get("came_on") is False or form.get("went_off") is False
    names = ("pipe", "pressure", "minutes", "flow", "came_on", "went_off", "problem", "note", "keeper", *_FLAGS)
    body = {
        "step": step.key,
        "place": place,
        "result": WRONG if wrong else RIGHT,
        **{name: form[name] for name in names if name in form},
    }
    return _kept(job, step, place, body, form, who, at)


def left_out(site: Site, job: Job, step: CareStep, place: str, form: Plain, *, who: str, at: datetime) -> UpkeepEntry:
    """A step left out with a reason. Raises Refused for one that safety hangs on."""
    _check_turn(site, job, step, place)
    if step.firm:
        raise Refused(f"{job.id}, step {step.key}: it is never left out; do it, or break the job off with a reason")
    body = {"step": step.key, "place": place, "result": LEFT_OUT, "why": form["why"]}
    return _kept(job, step, place, body, form, who, at)


def ended(site: Site, job: Job, note: str, *, broken_off: bool, who: str, at: datetime) -> UpkeepEntry:
    """The job closed: done, or broken off with a reason, which counts as not done."""
    _on(job)
    missing = outstanding(site, job)
    if missing and not broken_off:
        step, place = missing[0]
        raise Refused(
            f"{job.id}: {len(missing)} steps are not done, the next is {step.key} at {place}; do them, leave out what "
            "may be left out, or break it off with a reason"
        )
    if missing and not note.strip():
        raise Refused(f"{job.id}: say why it is broken off; it goes into the record")
    body = {**job.entry.body, "ended": _stamp(at), "done": not missing, "note": note}
    return next_entry(KIND, job.id, body, who=who, at=at, made_from=job.entry)


def unsigned(site: Site, job: Job) -> list[str]:
    """Items of the start-up list whose steps are not all done and right."""
    due = [(step, place) for step, place in due_steps(site, job) if step.signs]
    open_yet = [step.signs for step, place in due if _result(job, step, place) != RIGHT]
    return list(dict.fromkeys(open_yet))


def signed(job: str) -> list[str]:
    """Every item of the start-up list that a job's steps stand for."""
    return list(dict.fromkeys(step.signs for step in JOBS[job] if step.signs))


def shown(site: Site, job: Job) -> Plain:
    """As a screen shows it."""
    left = outstanding(site, job)
    return {
        "job": job.id,
        "by": job.entry.body["by"],
        "began": job.entry.body["began"],
        "ended": job.entry.body["ended"],
        "done": job.entry.body["done"],
        "note": job.entry.body["note"],
        "outstanding_count": len(left),
        "next": None if job.ended or not left else step_shown(site, job, *left[0]),
        "reports": [
            {**one.body, "who": one.who, "at": one.at.isoformat(), "version": one.version}
            for one in sorted(job.reports.values(), key=lambda one: one.at)
        ],
        "unsigned": unsigned(site, job),
    }


def step_shown(site: Site, job: Job, step: CareStep, place: str) -> Plain:
    """One step with its cautions, for a screen or a sheet."""
    ticked = job.ticked.get(step.key)
    have = set(ticked.body["ticked"]) if ticked else set()
    keys = steps.cautions_of(step, site.supplies)
    asks = [name for name in step.asks if not (name == "next_open" and _is_last_of_air(site, step, place))]
    return {
        "step": step.key,
        "title": step.title,
        "place": place,
        "how": list(step.how),
        "asks": {name: _FLAGS.get(name, name) for name in asks},
        "may_be_left_out": not step.firm,
        "machine": step.machine,
        "cautions": [
            {"key": key, "text": CAUTIONS[key].text, "source": CAUTIONS[key].source, "ticked": key in have}
            for key in keys
        ],
        "last_word": LAST_WORD if keys else "",
    }


def _check_turn(site: Site, job: Job, step: CareStep, place: str) -> None:
    _on(job)
    due = due_steps(site, job)
    if (step, place) not in due:
        places = [where for one, where in due if one == step]
        raise Refused(
            f"{job.id}: step {step.key} is not done at {place[:60]!r}; it is at {', '.join(places) or 'none'}"
        )
    if (step.key, place) in job.reports:
        return
    first, where = next((one, at) for one, at in due if (one.key, at) not in job.reports)
    if first.key != step.key or (step.key == "air" and where != place):
        raise Refused(f"{job.id}: step {first.key} at {where} comes first; report it, or leave it out with a reason")


def _check_only_asked(where: str, step: CareStep, form: Plain) -> None:
    """A figure that belongs to another step is refused rather than lost, and so is a flow that cannot be."""
    own = {*_ALWAYS, *step.asks, *({"run": _OF_RUN, "": ()}.get(step.machine, ("keeper",)))}
    strange = [name for name in form if name not in own]
    if strange:
        raise Refused(
            f"{where}: {', '.join(strange)} is not asked here; asked is {', '.join(step.asks) or 'no figure'}"
        )
    seen = Seen(flow_l_min=form.get("flow"), came_on=form.get("came_on"))
    if fault := fault_of(seen):
        raise Refused(f"{where}: {fault}")


def _check_asked(where: str, name: str, form: Plain) -> None:
    if name in _FLAGS and form.get(name) is not True:
        raise Refused(f"{where}: say that {_FLAGS[name]} ({name}); nothing is kept before it is so")
    if name not in _FLAGS and form.get(name) in (None, ""):
        raise Refused(f"{where}: {name} is missing; give it")


def _check_air(site: Site, job: Job, step: CareStep, place: str, form: Plain, where: str) -> None:
    """The limits of air: by the weakest pipe, by drip, by minutes."""
    if step.key not in ("connect", "air"):
        return
    zone = next((one for one in site.zones if one.id == place), None)
    pipe = str(form.get("pipe") if zone is None else job.reports["connect", zone.supply].body["pipe"])
    if pipe not in AIR_LIMITS_KPA:
        raise Refused(f"{where}: pipe {pipe[:40]!r} has no limit here; it is one of {', '.join(AIR_LIMITS_KPA)}")
    if zone is not None and not zone.overhead:
        pipe = "drip"
    limit_kpa, air_kpa = AIR_LIMITS_KPA[pipe], float(form["pressure"])
    if air_kpa > limit_kpa:
        raise Refused(
            f"{where}: {_pressure(air_kpa)} of air; {pipe} bears at most {_pressure(limit_kpa)}; turn the regulator "
            "down, and use volume, not pressure"
        )
    if air_kpa < LEAST_AIR_KPA:
        raise Refused(
            f"{where}: {air_kpa:g} kPa of air moves nothing; at least {LEAST_AIR_KPA:g}; read the gauge again"
        )
    if step.key == "air" and not 0.0 < float(form["minutes"]) <= LONGEST_TURN_MIN:
        raise Refused(
            f"{where}: {form['minutes']:g} min of air; a turn is above 0 and at most {LONGEST_TURN_MIN:g} min, since "
            "air friction heats pipe; give more short turns"
        )


def _pressure(kpa: float) -> str:
    return f"{kpa:.0f} kPa ({kpa / KPA_PER_PSI:.0f} psi)"


def _is_last_of_air(site: Site, step: CareStep, place: str) -> bool:
    """Whether no zone of the supply follows: its compressor is shut off before the zone is."""
    if step.key != "air":
        return False
    supply = _supply_of(site, place)
    return supply is not None and steps.farthest_first(site, supply)[-1].id == place


def _supply_of(site: Site, place: str) -> Supply | None:
    zone = next((one for one in site.zones if one.id == place), None)
    return None if zone is None else site.supply(zone.supply)


def _result(job: Job, step: CareStep, place: str) -> str:
    found = job.reports.get((step.key, place))
    return "" if found is None else str(found.body["result"])


def _kept(job: Job, step: CareStep, place: str, body: Plain, form: Plain, who: str, at: datetime) -> UpkeepEntry:
    made_from = form.get("version")
    return next_entry(REPORT, f"{job.id}/{step.key}/{place}", body, who=who, at=at, made_from=made_from)


def _on(job: Job) -> None:
    if job.ended:
        raise Refused(f"{job.id}: it ended at {job.entry.body['ended']}; begin a new one")


def _stamp(at: datetime) -> str:
    return at.astimezone(UTC).isoformat(timespec="microseconds")
