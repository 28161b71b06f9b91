"""A zone's wanted depth as seconds of watering, under the zone's own caps, and cut so that nothing runs off.

Caps come from the zone itself: 1.5 times the time to refill RAW a night, and a ceiling per opening by method.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

from dewpond.brain.rules.question import Depth, Weighed
from dewpond.model.copying import replace
from dewpond.model.site import Zone
from dewpond.science.application import split_run

# Longest single opening by method [s]: spray 60 min, rotor 120 min, drip or bubbler 12 h (common practice, no source).
CEILING_S = {"spray": 3600.0, "rotor": 7200.0, "drip": 43_200.0, "bubbler": 43_200.0}
NIGHT_CAP_SHARE = 1.5  # of the time to refill RAW, a night
LEAST_OPENING_S = 60.0  # below this a valve mostly fills its pipe (common practice, no source)
PIECE_S = 3600.0  # longest opening in a crowded night
# No rule should want less than this: the shortest run of the test protocol for climatologically based controllers.
LEAST_WATERING_S = 180.0


@dataclass(frozen=True)
class Need:
    """One zone's need for one night: what it lacks, what it is given, what limited it."""

    zone: str
    water: bool
    depletion_mm: float
    raw_mm: float
    taw_mm: float
    until_next_mm: float  # the most that may be lost by the following chance
    net_mm: float
    seconds: float
    limits: tuple[str, ...] = ()
    weighed: Weighed | None = None
    depletion_sd_mm: float = 0.0


def ceiling_s(zone: Zone) -> float:
    """The longest single opening of a zone, whatever the inputs. [s]"""
    return CEILING_S[zone.method]


def night_cap_s(zone: Zone) -> float:
    """The most watering a zone gets in one night. [s]"""
    return math.ceil(NIGHT_CAP_SHARE * zone.raw_mm / zone.efficiency / zone.application_rate_mm_h * 3600.0)


def for_depth(
    zone: Zone,
    depth: Depth,
    depletion_mm: float,
    raw_mm: float,
    taw_mm: float,
    *,
    rate_factor: float = 1.0,
    depletion_sd_mm: float = 0.0,
) -> Need:
    """Turn a wanted net depth into whole seconds of watering under the zone's own caps.

    ``rate_factor`` is the application the meter has shown over the site file's.
    """
    rate_mm_h = zone.application_rate_mm_h * rate_factor
    until_next_mm, noted = depth.until_next_mm, (depth.note,) if depth.note else ()
    dry = Need(
        zone.id, False, depletion_mm, raw_mm, taw_mm, until_next_mm, 0.0, 0.0, noted, depletion_sd_mm=depletion_sd_mm
    )
    if depth.net_mm <= 0.0:
        return dry
    limits = list(noted)
    wanted_s = math.floor(depth.net_mm / zone.efficiency / rate_mm_h * 3600.0)
    seconds = min(wanted_s, night_cap_s(zone))
    if seconds < wanted_s:
        limits.append(
            f"The night's cap for this zone is {night_cap_s(zone) / 60:.0f} min ({NIGHT_CAP_SHARE:g} times the time to "
            f"refill it); {(wanted_s - seconds) / 60:.0f} min wait for the next night."
        )
    if seconds < least_run_s(zone):
        limits.append(_below_least(zone, seconds))
        return replace(dry, limits=tuple(limits))
    given_mm = seconds * rate_mm_h * zone.efficiency / 3600.0
    return replace(dry, water=True, net_mm=given_mm, seconds=seconds, limits=tuple(limits), weighed=depth.weighed)


def least_run_s(zone: Zone) -> float:
    """The shortest watering of a night: the zone's minimum run, and no less than fills the pipe. [s]"""
    return max(LEAST_OPENING_S, zone.minimum_run_s)


def _below_least(zone: Zone, seconds: float) -> str:
    if zone.minimum_run_s > LEAST_OPENING_S:
        least = f"the zone's minimum run of {zone.minimum_run_s / 60.0:.3g} min"
        return f"{seconds / 60.0:.1f} min are below {least}; they are carried to the next night."
    return f"Less than {LEAST_OPENING_S:.0f} s of watering only fills the pipe; it waits for the next chance."


@lru_cache(maxsize=1024)
def _without_runoff(
    seconds: float, rate_mm_h: float, intake_mm_h: float, storage_mm: float
) -> tuple[int, float, float]:
    """Number of openings, length of each but the last, and the rest between them. [s]"""
    openings, opening_s, rest_s = split_run(seconds, rate_mm_h, intake_mm_h, storage_mm)
    return int(openings), float(opening_s), float(rest_s)


def split(zone: Zone, seconds: float, longest_s: float = math.inf) -> tuple[tuple[float, ...], float]:
    """Openings of whole seconds and the soaking rest between them, so that nothing runs off. [s]

    The surface store fills while an opening applies more than the soil takes in, and empties in the rest. No opening is
    longer than the zone's ceiling, nor than ``longest_s``, the longest span that is allowed tonight.
    """
    count, each_s, rest_s = _without_runoff(
        seconds, zone.application_rate_mm_h, zone.intake_mm_h, zone.surface_storage_mm
    )
    most_s = math.floor(min(ceiling_s(zone), longest_s))
    if each_s > most_s >= LEAST_OPENING_S:
        whole, left_s = divmod(seconds, float(most_s))
        # The short one first: the night is packed from its end, and what does not fit should be the short one.
        short = (left_s,) if left_s >= LEAST_OPENING_S else ()
        return (*short, *([float(most_s)] * int(whole))), rest_s
    return (*([each_s] * (count - 1)), seconds - each_s * (count - 1)), rest_s
