"""What soil probes together say of a date's rain: the second word where a gauge is the only source, the first without.

One probe is too noisy for a day's rain, and may lie; several that gain or dry alike are a witness. Each tells of its
zone's water from one evening to the next, which its offset has no part in; their words are weighed by their noise.
Between clear yes and clear no they say nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from dewpond.brain.belief.rain import DRY_MM, GREAT_RAIN_MM, PROBES, WET_MM, ProbedDay, RainMemory
from dewpond.brain.belief.state import FloatArray
from dewpond.model.copying import replace

LEAST_PROBES, MOST_OF_THEM = 2, 2.0 / 3.0
RAIN_SHARE = 0.8  # of the rain that a soil with room keeps, by the ledger's own rule
GAIN_MM, GAIN_SD = 3.0, 3.0  # a gain that no soil makes without rain: both must be passed
RISE_MM, RISE_SD = 1.5, 1.0  # by which the readings themselves rise; a probe that stands still gains what is used
LACK_SD, LACK_SHARE = 2.0, 0.6  # of told rain that must be missing to deny it, in standard deviations and as a share
EXAGGERATES = 2.0  # times the water that came and went, which a probe that shows three times the change adds to it
# Light rains add up: within so many days the soils gain so much more than all that is known of, and more than probes
# that exaggerate would make of it, and than a wrong use of water could leave.
TOGETHER_DAYS, TOGETHER_MM, USE_SIGNS = 8, 6.0, 2.0
ALONE_SD, LIGHT_SD = 2.0, 1.5  # where nobody else is believed, a gain of so many is rain, or light rain


@dataclass(frozen=True, slots=True)
class Gain:
    """What one probe saw between two evenings. [mm]"""

    gained_mm: float  # water beyond what was used and irrigated
    risen_mm: float  # how far its reading went up by more than irrigation
    room_mm: float  # what the soil could have taken, by the probe
    sd_mm: float
    net_mm: float  # irrigation
    used_mm: float


def with_word(memory: RainMemory, day: date, gains: Sequence[Gain], use_sd: float) -> RainMemory:
    """The memory with the probes' word on a date, where they have one and no second source has spoken.

    ``use_sd`` is the doubt of the logarithm of the plants' water use.
    """
    told = memory.told.get(day, {})
    if len(told) > 1 or len(gains) < LEAST_PROBES:
        return memory
    trusted = {name: mm for name, mm in told.items() if not _given_up(memory, name)}
    if not trusted:
        return replace(memory, told={**memory.told, day: {**told, PROBES: _alone(gains)}}, days=())
    told_mm = next(iter(trusted.values()))
    word = _against(told_mm, gains)
    days = memory.days if word is not None else (*memory.days, _day(told_mm, gains))[-TOGETHER_DAYS:]
    if word is None and told_mm <= DRY_MM and _adds_up(days, use_sd):
        word, days = GREAT_RAIN_MM, ()
    words = told if word is None else {**told, PROBES: word}
    return replace(memory, told={**memory.told, day: words}, days=days)


def _day(told_mm: float, gains: Sequence[Gain]) -> ProbedDay:
    due = [min(RAIN_SHARE * told_mm, item.room_mm) for item in gains]
    return ProbedDay(
        unexplained_mm=float(np.median([item.gained_mm - mm for item, mm in zip(gains, due, strict=True)])),
        wetted_mm=float(np.median([item.net_mm - item.used_mm + mm for item, mm in zip(gains, due, strict=True)])),
        used_mm=float(np.median([item.used_mm for item in gains])),
    )


def _adds_up(days: Sequence[ProbedDay], use_sd: float) -> bool:
    """Whether the soils of late have gained what nobody told of."""
    doubt_mm = USE_SIGNS * use_sd * sum(item.used_mm for item in days)
    least_mm = max(TOGETHER_MM, EXAGGERATES * sum(item.wetted_mm for item in days)) + doubt_mm
    return sum(item.unexplained_mm for item in days) > least_mm


def _given_up(memory: RainMemory, name: str) -> bool:
    source = memory.sources.get(name)
    return source is not None and bool(source.given_up)


def _against(told_mm: float, gains: Sequence[Gain]) -> float | None:
    """The rain that probes make of a date against one other word; None where they cannot tell."""
    if told_mm <= DRY_MM:
        rain_mm = _fallen([_doubted(item) for item in gains], GAIN_SD)
        return None if rain_mm is None else min(rain_mm, GREAT_RAIN_MM - 0.1)
    if told_mm < WET_MM:
        return None
    # The room is as uncertain as the reading, and a zone watered that night may have had none: only what there was room
    # for in any case can be missed.
    room = [max(0.0, item.room_mm - LACK_SD * item.sd_mm) for item in gains]
    due = np.array([min(RAIN_SHARE * told_mm, mm) for mm in room])
    gained = np.array([item.gained_mm for item in gains])
    due_mm, sd_mm = _pooled(gains, due)
    gained_mm, _ = _pooled(gains, gained)
    few = np.mean(gained < (1.0 - LACK_SHARE) * due) >= MOST_OF_THEM
    if few and due_mm - gained_mm > max(LACK_SD * sd_mm, LACK_SHARE * due_mm):
        return 0.0
    return told_mm if gained_mm > LACK_SD * sd_mm else None


def _alone(gains: Sequence[Gain]) -> float:
    """The rain of a date on which nobody else is believed, light rain included as well as it can be told from noise."""
    heavy_mm = _fallen(gains, ALONE_SD)
    if heavy_mm is not None:
        return heavy_mm
    gained_mm, sd_mm = _pooled(gains, np.array([item.gained_mm for item in gains]))
    return gained_mm / RAIN_SHARE if gained_mm > LIGHT_SD * sd_mm else 0.0


def _doubted(gain: Gain) -> Gain:
    """The gain less what a probe that shows three times the true change would make of irrigation."""
    return replace(gain, gained_mm=gain.gained_mm - EXAGGERATES * gain.net_mm)


def _fallen(gains: Sequence[Gain], signs: float) -> float | None:
    """Rain that most probes saw; as much as two of them did, since a filled soil shows no more than its room."""
    if len(gains) < LEAST_PROBES:
        return None
    gained = np.array([item.gained_mm for item in gains])
    gained_mm, sd_mm = _pooled(gains, gained)
    risen_mm, _ = _pooled(gains, np.array([item.risen_mm for item in gains]))
    most = np.mean(gained > 0.5 * gained_mm) >= MOST_OF_THEM
    if most and gained_mm > max(GAIN_MM, signs * sd_mm) and risen_mm > max(RISE_MM, RISE_SD * sd_mm):
        return float(np.sort(gained)[-2]) / RAIN_SHARE
    return None


def _pooled(gains: Sequence[Gain], values: FloatArray) -> tuple[float, float]:
    """Mean of the probes' words, each by its precision, and its standard deviation."""
    precision = np.array([1.0 / item.sd_mm**2 for item in gains])
    return float(values @ precision / precision.sum()), 1.0 / math.sqrt(float(precision.sum()))
