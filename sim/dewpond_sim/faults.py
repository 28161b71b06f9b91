"""What goes wrong in a replay, as asked for by ``--faults``: a TOML file, or a few words.

A file has one table for each family of things that can be wrong, so that a family is added without touching another:

    [[sensor]]               # sensors that lie
    id = "probe-*"           # one id, or a pattern over ids
    fault = "drifts"         # see sensor_faults
    value = -0.0007          # for those that need one, in the sensor's own unit
    from = 2013-05-20        # site date or time with offset; from the start by default
    until = 2013-07-01       # when it is mended; never by default

    [ground]                 # ground that differs from the site file
    spread = 0.3             # plants, soils and heads are off by up to this share, drawn with --seed
    probe_noise = 0.01       # [m3/m3]

    [feed]
    rain = false             # no feed tells of rain: a gauge is the only source

Words say the first table on one line, faults parted by ";":  probe-bed drifts -0.0007 from 2013-05-20; gauge never-tips
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

from dewpond.brain.local_time import LocalDays
from dewpond.model.site import Site
from dewpond_sim.sensor_faults import KINDS, SensorFault
from dewpond_sim.world.world import Truth, drawn_truth

FAMILIES = {
    "sensor": ("id", "fault", "value", "from", "until"),
    "ground": ("spread", "probe_noise"),
    "feed": ("rain",),
}
MOST_SPREAD, MOST_NOISE_M3_M3 = 0.5, 0.1


class FaultsRefused(ValueError):
    """Raised when asked faults cannot be understood or do not fit the site. Every complaint is a line."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Faults:
    """What goes wrong: sensors that lie, ground that differs (None: as written), and whether a feed tells of rain."""

    sensors: tuple[SensorFault, ...] = ()
    truth: Truth | None = None
    rain_feed: bool = True


def read_faults(asked: str, site: Site, seed: int) -> Faults:
    """Read a file or words. Raises FaultsRefused with every complaint, OSError where a file cannot be read."""
    path = Path(asked)
    if path.suffix == ".toml" or path.is_file():
        return _from_tables(str(path), _toml(path), site, seed)
    return _from_tables("--faults", {"sensor": _from_words(asked)}, site, seed)


def _toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except tomllib.TOMLDecodeError as error:
        raise FaultsRefused(f"{path}: not TOML: {error}") from error


def _from_words(asked: str) -> list[dict[str, Any]]:
    """``ID FAULT [VALUE] [from WHEN] [until WHEN]``, parted by ";"."""
    return [_table_of(part.split()) for part in asked.split(";") if part.strip()]


def _table_of(words: list[str]) -> dict[str, Any]:
    table: dict[str, Any] = {}
    for place in ("from", "until"):
        if place in words[:-1]:
            at = words.index(place)
            table[place], words = _when_of(words[at + 1]), words[:at] + words[at + 2 :]
    if len(words) not in (2, 3):
        raise FaultsRefused(
            f'--faults "{" ".join(words)}": not a fault; write ID FAULT [VALUE] [from DATE] [until DATE], or name a '
            f"TOML file that exists"
        )
    table.update(zip(("id", "fault", "value"), words, strict=False))
    if "value" in table:
        table["value"] = _number_of(table["value"])
    return table


def _when_of(text: str) -> date | str:
    try:
        return datetime.fromisoformat(text) if "T" in text else date.fromisoformat(text)
    except ValueError:
        return text  # complained of with the rest


def _number_of(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text


def _from_tables(where: str, tables: Mapping[str, Any], site: Site, seed: int) -> Faults:
    wrong = [f"{where}, [{name}]: unknown; there are {', '.join(FAMILIES)}" for name in tables.keys() - FAMILIES.keys()]
    rows = tables.get("sensor", [])
    rows = rows if isinstance(rows, list) else [rows]
    sensors = [fault for row in rows for fault in _sensor_faults(where, row, site, wrong)]
    truth = _ground(where, tables.get("ground"), site, seed, wrong)
    feed = tables.get("feed", {})
    _known_keys(where, "feed", feed, wrong)
    if not isinstance(feed.get("rain", True), bool):
        wrong.append(f"{where}, [feed]: rain is {feed['rain']!r}, not true or false")
    if wrong:
        raise FaultsRefused("\n".join(sorted(wrong)))
    return Faults(sensors=tuple(sensors), truth=truth, rain_feed=bool(feed.get("rain", True)))


def _known_keys(where: str, family: str, table: Mapping[str, Any], wrong: list[str]) -> None:
    wrong += [
        f"{where}, [{family}]: {key} is unknown; there are {', '.join(FAMILIES[family])}"
        for key in table.keys() - set(FAMILIES[family])
    ]


def _sensor_faults(where: str, row: Mapping[str, Any], site: Site, wrong: list[str]) -> list[SensorFault]:
    """Every fault a table asks for; complaints go into ``wrong``."""
    _known_keys(where, "sensor", row, wrong)
    pattern, kind = str(row.get("id", "")), str(row.get("fault", "")).replace("-", " ")
    at = f"{where}, [sensor] {pattern or '(no id)'}"
    sensors = [sensor for sensor in site.sensors if fnmatchcase(sensor.id, pattern)]
    if not sensors:
        ids = ", ".join(sensor.id for sensor in site.sensors) or "none"
        wrong.append(f"{at}: no sensor of the site; it has {ids}")
    if kind not in KINDS:
        wrong.append(f"{at}: fault {kind!r} is unknown; there are {', '.join(KINDS)}")
        return []
    known = KINDS[kind]
    wrong += [
        f"{at}: {kind} is no fault of {sensor.id}, a sensor of kind {sensor.kind}; it is one of {', '.join(known.of)}"
        for sensor in sensors
        if known.of and sensor.kind not in known.of
    ]
    value = _value(at, kind, row.get("value"), wrong)
    since_s = _seconds(at, "from", row.get("from"), site, -math.inf, wrong)
    until_s = _seconds(at, "until", row.get("until"), site, math.inf, wrong)
    if until_s <= since_s:
        wrong.append(f"{at}: until is not after from; turn them round")
    return [
        SensorFault(sensor=sensor.id, kind=kind, since_s=since_s, until_s=until_s, value=value) for sensor in sensors
    ]


def _value(at: str, kind: str, value: Any, wrong: list[str]) -> float:
    needs = KINDS[kind].value
    number = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
    if needs and not number:
        wrong.append(f"{at}: {kind} needs a value, {needs}; got {value!r}")
    if not needs and value is not None:
        wrong.append(f"{at}: {kind} takes no value; leave {value!r} out")
    return float(value) if number else 0.0


def _seconds(at: str, key: str, when: Any, site: Site, usual_s: float, wrong: list[str]) -> float:
    """Seconds since 1970 of a site date's beginning or of a time with offset."""
    if when is None:
        return usual_s
    if isinstance(when, datetime) and when.tzinfo is not None:
        return when.timestamp()
    if isinstance(when, date) and not isinstance(when, datetime):
        return LocalDays(site.timezone).start_s(when)
    wrong.append(f"{at}: {key} is {when!r}, neither a date such as 2013-05-20 nor a time with its offset")
    return usual_s


def _ground(where: str, table: Any, site: Site, seed: int, wrong: list[str]) -> Truth | None:
    if table is None:
        return None
    _known_keys(where, "ground", table, wrong)
    limits = {"spread": MOST_SPREAD, "probe_noise": MOST_NOISE_M3_M3}
    found = {}
    for key, most in limits.items():
        value = table.get(key, 0.0)
        good = isinstance(value, int | float) and not isinstance(value, bool) and 0.0 <= value <= most
        if not good:
            wrong.append(f"{where}, [ground]: {key} is {value!r}; a number from 0 to {most:g}")
        found[key] = float(value) if good else 0.0
    return drawn_truth(site, seed, found["spread"], found["probe_noise"])


def in_words(faults: Faults) -> Sequence[str]:
    """What goes wrong, one line each, for a summary."""
    lines = [
        f"{fault.sensor} {fault.kind}" + (f" {fault.value:g}" if KINDS[fault.kind].value else "")
        for fault in faults.sensors
    ]
    lines += ["the ground differs from the site file"] if faults.truth is not None else []
    return [*lines, *([] if faults.rain_feed else ["no feed tells of rain"])]
