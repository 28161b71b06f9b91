"""The calendar of care at the desk of the work on foot: plain JSON in and out, for terminal and pages alike."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from dewpond.model.site import Site
from dewpond.model.upkeep import UpkeepEntry, next_entry
from dewpond.ports import UpkeepBook
from dewpond.upkeep import walk
from dewpond.upkeep.care import climate as cl
from dewpond.upkeep.care import devices as dv
from dewpond.upkeep.care import duties as du
from dewpond.upkeep.care import job as jb
from dewpond.upkeep.care import steps
from dewpond.upkeep.cups import KIND as CUPS
from dewpond.upkeep.refusal import Refused

DONE, CLIMATE = "care-done", "care-climate"
OLDEST = timedelta(days=5 * 366)
PASSED, FAILED = "passed", "failed"
Plain = dict[str, Any]


class CareDesk:
    """Due dates, jobs, devices and the log of one site's care."""

    def __init__(self, site: Site, book: UpkeepBook) -> None:
        self.site = site
        self.book = book
        self._zone = ZoneInfo(site.timezone)
        self._south = site.latitude_deg < 0.0

    def calendar(self, _form: Plain, _who: str, at: datetime) -> Plain:
        """Every duty with its day, the earliest first; and the reminders of the day."""
        today, climate = self._today(at), self._climate()
        found = self._due(climate, today)
        return {
            "site": self.site.name,
            "today": today.isoformat(),
            "climate": cl.shown(climate, today.year),
            "duties": [du.shown(one, today) for one in du.by_day(found)],
            "notices": [{"duty": key, "text": text} for key, text in du.notices(found, today).items()],
            "job": next((entry.subject for entry in self._open_jobs()), None),
        }

    def climate(self, form: Plain, who: str, at: datetime) -> Plain:
        """Keep frost dates: a person's, or those of measured lows."""
        if form.get("lows") is not None:
            days, lows_c = _lows(form["lows"])
            found = cl.of_lows(days, lows_c, south=self._south, told=form.get("source") or "the days handed in")
        elif form.get("last_frost") and form.get("first_frost"):
            found = cl.of_person(form, south=self._south)
        else:
            raise Refused("care-climate: give last_frost and first_frost, or lows")
        before = self.book.newest(CLIMATE, "site")
        entry = next_entry(CLIMATE, "site", cl.body_of(found), who=who, at=at, made_from=form.get("version", before))
        self.book.keep(entry)
        return {**cl.shown(found, self._today(at).year), "version": entry.version}

    def devices(self, _form: Plain, _who: str, _at: datetime) -> Plain:
        """Every device."""
        return {"devices": [_device_shown(device) for device in self._devices().values()]}

    def device(self, form: Plain, who: str, at: datetime) -> Plain:
        """Register a device, change or retire it."""
        known = self._devices()
        device = dv.changed(self.site, known, form)
        version = form.get("version", device.version)
        entry = next_entry(dv.KIND, device.id, dv.body_of(device), who=who, at=at, made_from=version)
        self.book.keep(entry)
        return {**_device_shown(device), "version": entry.version}

    def done(self, form: Plain, who: str, at: datetime) -> Plain:
        """Log a duty as done; a backflow test with its tester and result."""
        today = self._today(at)
        duty = self._duty(form["duty"])
        if duty.job and duty.key != du.LOOK:
            raise Refused(f"{duty.key}: it is guided and logged by its own steps; `dewpond care begin {duty.key}`")
        on = _day(form.get("on") or today.isoformat(), "on", today - OLDEST, today)
        body: Plain = {"on": on.isoformat(), "note": form.get("note", ""), "by": who}
        body |= self._tested(duty, form) if _is_backflow(duty) else self._plain_result(duty, form)
        if form.get("next_due"):
            latest = on + timedelta(days=dv.MOST_DAYS)
            body["next_due"] = _day(form["next_due"], "next_due", on + timedelta(days=1), latest).isoformat()
        entry = self._log(duty.key, body, who, at, form.get("version"))
        [again] = self._due(self._climate(), today, only=duty.key)
        return {**du.shown(again, today), "logged": dict(entry.body), "version": entry.version}

    def log(self, form: Plain, _who: str, _at: datetime) -> Plain:
        """What was done, newest first: of one duty, or of all."""
        newest = self.book.all_newest(DONE)
        if form.get("duty") and form["duty"] not in {entry.subject for entry in newest}:
            self._duty(form["duty"])  # refuses one that is neither logged nor due here
        keys = [entry.subject for entry in newest if form.get("duty") in (None, "", entry.subject)]
        rows = [entry for key in keys for entry in self.book.history(DONE, key)]
        told = [{"duty": one.subject, "who": one.who, "at": one.at.isoformat(), **one.body} for one in rows]
        return {"log": sorted(told, key=lambda one: (one["on"], one["at"]), reverse=True)}

    def begin(self, form: Plain, who: str, at: datetime) -> Plain:
        """Begin a guided job; one at a time."""
        if on := self._open_jobs():
            raise Refused(f"the job {on[-1].subject} is still on; go on with it, or end it first")
        before = [entry.subject for entry in self.book.all_newest(jb.KIND)]
        entry = jb.begun(form["job"], before, day=self._today(at).isoformat(), who=who, at=at)
        self.book.keep(entry)
        return jb.shown(self.site, self.current())

    def show(self, form: Plain, _who: str, _at: datetime) -> Plain:
        """A job as it stands."""
        return jb.shown(self.site, self.current(form.get("job")))

    def tick(self, form: Plain, who: str, at: datetime) -> Plain:
        """Say that cautions were read."""
        now = self.current(form.get("job"))
        self.book.keep(jb.ticks(self.site, now, _step(now, form), form["keys"], who=who, at=at))
        return jb.shown(self.site, self.current(now.id))

    def report(self, form: Plain, who: str, at: datetime) -> Plain:
        """Report a step of a place."""
        now = self.current(form.get("job"))
        entry = jb.report(self.site, now, _step(now, form), form["place"], form, who=who, at=at)
        self.book.keep(entry)
        return {**jb.shown(self.site, self.current(now.id)), "reported": dict(entry.body), "version": entry.version}

    def leave_out(self, form: Plain, who: str, at: datetime) -> Plain:
        """Leave a step out, with a reason."""
        now = self.current(form.get("job"))
        self.book.keep(jb.left_out(self.site, now, _step(now, form), form["place"], form, who=who, at=at))
        return jb.shown(self.site, self.current(now.id))

    def end(self, form: Plain, who: str, at: datetime) -> Plain:
        """End a job: done it goes into the log, broken off it does not count."""
        now = self.current(form.get("job"))
        broken_off = bool(form.get("broken_off"))
        entry = jb.ended(self.site, now, form.get("note", ""), broken_off=broken_off, who=who, at=at)
        kept = [entry]
        if entry.body["done"]:
            body = {"on": self._today(at).isoformat(), "note": form.get("note", ""), "by": who, "job": now.id}
            kept.append(self._log_entry(now.kind, body, who, at, None))
        self.book.keep(*kept)
        return jb.shown(self.site, self.current(now.id))

    def current(self, name: str | None = None) -> jb.Job:
        """The job of this name, or the one that is on. Raises Refused where there is none."""
        if name:
            entry = self.book.newest(jb.KIND, name)
            if entry is None:
                raise Refused(f"no job {name[:60]!r} here; `dewpond care` names the one that is on")
        else:
            on = self._open_jobs()
            if not on:
                raise Refused("no job is on; begin one with `dewpond care begin`")
            entry = on[-1]
        reports = self.book.all_newest(jb.REPORT, f"{entry.subject}/")
        return jb.job_from(entry, reports, self.book.all_newest(jb.TICKS, f"{entry.subject}/"))

    def _open_jobs(self) -> list[UpkeepEntry]:
        entries = [entry for entry in self.book.all_newest(jb.KIND) if not entry.body["ended"]]
        return sorted(entries, key=lambda entry: entry.body["began"])

    def _today(self, at: datetime) -> date:
        return at.astimezone(self._zone).date()

    def _climate(self) -> cl.Climate:
        entry = self.book.newest(CLIMATE, "site")
        return cl.assumed(self.site) if entry is None else cl.Climate(south=self._south, **entry.body)

    def _devices(self) -> dict[str, dv.Device]:
        return dv.devices(self.site, self.book.all_newest(dv.KIND))

    def _duty(self, key: str) -> du.Duty:
        known = {duty.key: duty for duty in du.duties(self.site, self._devices().values())}
        if key not in known:
            raise Refused(f"no duty {key[:60]!r} here; they are {', '.join(known)}")
        return known[key]

    def _due(self, climate: cl.Climate, today: date, only: str | None = None) -> list[du.Due]:
        logged = {entry.subject: _done_of(entry) for entry in self.book.all_newest(DONE)}
        walked = [entry.body["ended"] for entry in self.book.all_newest(walk.KIND) if entry.body["ended"]]
        audited = self._audited()
        found = []
        for duty in du.duties(self.site, self._devices().values()):
            done = logged.get(duty.key)
            if duty.key == du.LOOK and walked:
                done = _later(done, self._today(datetime.fromisoformat(max(walked))))
            if duty.key == du.AUDIT and audited is not None:
                done = _later(done, audited)
            if only in (None, duty.key):
                found.append(du.due(duty, climate, done, today))
        return found

    def _audited(self) -> date | None:
        """When the last zone of all had its audit; None while one had none."""
        newest = {entry.subject: entry.at for kind in (CUPS, "drip-audit") for entry in self.book.all_newest(kind)}
        days = [newest.get(zone.id) for zone in self.site.zones]
        known = [day for day in days if day is not None]
        return self._today(min(known)) if len(known) == len(days) else None

    def _tested(self, duty: du.Duty, form: Plain) -> Plain:
        """What a backflow test leaves on record."""
        missing = [name for name in ("tester", "certificate", "result") if not form.get(name)]
        serial = form.get("serial") or (duty.device.serial if duty.device else "")
        missing += [] if serial else ["serial"]
        if missing:
            raise Refused(f"{duty.key}: {', '.join(missing)} is missing; a test names device, tester and result")
        if form["result"] not in (PASSED, FAILED):
            raise Refused(f"{duty.key}: result {form['result'][:40]!r}; it is {PASSED} or {FAILED}")
        return {"serial": serial, **{name: form[name] for name in ("tester", "certificate", "result")}}

    def _plain_result(self, duty: du.Duty, form: Plain) -> Plain:
        given = [name for name in ("tester", "certificate") if form.get(name)]
        if given:
            raise Refused(f"{duty.key}: {', '.join(given)} is for backflow tests; put it into the note")
        result = form.get("result", PASSED)
        if result not in (PASSED, FAILED):
            raise Refused(f"{duty.key}: result {result[:40]!r}; it is {PASSED} or {FAILED}")
        return {"result": result, **({"serial": form["serial"]} if form.get("serial") else {})}

    def _log(self, key: str, body: Plain, who: str, at: datetime, version: int | None) -> UpkeepEntry:
        entry = self._log_entry(key, body, who, at, version)
        self.book.keep(entry)
        return entry

    def _log_entry(self, key: str, body: Plain, who: str, at: datetime, version: int | None) -> UpkeepEntry:
        before = self.book.newest(DONE, key)
        return next_entry(DONE, key, body, who=who, at=at, made_from=before if version is None else version)


def _done_of(entry: UpkeepEntry) -> du.Done:
    named = entry.body.get("next_due")
    return du.Done(
        on=date.fromisoformat(entry.body["on"]),
        passed=entry.body.get("result", PASSED) == PASSED,
        next_due=date.fromisoformat(named) if named else None,
    )


def _later(done: du.Done | None, on: date) -> du.Done:
    return done if done is not None and done.on >= on else du.Done(on=on)


def _is_backflow(duty: du.Duty) -> bool:
    return duty.device is not None and duty.device.kind == dv.BACKFLOW


def _device_shown(device: dv.Device) -> Plain:
    return {
        "device": device.id,
        **dv.body_of(device),
        "version": device.version,
        "rule": device.rule.words,
        "source": device.rule.source,
    }


def _step(now: jb.Job, form: Plain) -> steps.CareStep:
    step = steps.step_of(now.kind, form["step"])
    if step is None:
        known = ", ".join(one.key for one in steps.JOBS[now.kind])
        raise Refused(f"{now.id}: no step {form['step'][:60]!r}; steps are {known}")
    return step


def _day(text: str, name: str, earliest: date, latest: date) -> date:
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise Refused(f"{name}: {text[:20]!r} is no date; write it as YYYY-MM-DD") from None
    if not earliest <= day <= latest:
        raise Refused(f"{name}: {day} is not within {earliest} and {latest}; correct the year?")
    return day


def _lows(rows: list[Mapping[str, Any]]) -> tuple[list[date], list[float]]:
    """Days and their lowest temperatures [degC] as a form hands them in."""
    days, lows_c = [], []
    for row in rows:
        low = row.get("low_c")
        if isinstance(low, bool) or not isinstance(low, int | float) or not -70.0 <= low <= 60.0:
            raise Refused(f"lows: {str(row)[:60]}: low_c is a number from -70 to 60 degC")
        try:
            days.append(date.fromisoformat(str(row.get("date"))))
        except ValueError:
            raise Refused(f"lows: {str(row)[:60]}: date is written as YYYY-MM-DD") from None
        lows_c.append(float(low))
    return days, lows_c
