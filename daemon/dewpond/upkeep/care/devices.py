"""What is looked after by itself: backflow devices, batteries, filters and sensors, each with its interval and source.

The site file gives a backflow device to each supply that has one, and every sensor; the rest a person registers.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from dewpond.model.site import Site
from dewpond.model.upkeep import UpkeepEntry
from dewpond.upkeep.cautions import MEMORY, PRACTICE
from dewpond.upkeep.refusal import Refused

KIND = "care-device"
BACKFLOW, BATTERY, FILTER, SENSOR = "backflow", "battery", "filter", "sensor"
LEAST_DAYS, MOST_DAYS = 7, 3660
_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,39}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """How often a kind of device is due. ``in_season`` is only while water runs, ``at_start`` first at the start-up."""

    every_days: int
    words: str
    source: str
    in_season: bool = False
    at_start: bool = False


RULES: Mapping[tuple[str, str], Rule] = {
    (BACKFLOW, ""): Rule(
        every_days=365,
        words="tested once a year by a certified tester, or as the local code says",
        source=f"yearly tests are what most local codes ask, {MEMORY}; the local code wins",
        at_start=True,
    ),
    (BATTERY, "timer back-up"): Rule(
        every_days=183, words="a timer's back-up battery every six months", source=PRACTICE
    ),
    (BATTERY, "sensor"): Rule(every_days=365, words="a sensor's battery by its level, or yearly", source=PRACTICE),
    (BATTERY, "latching valve"): Rule(every_days=365, words="a battery that moves valves once a year", source=PRACTICE),
    (BATTERY, "rechargeable"): Rule(every_days=1095, words="a rechargeable battery every three years", source=PRACTICE),
    (FILTER, "screen"): Rule(every_days=30, words="cleaned monthly in season", source=PRACTICE, in_season=True),
    (FILTER, "disc"): Rule(every_days=30, words="cleaned monthly in season", source=PRACTICE, in_season=True),
    (FILTER, "media"): Rule(every_days=90, words="media flushed and looked at each quarter", source=PRACTICE,
                            in_season=True),
    (SENSOR, ""): Rule(
        every_days=365, words="compared with a second instrument once a year", source=PRACTICE, at_start=True
    ),
}  # fmt: skip
CALIBRATION = {
    "rain": "pour a known volume through the gauge and compare the tips",
    "flow": "let the meter count into a bucket of known volume",
    "pressure": "compare with a second gauge at the same tap",
    "soil_moisture": "compare with a sample dried and weighed, or with the reading a day after a thorough watering",
    "temperature": "compare in shade with a second thermometer, and in an ice bath at 0 degC",
    "humidity": "compare with a second instrument in shade",
    "wind": "spin freely by hand, then compare with a hand-held instrument",
    "solar": "clean and level it, then compare with a clear day's computed radiation",
    "switch": "wet it, or move it, and see the state change",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """One device. ``of`` is its kind within the kind; ``every_days`` overrides its rule; retired ones are not due."""

    id: str
    kind: str
    of: str
    place: str
    serial: str = ""
    note: str = ""
    every_days: int | None = None
    retired: bool = False
    version: int = 0

    @property
    def rule(self) -> Rule:
        """How often it is due."""
        rule = RULES.get((self.kind, self.of)) or RULES[self.kind, ""]
        return rule if self.every_days is None else replace(rule, every_days=self.every_days)

    @property
    def how(self) -> str:
        """What is done, in one line."""
        return CALIBRATION.get(self.of, "") if self.kind == SENSOR else ""


def devices(site: Site, entries: Sequence[UpkeepEntry]) -> dict[str, Device]:
    """Every device by id: the site file's own, and those registered, which may replace them."""
    found = {device.id: device for device in _of_site(site)}
    for entry in entries:
        found[entry.subject] = Device(id=entry.subject, version=entry.version, **entry.body)
    return found


def _of_site(site: Site) -> list[Device]:
    units = [
        Device(id=f"backflow-{supply.id}", kind=BACKFLOW, of=supply.backflow, place=supply.id)
        for supply in site.supplies
        if supply.backflow not in (None, "none")
    ]
    kinds = CALIBRATION.keys()
    sensors = [
        Device(id=f"sensor-{one.id}", kind=SENSOR, of=one.kind, place=one.zone or "site")
        for one in site.sensors
        if one.kind in kinds
    ]
    return [*units, *sensors]


def changed(site: Site, known: Mapping[str, Device], form: Mapping[str, Any]) -> Device:
    """The device a form makes or changes; fields that were not given stay. Raises Refused."""
    name = form["device"]
    if not _NAME.fullmatch(name):
        raise Refused(
            f"device {name[:60]!r}: a name is 1 to 40 of a-z, 0-9 and -, letters or figures first; shorten it"
        )
    given = {
        key: form[key] for key in ("kind", "of", "place", "serial", "note", "every_days", "retired") if key in form
    }
    before = known.get(name)
    if before is None and not {"kind", "place"} <= given.keys():
        raise Refused(f"device {name}: it is new; give its kind ({', '.join(kinds())}) and its place")
    device = replace(before, **given) if before else Device(id=name, **{"of": "", **given})
    places = {"site", *(zone.id for zone in site.zones), *(supply.id for supply in site.supplies)}
    if device.place not in places:
        raise Refused(f"device {name}: no place {device.place[:60]!r} here; places are {', '.join(sorted(places))}")
    _check_kind(device)
    if device.every_days is not None and not LEAST_DAYS <= device.every_days <= MOST_DAYS:
        raise Refused(f"device {name}: every {device.every_days} days; it is {LEAST_DAYS} to {MOST_DAYS} days")
    return device


def kinds() -> tuple[str, ...]:
    """Kinds of devices."""
    return tuple(dict.fromkeys(kind for kind, _ in RULES))


def _check_kind(device: Device) -> None:
    if device.kind not in kinds():
        raise Refused(f"device {device.id}: {device.kind[:60]!r} is no kind; kinds are {', '.join(kinds())}")
    known = [of for kind, of in RULES if kind == device.kind]
    if "" not in known and device.of not in known:
        raise Refused(f"device {device.id}: {device.of[:60]!r} is no {device.kind}; they are {', '.join(known)}")


def body_of(device: Device) -> dict[str, Any]:
    """As it is kept."""
    return {key: value for key, value in asdict(device).items() if key not in ("id", "version")}
