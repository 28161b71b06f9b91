"""What can go wrong in an ordeal, by kind: how long it lasts, what its value means, and which sites it can befall.

The numbers in the words are rows of the fault table that the proofs work through.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from dewpond.model.site import Site

Draw = Callable[[Site, np.random.Generator], str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault from ``at_s`` up to ``until_s`` (elapsed seconds of the ordeal); ``value`` and ``target`` by kind."""

    kind: str
    at_s: float
    until_s: float
    value: float = 0.0
    target: str = ""

    def covers(self, at_s: float) -> bool:
        return self.at_s <= at_s < self.until_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Deed:
    """What a person does at ``at_s``. ``name`` pairs a lock or hold with its end."""

    at_s: float
    action: str
    zone: str = ""
    seconds: float = 0.0
    name: str = ""


def _any(_site: Site) -> bool:
    return True


def _nothing(_site: Site, _rng: np.random.Generator) -> str:
    return ""


def _an_output(site: Site, rng: np.random.Generator) -> str:
    return str(rng.integers(1, site.relays.outputs + 1))


def _a_sensor(site: Site, rng: np.random.Generator) -> str:
    return site.sensors[rng.integers(len(site.sensors))].id


def _has_sensors(site: Site) -> bool:
    return bool(site.sensors)


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """One way to fail. ``lasts_s`` and ``value`` are the least and the greatest that are drawn."""

    words: str
    lasts_s: tuple[float, float] = (0.0, 0.0)
    value: tuple[float, float] = (0.0, 0.0)
    signed: bool = False
    fits: Callable[[Site], bool] = _any
    target: Draw = _nothing


HOURS_S = 3600.0
DAYS_S = 86_400.0

KINDS = {
    "daemon killed": Kind(words="the daemon dies and is started again when it is over (1-4, 6)", lasts_s=(5.0, 6e3)),
    "daemon killed at work": Kind(
        words="the same, at the VALUE-th named point of an opening's life after it was due (1-4, 6)",
        lasts_s=(5.0, 6e3),
        value=(1.0, 30.0),
    ),
    "daemon stopped": Kind(words="the daemon does nothing for a while, and then goes on (5)", lasts_s=(5.0, 6e3)),
    "keeper killed": Kind(words="the keeper dies; its relays stay as they are until it is back", lasts_s=(1.0, 20.0)),
    "clock set": Kind(words="the wall clock is moved by VALUE s (18, 19)", value=(60.0, 2 * DAYS_S), signed=True),
    "clock a little off": Kind(words="the wall clock is moved by VALUE s (18)", value=(1.0, 3600.0), signed=True),
    "disk full": Kind(words="nothing can be made durable (22, 23, 24)", lasts_s=(10.0, 12 * HOURS_S)),
    "board away": Kind(words="the relays cannot be reached and stay as they are (29, 33)", lasts_s=(1.0, 2 * HOURS_S)),
    "will not open": Kind(
        words="one output refuses to be switched on (27)", lasts_s=(60.0, 12 * HOURS_S), target=_an_output
    ),
    "will not close": Kind(
        words="one output refuses to be switched off (28)", lasts_s=(10.0, 2 * HOURS_S), target=_an_output
    ),
    "liar": Kind(words="one output is said to be on and is not (30)", lasts_s=(60.0, 12 * HOURS_S), target=_an_output),
    "messages lost": Kind(words="no message arrives (7, 8)", lasts_s=(10.0, 3 * DAYS_S), fits=_has_sensors),
    "messages late": Kind(
        words="messages arrive when it is over (13)", lasts_s=(60.0, 20 * HOURS_S), fits=_has_sensors
    ),
    "garbage": Kind(
        words="a sensor sends what cannot be read (14)", lasts_s=(60.0, DAYS_S), fits=_has_sensors, target=_a_sensor
    ),
    "sensor mad": Kind(
        words="a sensor says VALUE times too much (17, 41)",
        lasts_s=(600.0, 4 * DAYS_S),
        value=(0.0, 5.0),
        fits=_has_sensors,
        target=_a_sensor,
    ),
    "feed silent": Kind(words="the weather of days that end is not known (38)", lasts_s=(DAYS_S, 6 * DAYS_S)),
    "feed late": Kind(words="the weather of days that end is told when it is over (40)", lasts_s=(DAYS_S, 3 * DAYS_S)),
    "feed twice": Kind(words="the weather is told twice (40)", lasts_s=(DAYS_S, 6 * DAYS_S)),
    "feed lies": Kind(
        words="the feed tells of VALUE mm of rain and of sunshine too (39)",
        lasts_s=(DAYS_S, 3 * DAYS_S),
        value=(0.0, 500.0),
    ),
}


def words(fault: Fault) -> str:
    """A fault on one line, its time in days from the start."""
    lasts_s = fault.until_s - fault.at_s
    value = f", value {fault.value:g}" if fault.value else ""
    target = f" ({fault.target})" if fault.target else ""
    span = f" for {lasts_s:.0f} s" if lasts_s and math.isfinite(lasts_s) else ""
    return f"day {fault.at_s / DAYS_S:.3f}: {fault.kind}{target}{span}{value}"
