"""What falls due and when: by the season between the frosts, by months within it, and by each device's interval."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from dewpond.model.site import Site
from dewpond.upkeep.care import devices as dv
from dewpond.upkeep.care.climate import Climate, Season
from dewpond.upkeep.cautions import PRACTICE

START_UP, LOOK, AUDIT, SHUT_DOWN = "start-up", "monthly-look", "mid-season-audit", "shut-down"
DEVICE, RECLAIMED = "device/", "reclaimed/"
BEFORE_FROST = timedelta(days=14)  # a shut-down is done before the pipes can freeze; common practice, no source
MONTH_DAYS = 30
BACKFLOW_NOTICE_DAYS, NOTICE_DAYS = 30, 14
SAME_SEASON_DAYS = 75  # work done this long before its day, or later, is that season's
MISSED_DAYS, NEW_DAYS = 120, 30  # later after its day, a season's work is no longer asked for; the latter at a new site
MOST_NAMED = 3  # devices in one reminder
NEVER_DONE = "never recorded"
RECLAIMED_SOURCE = "signs and separation: City of Austin; 314 CMR 20.04; El Paso Water; monthly: " + PRACTICE


@dataclass(frozen=True, slots=True, kw_only=True)
class Duty:
    """One thing to do again and again. ``job`` is guided step by step; ``kind`` says what its record asks for."""

    key: str
    kind: str  # a seasonal job's key, "device" or "reclaimed"
    title: str
    place: str
    rule: str
    source: str
    notice_days: int = NOTICE_DAYS
    how: str = ""
    job: bool = False
    device: dv.Device | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """A duty with its day. ``on`` is None where it never falls due; ``why`` says how the day was found."""

    duty: Duty
    on: date | None
    why: str
    last: date | None = None

    def state(self, today: date) -> str:
        """later, soon (within its notice), due, overdue (by more than its notice), or "not due here"."""
        if self.on is None:
            return "not due here"
        left = (self.on - today).days
        if left > self.duty.notice_days:
            return "later"
        if left > 0:
            return "soon"
        return "due" if left >= -self.duty.notice_days else "overdue"


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """A duty's last record. ``passed`` is False where a test failed, ``next_due`` where a person named a day."""

    on: date
    passed: bool = True
    next_due: date | None = None


def duties(site: Site, devices: Iterable[dv.Device]) -> list[Duty]:
    """Every duty of a site."""
    reclaimed = [supply for supply in site.supplies if supply.source == "reclaimed"]
    return [
        *_SEASONAL,
        *(_of_reclaimed(supply.id) for supply in reclaimed),
        *(_of_device(device) for device in devices if not device.retired),
    ]


_SEASONAL = (
    Duty(key=START_UP, kind=START_UP, title="Start-up after winter", place="site", job=True, source=PRACTICE,
         rule="once the last frost is over"),
    Duty(key=LOOK, kind=LOOK, title="Monthly look", place="site", job=True, source=PRACTICE,
         rule="each month of the season; a whole walk-round counts", notice_days=7),
    Duty(key=AUDIT, kind=AUDIT, title="Mid-season audit", place="site", source=PRACTICE,
         rule="half way between the frosts, every zone", how="Cups or a timed catch in every zone: `dewpond audit`."),
    Duty(key=SHUT_DOWN, kind=SHUT_DOWN, title="Autumn shut-down and blow-out", place="site", job=True, source=PRACTICE,
         rule="two weeks before the first frost"),
)  # fmt: skip


def _of_reclaimed(supply: str) -> Duty:
    return Duty(
        key=f"{RECLAIMED}{supply}",
        kind="reclaimed",
        title=f"Reclaimed water of {supply}",
        place=supply,
        rule="each month of the season, and on every walk",
        source=RECLAIMED_SOURCE,
        notice_days=7,
        how="Signs legible and purple parts in place; no cross-connection, no hose; no spray on eating areas.",
    )


def _of_device(device: dv.Device) -> Duty:
    title = {
        dv.BACKFLOW: f"Backflow test: {device.of or 'device'}",
        dv.BATTERY: f"Battery: {device.of}",
        dv.FILTER: f"Filter: {device.of}",
        dv.SENSOR: f"Calibration: {device.of.replace('_', ' ')} sensor",
    }[device.kind]
    return Duty(
        key=f"{DEVICE}{device.id}",
        kind="device",
        title=f"{title}, {device.id}",
        place=device.place,
        rule=device.rule.words if device.every_days is None else f"every {device.every_days} days, as entered",
        source=device.rule.source,
        notice_days=BACKFLOW_NOTICE_DAYS if device.kind == dv.BACKFLOW else 7,
        how=device.how,
        device=device,
    )


def due(duty: Duty, climate: Climate, done: Done | None, today: date) -> Due:
    """When a duty is due, counted from its last record and by the climate."""
    last = None if done is None else done.on
    if done is not None and not done.passed:
        return Due(duty=duty, on=done.on, last=last, why="the last test failed; mend it and have it tested again")
    if done is not None and done.next_due is not None:
        return Due(duty=duty, on=done.next_due, last=last, why="the day named at the last record")
    if duty.kind in (START_UP, SHUT_DOWN) and climate.last is None:
        return Due(duty=duty, on=None, last=last, why="no frost here")
    if duty.kind in (START_UP, AUDIT, SHUT_DOWN):
        on = _once_a_season(duty.kind, climate, last, today)
        return Due(duty=duty, on=on, last=last, why=_WHY[duty.kind])
    if duty.device is None:
        return Due(duty=duty, on=_monthly(climate, last, today), last=last, why="a month apart while water runs")
    return _of_interval(duty, duty.device, climate, last, today)


_WHY = {
    START_UP: "the last frost",
    AUDIT: "half way between the last frost and the first",
    SHUT_DOWN: "two weeks before the first frost",
}


def _once_a_season(kind: str, climate: Climate, last: date | None, today: date) -> date:
    after = today - timedelta(days=NEW_DAYS if last is None else MISSED_DAYS)
    if last is not None:
        after = max(after, last + timedelta(days=SAME_SEASON_DAYS))
    days = (_day(kind, climate.season(year)) for year in range(today.year - 1, today.year + 3))
    return next(day for day in days if day >= after)


def _day(kind: str, season: Season) -> date:
    return {START_UP: season.begins, AUDIT: season.middle, SHUT_DOWN: season.ends - BEFORE_FROST}[kind]


def _in_season(climate: Climate, day: date) -> date:
    """The day itself, or the end of the next season's first month where water does not run then."""
    if climate.last is None:
        return day
    seasons = (climate.season(year) for year in range(day.year - 1, day.year + 3))
    season = next(one for one in seasons if day <= one.ends - BEFORE_FROST)
    return max(day, season.begins + timedelta(days=MONTH_DAYS))


def _monthly(climate: Climate, last: date | None, today: date) -> date:
    """A month after the last record; where there is none, or none of this season, as soon as water runs."""
    if last is None or last < today - timedelta(days=MISSED_DAYS):
        return _in_season(climate, today)
    return _in_season(climate, last + timedelta(days=MONTH_DAYS))


def _of_interval(duty: Duty, device: dv.Device, climate: Climate, last: date | None, today: date) -> Due:
    rule = device.rule
    if last is None:
        on = _once_a_season(START_UP, climate, None, today) if rule.at_start and climate.last is not None else today
        on = _in_season(climate, on) if rule.in_season else on
        return Due(duty=duty, on=on, why=NEVER_DONE)
    on = last + timedelta(days=rule.every_days)
    if rule.in_season:
        on = _in_season(climate, on)
    return Due(duty=duty, on=on, last=last, why=f"{rule.every_days} days after the last time")


def shown(one: Due, today: date) -> dict[str, Any]:
    """As a screen shows it."""
    duty = one.duty
    return {
        "duty": duty.key,
        "title": duty.title,
        "place": duty.place,
        "due": None if one.on is None else one.on.isoformat(),
        "state": one.state(today),
        "last": None if one.last is None else one.last.isoformat(),
        "why": one.why,
        "rule": duty.rule,
        "how": duty.how,
        "guided": duty.job,
        "source": duty.source,
    }


def notice(one: Due, today: date) -> str:
    """The reminder as a sentence, or "" while it is too early."""
    if one.on is None or one.state(today) in ("later", "not due here"):
        return ""
    left = (one.on - today).days
    when = f"due on {one.on}" if left > 0 else "due today" if left == 0 else f"due since {one.on}"
    how = f"dewpond care begin {one.duty.key}" if one.duty.job else f"dewpond care done {one.duty.key}"
    return f"{one.duty.title} is {when} ({one.why}). When it is done: `{how}`."


def by_day(found: Iterable[Due]) -> list[Due]:
    """The earliest first; what never falls due last."""
    return sorted(found, key=lambda one: (one.on or date.max, not one.duty.job, one.duty.key))


def notices(found: Iterable[Due], today: date) -> Mapping[str, str]:
    """Every reminder of the day, by duty; batteries, filters and sensors are gathered, a backflow test is not."""
    told: dict[str, str] = {}
    gathered: dict[str, list[Due]] = {}
    for one in by_day(found):
        text, device = notice(one, today), one.duty.device
        if text and device is not None and device.kind != dv.BACKFLOW:
            gathered.setdefault(device.kind, []).append(one)
        elif text:
            told[one.duty.key] = text
    for kind, several in gathered.items():
        if len(several) == 1:
            told[several[0].duty.key] = notice(several[0], today)
        else:
            told[f"{DEVICE}{kind}s"] = _gathered(kind, several)
    return told


def _gathered(kind: str, several: Sequence[Due]) -> str:
    names = [one.duty.key.removeprefix(DEVICE) for one in several]
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    what = {
        dv.SENSOR: "sensors to compare with a second instrument",
        dv.BATTERY: "batteries to look at or change",
        dv.FILTER: "filters to clean",
    }[kind]
    return (
        f"{len(several)} {what}, the first due on {several[0].on}: {', '.join(names[:MOST_NAMED])}{more}. "
        "`dewpond care` lists them."
    )
