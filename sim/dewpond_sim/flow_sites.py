"""Invented sites to make meter logs of: everything drawn, from the zones' flows to the day's draws of the others.

Nothing of a site is fixed: number and size of zones, plain or compensating heads, meter and pulse, pressure and its
wave over the day, refill, how fast valves move, which zones run on which days, alone or two together, what a house
behind the same meter draws, and who opens a hydrant by hand.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Run = tuple[float, float, int]  # commanded from, to [s], zone from 0
Draw = tuple[float, float, float]  # from, to [s], L/min at static pressure

DAY_S = 86_400.0
WAVE_S = 300.0  # the town's pressure changes in steps this long
ROW_S = 10.0
PULSES_L = (0.1, 0.25, 0.5, 1.0, 2.5, 3.785, 5.0, 10.0)
# Litres a pulse over L/min of a zone, as people fit meters: the developer logs of the watch lie between the two.
LEAST_PULSE, LARGEST_PULSE = 0.004, 0.1
GAP_S = (4.0, 25.0)  # between one zone and the next
STAGGER_S = 45.0  # the second zone of a pair opens this much later, so that the pipe fills one at a time


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """An invented site: everything about it that does not change. Arrays hold one value a zone.

    ``constant`` zones pass the same flow at any pressure (compensating drip, regulated heads), the others go with its
    square root. ``open_s`` and ``close_s`` are what the valves take; ``refill_l`` drains from a lateral at rest.
    """

    flows_l_min: FloatArray
    constant: NDArray[np.bool_]
    refill_l: FloatArray
    open_s: FloatArray
    close_s: FloatArray
    static_kpa: float
    wave_share: float
    capacity_l_min: float
    pulse_l: float
    q1_l_min: float
    q3_l_min: float
    pressure: bool
    shared: bool
    paired: bool
    row_s: float = ROW_S

    @property
    def zones(self) -> int:
        """How many zones."""
        return len(self.flows_l_min)

    @property
    def start_l_min(self) -> float:
        """Slower flow does not turn the meter. Common practice, no source."""
        return self.q1_l_min / 3.0


def make_place(rng: np.random.Generator, *, pressure: bool, shared: bool) -> Place:
    """A site of three to nine zones, of any size, with the meter somebody might have put there."""
    zones = int(rng.integers(3, 10))
    scale_l_min = _between(rng, 12.0, 300.0)
    flows = scale_l_min * rng.uniform(0.4, 1.2, zones)
    constant = rng.random(zones) < 0.25
    fitting = [pulse for pulse in PULSES_L if LEAST_PULSE < pulse / scale_l_min < LARGEST_PULSE]
    q3 = float(rng.uniform(1.4, 3.0) * flows.max())
    # Minutes of the zone's own flow that drain away; drip lines hold more water for their flow than heads do.
    refill_min = np.where(constant, rng.uniform(0.2, 1.5, zones), rng.uniform(0.05, 0.7, zones))
    return Place(
        flows_l_min=flows,
        constant=constant,
        refill_l=flows * refill_min,
        open_s=rng.uniform(0.5, 4.0, zones),
        close_s=rng.uniform(2.0, 18.0, zones),
        static_kpa=float(rng.uniform(280.0, 700.0)),
        wave_share=float(rng.uniform(0.01, 0.06)),
        capacity_l_min=_between(rng, 1.2, 4.0) * float(flows.max()),
        pulse_l=float(rng.choice(fitting)),
        q1_l_min=q3 / float(rng.choice([80.0, 100.0, 160.0, 200.0])),
        q3_l_min=q3,
        pressure=pressure,
        shared=shared,
        paired=zones >= 4 and float(rng.random()) < 0.15,
    )


def _between(rng: np.random.Generator, low: float, high: float) -> float:
    """A size for which every doubling is as likely as the next."""
    return float(np.exp(rng.uniform(math.log(low), math.log(high))))


def schedule(place: Place, rng: np.random.Generator, days: int) -> tuple[Run, ...]:
    """Watering of so many days: zones one by one or in pairs, some on every second or third day, some twice a day."""
    teams = _teams(place)
    every = rng.choice([1, 2, 3], len(teams), p=[0.7, 0.2, 0.1])
    twice = rng.random(len(teams)) < 0.3
    usual_min = np.where(place.constant, rng.uniform(10.0, 35.0, place.zones), rng.uniform(5.0, 15.0, place.zones))
    begin_s = float(rng.uniform(0.0, 18.0)) * 3600.0
    runs: list[Run] = []
    for day in range(days):
        at_s = day * DAY_S + begin_s + float(rng.uniform(0.0, 900.0))
        idle = float(rng.random()) < 0.07
        lengths_s = 60.0 * usual_min * rng.uniform(0.7, 1.3, (2, place.zones))
        gaps_s = rng.uniform(*GAP_S, (2, len(teams)))
        due = [team for team in range(len(teams)) if day % every[team] == 0]
        for number, numbers in enumerate((due, [team for team in due if twice[team]])):
            for team in [] if idle else numbers:
                runs += _together(at_s, teams[team], lengths_s[number])
                at_s = max(run[1] for run in runs[-2:]) + float(gaps_s[number][team])
            at_s += 3600.0
    return tuple(runs)


def _teams(place: Place) -> list[tuple[int, ...]]:
    """Zones that always run together."""
    size = 2 if place.paired else 1
    return [tuple(range(first, min(first + size, place.zones))) for first in range(0, place.zones, size)]


def _together(at_s: float, team: tuple[int, ...], lengths_s: FloatArray) -> list[Run]:
    begins_s = [at_s + STAGGER_S * number for number in range(len(team))]
    return [(begin_s, begin_s + float(lengths_s[zone]), zone) for begin_s, zone in zip(begins_s, team, strict=True)]


def known_from_s(runs: tuple[Run, ...], zones: int, count: int) -> float:
    """When every zone has run ``count`` times."""
    ends = [sorted(run[1] for run in runs if run[2] == zone) for zone in range(zones)]
    return max(times[count - 1] if len(times) >= count else math.inf for times in ends)


def draws(place: Place, rng: np.random.Generator, days: int) -> tuple[Draw, ...]:
    """What the others behind a shared meter take: mostly by day, a little at night."""
    if not place.shared:
        return ()
    a_day = int(rng.integers(12, 50))
    found: list[Draw] = []
    for day in range(days):
        hours = np.clip(rng.normal(14.0, 4.5, a_day), 0.0, 23.9)
        for hour in hours.tolist():
            at_s = day * DAY_S + 3600.0 * hour
            size = place.q3_l_min * float(rng.choice([0.03, 0.06, 0.12]))
            found.append((at_s, at_s + float(rng.exponential(180.0)) + 20.0, size))
    return tuple(found)


def hand_uses(place: Place, rng: np.random.Generator, days: int, free: tuple[float, float]) -> tuple[Draw, ...]:
    """Now and then somebody opens a hydrant for some minutes; never within the ``free`` span (from, to)."""
    if place.shared or float(rng.random()) > 0.15:
        return ()
    found: list[Draw] = []
    for _ in range(int(rng.integers(1, 4))):
        at_s = float(rng.uniform(3.0, days)) * DAY_S
        span_s = float(rng.uniform(300.0, 1500.0))
        if at_s + span_s < free[0] or at_s > free[1]:
            found.append((at_s, at_s + span_s, float(place.flows_l_min.max() * rng.uniform(0.2, 1.0))))
    return tuple(sorted(found))


def static_kpa(place: Place, rng: np.random.Generator, days: int) -> FloatArray:
    """The town's pressure, one value a step: a daily wave, noise of an hour, and the season's slow drift."""
    steps = int(days * DAY_S / WAVE_S) + 1
    day = np.arange(steps) * WAVE_S / DAY_S
    noise = np.zeros(steps)
    for step, value in enumerate(rng.normal(0.0, 1.0, steps - 1), start=1):
        noise[step] = 0.9 * noise[step - 1] + value * math.sqrt(1.0 - 0.81)
    wave = place.wave_share * np.sin(2.0 * math.pi * (day + rng.random()))
    season = float(rng.uniform(0.0, 0.02)) * np.sin(2.0 * math.pi * (day / 180.0 + rng.random()))
    kpa: FloatArray = place.static_kpa * (1.0 + wave + season + 0.012 * noise)
    return kpa
