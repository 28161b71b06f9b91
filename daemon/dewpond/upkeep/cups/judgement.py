"""What the cups of a zone say: how evenly, how fast, how surely; which cups are dry or wet, and how good that is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dewpond.model.site import Zone
from dewpond.science.application import efficiency_from_uniformity
from dewpond.science.catch_map import resampled_interval
from dewpond.science.uniformity import (
    christiansen_uniformity,
    distribution_uniformity,
    least_mean_catch_ml,
    low_count,
    quality_word,
    run_time_multiplier,
)
from dewpond.upkeep.cups.causes import Cause, likely_causes
from dewpond.upkeep.cups.layout import CUPS_FOR_A_GRADE, LEAST_DEPTH_MM, MOST_MINUTES
from dewpond.upkeep.cups.readings import CupTest

# Least low-quarter uniformity by method, and what no zone should stay below. Rotor and spray minimum: book chapter on
# landscape irrigation uniformity; 60 % to be repaired: SportsField Management, September 2025.
LEAST_DU_LQ = {"rotor": 0.70, "spray": 0.50}
REPAIR_BELOW = 0.60
DRY_SHARE, WET_SHARE = 0.5, 1.5  # of the mean: a cup below or above is a dry or a wet spot (common practice, no source)
CHANCE = 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class Audit:
    """The result. Shares are fractions; intervals hold the truth with a chance of 90 %, or less as near cups agree.

    ``grade`` and ``verdict`` are empty below 24 cups, whose figures speak of those cups only. ``rate_mm_h`` is the net
    application rate, what reached the cups, None where minutes or mouth are not known. Cup numbers count from 1.
    """

    cups: int
    placements: int
    graded: bool
    unit: str
    mean: float
    du_lq: float
    du_lq_interval: tuple[float, float]
    du_lh: float
    cu: float
    run_time_multiplier: float
    efficiency: float
    rate_mm_h: float | None
    rate_interval_mm_h: tuple[float, float] | None
    grade: str
    verdict: str
    confidence: str
    dry: tuple[int, ...]
    wet: tuple[int, ...]
    lowest_quarter: tuple[int, ...]
    causes: tuple[Cause, ...]
    notes: tuple[str, ...]


def judge(test: CupTest, zone: Zone | None = None) -> Audit:
    """The audit of a test; ``zone`` gives its kind of heads, stated rate and pressure to compare with."""
    values, rates = test.values, test.rates_mm_h
    du_lq, mean = float(distribution_uniformity(values)), float(values.mean())
    order = np.argsort(values, kind="stable")
    graded = len(values) >= CUPS_FOR_A_GRADE
    method = zone.method if zone is not None and zone.method in LEAST_DU_LQ else "spray"
    interval = resampled_interval(values, distribution_uniformity, CHANCE)
    rate_interval = None if rates is None else resampled_interval(rates, lambda cups: cups.mean(axis=-1), CHANCE)
    return Audit(
        cups=len(values),
        placements=len(test.placements),
        graded=graded,
        unit=test.unit,
        mean=mean,
        du_lq=du_lq,
        du_lq_interval=interval,
        du_lh=float(distribution_uniformity(values, 0.5)),
        cu=float(christiansen_uniformity(values)),
        run_time_multiplier=float(run_time_multiplier(du_lq)),
        efficiency=float(efficiency_from_uniformity(du_lq)),
        rate_mm_h=None if rates is None else float(rates.mean()),
        rate_interval_mm_h=rate_interval,
        grade=quality_word(du_lq, method) if graded else "",
        verdict=_verdict(du_lq, method) if graded else "",
        confidence=_confidence(len(values), interval, rate_interval),
        dry=tuple(int(n) + 1 for n in np.flatnonzero(values < DRY_SHARE * mean)),
        wet=tuple(int(n) + 1 for n in np.flatnonzero(values > WET_SHARE * mean)),
        lowest_quarter=tuple(int(n) + 1 for n in sorted(order[: low_count(len(values), 0.25)])),
        causes=likely_causes(test, zone),
        notes=_notes(test, graded=graded),
    )


def _verdict(du_lq: float, method: str) -> str:
    least = LEAST_DU_LQ[method]
    if du_lq < least:
        return f"{du_lq:.1%} is below the {least:.0%} that {method} heads should reach: repair before watering longer"
    if du_lq < REPAIR_BELOW:
        return f"{du_lq:.1%} is what {method} heads may have at the least, and below 60 % a system is worth repairing"
    if du_lq < 0.75:
        return (
            f"{du_lq:.1%} is usable; 75 % is acceptable for any sprinkler, so levelling and matching would save water"
        )
    return f"{du_lq:.1%} is {'excellent' if du_lq > 0.85 else 'good'} for any sprinkler; look again next season"


def _confidence(cups: int, du_lq: tuple[float, float], rate: tuple[float, float] | None) -> str:
    """In words, from the count of cups and how unlike they are."""
    said = f"low-quarter uniformity between {du_lq[0]:.0%} and {du_lq[1]:.0%} in nine tests of ten"
    if rate is not None:
        spread = (rate[1] - rate[0]) / max(1e-9, rate[1] + rate[0])
        said += f", rate within {spread:.0%}"
    word = "low" if cups < CUPS_FOR_A_GRADE else "high" if du_lq[1] - du_lq[0] <= 0.10 else "fair"
    return f"{word}: {cups} cups, {said}"


def _notes(test: CupTest, *, graded: bool) -> tuple[str, ...]:
    notes = []
    if not graded:
        notes.append(
            f"{len(test.cups)} cups show dry spots and earn no uniformity grade; {CUPS_FOR_A_GRADE} are needed "
            "(Irrigation Association audit guidelines). Move the cups and merge further placements, run alike."
        )
    notes += _too_little(test) + _unlike_means(test)
    if test.rates_mm_h is None:
        notes.append("Without the minutes (and for mL the mouth of a cup) there is no rate, and nothing to accept.")
    if test.wind_m_s is None:
        notes.append("Wind was not noted; above 2.2 m/s (5 mph) the cups tell of the wind.")
    return tuple(notes)


def _too_little(test: CupTest) -> list[str]:
    """The least mean catch and how long the water must run to reach it."""
    if test.minutes is None or test.rates_mm_h is None:
        return []
    depth_mm = float(test.rates_mm_h.mean()) * test.minutes / 60.0
    if depth_mm >= LEAST_DEPTH_MM:
        return []
    wanted_min = min(MOST_MINUTES, np.ceil(test.minutes * LEAST_DEPTH_MM / depth_mm))
    least = f"{LEAST_DEPTH_MM:.1f} mm"
    if test.unit == "mL" and test.mouth_cm2 is not None:
        least = f"{float(least_mean_catch_ml(test.mouth_cm2)):.0f} mL"
    return [
        f"The mean catch of {float(test.values.mean()):.3g} {test.unit} is below {least}, the least that reads well "
        f"(Irrigation Association audit guidelines): run {wanted_min:.0f} min."
    ]


def _unlike_means(test: CupTest) -> list[str]:
    """Placements are spread over the whole zone, so that unlike means tell of unlike runs."""
    names, values = test.placements, test.values
    if len(names) < 2:
        return []
    of = np.array([cup.placement for cup in test.cups])
    means = [float(values[of == name].mean()) for name in names]
    if max(means) - min(means) <= 0.25 * float(values.mean()):
        return []
    return [
        f"Placement means lie between {min(means):.3g} and {max(means):.3g} {test.unit}: pressure, wind or time may "
        "have differed between the runs."
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """Two audits of one zone, before and after a repair. ``sure`` where the intervals do not meet."""

    du_lq: float
    cu: float
    rate_mm_h: float | None
    sure: bool
    said: str


def compare(before: Audit, after: Audit) -> Change:
    """What a repair has changed, and whether so many cups can tell."""
    gain = after.du_lq - before.du_lq
    sure = after.du_lq_interval[0] > before.du_lq_interval[1] or after.du_lq_interval[1] < before.du_lq_interval[0]
    word = "better" if gain > 0 else "worse" if gain < 0 else "the same"
    how = "clearly " if sure else ""
    doubt = "" if sure else "; so many cups cannot tell it from chance"
    rates = before.rate_mm_h, after.rate_mm_h
    return Change(
        du_lq=gain,
        cu=after.cu - before.cu,
        rate_mm_h=None if rates[0] is None or rates[1] is None else rates[1] - rates[0],
        sure=sure,
        said=f"low-quarter uniformity {before.du_lq:.0%} before, {after.du_lq:.0%} after: {how}{word}{doubt}",
    )
