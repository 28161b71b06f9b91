"""The belief from date to date: the balance carries it, meter and probes correct it, doubts about probes are named."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from dewpond.brain.belief import probes as look_at
from dewpond.brain.belief import rain
from dewpond.brain.belief.state import BeliefState, FloatArray, ProbeState
from dewpond.brain.beliefs import DayAmounts, advance_day, depletion_at
from dewpond.brain.ground import Ground, ProbePlace
from dewpond.brain.state import Booking, EtoFact, SoilState
from dewpond.model.commands import RecordDay
from dewpond.model.copying import replace
from dewpond.model.events import ReadingsArrived
from dewpond.science.estimation import (
    DEPLETION,
    DEPLETION_ALONE,
    OFFSET,
    SEEN,
    USE,
    Estimate,
    begin,
    correct,
    expect,
    predict,
    reset_use,
)

# What is believed before anything was seen; common practice, no source.
FIRST_SD_MM = 2.0
USE_SD = 0.18  # of the logarithm of true over tabulated water use
MOST_LN_USE = math.log(1.5)
OFFSET_SD_M3_M3 = 0.06  # of a texture's field capacity, and of a probe's calibration
# How much what is learned may wander in a day.
USE_NOISE, OFFSET_NOISE_MM = 0.004, 0.05
# Doubt of a day's amounts, as shares of them.
RAIN_SHARE_SD, WATER_SD, METERED_SD = 0.15, 0.10, 0.04
# One probe stands for the whole zone. [mm, and m3/m3 over the roots]
PLACE_SD_MM, PROBE_SD_M3_M3 = 1.5, 0.008
# Water that ought to have been seen coming and was not: the soil was full, and field capacity is what the probe reads.
PLATEAU_RESPONSE, PLATEAU_SIGNS, PLATEAU_SD_MM = 0.5, 3.0, 1.0
# What a probe taught of late is taken back when it turns out to fail: since so long ago if it drifted, or was sudden.
PAST_DAYS, SUDDEN_DAYS = 45, 8
DOUBTED_SD_MM = 4.0
GATE = 4.0  # standard deviations of surprise that are still believed
BIAS_ALLOWANCE, BIAS_LIMIT = 0.5, 8.0  # one-sided sums of surprises, in standard deviations
WET_MM = 0.05  # drained less than this counts as not filled


@dataclass(frozen=True, slots=True)
class Doubt:
    """A probe that is not listened to any more (``why``), or is again ("")."""

    sensor: str
    zone: str
    why: str


@dataclass(frozen=True, slots=True)
class Closed:
    """One date closed: the belief after it, what probes moved (one entry a zone), and doubts that are new."""

    belief: BeliefState
    correction_mm: FloatArray
    doubts: tuple[Doubt, ...]
    rain_doubts: tuple[rain.RainDoubt, ...]


def first_belief(ground: Ground, soil: SoilState) -> BeliefState:
    """The ledger's word, with the doubt of nothing having been seen."""
    zones = len(ground.table.ids)
    root_mm = np.full(zones, 0.0)
    for place in ground.probes.values():
        root_mm[place.zone] = place.root_depth_mm
    estimate = begin(soil.depletion_mm, FIRST_SD_MM, USE_SD, OFFSET_SD_M3_M3 * np.maximum(root_mm, 1.0))
    return BeliefState(
        zone_ids=ground.table.ids,
        mean=estimate.mean,
        cov=estimate.cov,
        rate_factor=np.ones(zones),
        rate_runs=np.zeros(zones),
        learned_days=np.zeros(zones),
        probes={sensor: ProbeState() for sensor in ground.probes},
    )


def fitting(ground: Ground, soil: SoilState, belief: BeliefState | None) -> BeliefState:
    """The belief, begun anew where the site's zones or probes are not those it was about."""
    if belief is None or belief.zone_ids != ground.table.ids or belief.probes.keys() != ground.probes.keys():
        return first_belief(ground, soil)
    return belief


def hear(belief: BeliefState, block: ReadingsArrived) -> BeliefState:
    """Keep a probe's readings until their date is closed."""
    probe = look_at.heard(belief.probes[block.sensor], block.time_s, block.value)
    return replace(belief, probes={**belief.probes, block.sensor: probe})


def forget(belief: BeliefState, soil: SoilState, z: int) -> BeliefState:
    """Give up what was learned of a zone, its water use and its application; the ledger stands again."""
    estimate = reset_use(Estimate(belief.mean, belief.cov), [z], soil.depletion_mm[z], 0.0, USE_SD, FIRST_SD_MM)
    here = np.arange(len(belief.rate_factor)) == z
    return replace(
        belief,
        mean=estimate.mean,
        cov=estimate.cov,
        learned_days=np.where(here, 0.0, belief.learned_days),
        rate_factor=np.where(here, 1.0, belief.rate_factor),
        rate_runs=np.where(here, 0.0, belief.rate_runs),
    )


def use_factors(belief: BeliefState) -> FloatArray:
    """True water use over the tables'."""
    factors: FloatArray = np.exp(belief.mean[:, USE])
    return factors


def depletion(
    ground: Ground, belief: BeliefState, soil: SoilState, at_s: float, expected_eto_mm: float
) -> tuple[FloatArray, FloatArray]:
    """Depletion of every zone at a moment and its standard deviation. [mm]"""
    believed = replace(
        soil,
        depletion_mm=belief.mean[:, DEPLETION],
        bookings=tuple(_metered(item) for item in soil.bookings),
        rain={day: rain.believed_mm(belief.rain, day, fallen_mm) for day, fallen_mm in soil.rain.items()},
    )
    use = use_factors(belief)
    mean = depletion_at(believed, ground.table, ground.days, at_s, expected_eto_mm, use)
    ahead_days = 0 if soil.day is None else (ground.days.date_at(at_s) - soil.day).days + 1
    unstressed_mm = expected_eto_mm * ground.table.coefficients(ground.days.date_at(at_s)) * use
    variance = belief.cov[:, DEPLETION, DEPLETION] + ahead_days**2 * unstressed_mm**2 * belief.cov[:, USE, USE] * (
        belief.learned_days > 0
    )
    return mean, np.sqrt(variance)


def close_day(
    ground: Ground,
    belief: BeliefState,
    soil: SoilState,
    day: date,
) -> Closed:
    """One date of the belief; ``soil`` is the ledger before the date was closed."""
    memory, rain_doubts = rain.judged(belief.rain, day)
    fact, rain_mm = soil.eto[day], rain.believed_mm(memory, day, soil.rain[day])
    use = use_factors(belief)
    today = tuple(_metered(item) for item in soil.bookings if item.date == day)
    amounts = advance_day(
        ground.table,
        day,
        belief.mean[:, DEPLETION],
        today,
        fact.eto_mm,
        rain_mm,
        use=use,
        layer_mm=soil.layer_mm,
        hourly_mm=soil.rain_hours.get(day),
    )
    estimate = _predicted(ground, belief, day, fact, rain_mm, amounts, today, rain.disputed_mm(memory, day))
    carried_mm = estimate.mean[:, DEPLETION].copy()
    belief, estimate, doubts = _probed(ground, belief, estimate, soil, day, amounts)
    correction_mm = estimate.mean[:, DEPLETION] - carried_mm
    belief = replace(
        belief,
        mean=estimate.mean,
        cov=estimate.cov,
        rain=memory,
        past_ln_use=_lengthened(belief.past_ln_use, estimate.mean[:, USE]),
        past_correction_mm=_lengthened(belief.past_correction_mm, correction_mm),
    )
    return Closed(belief, correction_mm, doubts, rain_doubts)


def _lengthened(past: FloatArray, today: FloatArray) -> FloatArray:
    """The last weeks with today's row."""
    rows: FloatArray = np.vstack((past.reshape(-1, len(today)), today))[-PAST_DAYS:]
    return rows


def with_belief(rows: Sequence[RecordDay], closed: Closed) -> list[RecordDay]:
    """The ledger's rows of a date with the belief beside them."""
    belief = closed.belief
    return [
        replace(
            row,
            belief_mm=float(belief.mean[z, DEPLETION]),
            belief_sd_mm=math.sqrt(float(belief.cov[z, DEPLETION, DEPLETION])),
            correction_mm=float(closed.correction_mm[z]),
        )
        for z, row in enumerate(rows)
    ]


def _metered(booking: Booking) -> Booking:
    """The booking with the water the meter counted in place of the file's."""
    share = booking.metered_share
    if share is None or share == 1.0:
        return booking
    return replace(booking, net_mm=booking.net_mm * share, runoff_mm=booking.runoff_mm * share)


def _predicted(
    ground: Ground,
    belief: BeliefState,
    day: date,
    fact: EtoFact,
    rain_mm: float,
    amounts: DayAmounts,
    today: Sequence[Booking],
    disputed_mm: float,
) -> Estimate:
    """The balance's own step, with the doubt of reference ET, rain and irrigation."""
    noise_sq = (fact.sd_mm * ground.table.coefficients(day)) ** 2
    noise_sq = noise_sq + (RAIN_SHARE_SD * np.minimum(rain_mm, amounts.effective_rain_mm)) ** 2
    for item in today:
        share = WATER_SD if item.metered_share is None else METERED_SD
        noise_sq[item.zone] += (share * item.net_mm) ** 2
    noise_sq = noise_sq + np.minimum(disputed_mm, amounts.depletion_mm) ** 2
    filled = (amounts.drainage_mm > WET_MM) | ((rain_mm > 0.0) & (amounts.depletion_mm <= 0.0))
    probed = np.zeros(len(noise_sq), dtype=bool)
    probed[[place.zone for place in ground.probes.values()]] = True
    ahead: Estimate = predict(
        Estimate(belief.mean, belief.cov),
        amounts.depletion_mm,
        np.where(probed, amounts.etc_mm, 0.0),
        filled,
        np.sqrt(noise_sq),
        USE_NOISE * probed,
        OFFSET_NOISE_MM * probed,
    )
    return ahead


def _probed(
    ground: Ground,
    belief: BeliefState,
    estimate: Estimate,
    soil: SoilState,
    day: date,
    amounts: DayAmounts,
) -> tuple[BeliefState, Estimate, tuple[Doubt, ...]]:
    """Let every probe speak, one after the other."""
    doubts: list[Doubt] = []
    for sensor, place in ground.probes.items():
        before = belief.probes[sensor]
        probe, seen_mm = _heard_of_day(ground, before, place.zone, soil, day, amounts, sensor)
        probe, use_it = _weighed(ground, probe, sensor, estimate, seen_mm)
        z = place.zone
        if use_it and seen_mm is not None:
            if _was_full(before, seen_mm, place, amounts):
                estimate = _corrected(ground, estimate, z, 0.0, PLATEAU_SD_MM, DEPLETION_ALONE, day)
            estimate = _corrected(ground, estimate, z, seen_mm, _seen_sd_mm(place.root_depth_mm), SEEN, day)
            belief = replace(belief, learned_days=_with_one_more(belief.learned_days, z))
            probe = replace(probe, seen=probe.seen + 1)
        probe = replace(probe, last_seen_mm=seen_mm)
        if probe.given_up and not before.given_up:
            estimate = _before_the_fault(belief, estimate, z, drifted=probe.given_up == look_at.DRIFTS)
            probe = replace(probe, bias=0.0)
        if bool(probe.given_up) != bool(before.given_up):
            doubts.append(Doubt(sensor, ground.table.ids[z], probe.given_up))
        belief = replace(belief, probes={**belief.probes, sensor: probe})
    return belief, estimate, tuple(doubts)


def _before_the_fault(belief: BeliefState, estimate: Estimate, z: int, *, drifted: bool) -> Estimate:
    """Take back what a probe taught since it began to fail: days for a sudden fault, weeks for a drift."""
    days = PAST_DAYS if drifted else SUDDEN_DAYS
    left_mm, ln_use = float(estimate.mean[z, DEPLETION]), 0.0
    if len(belief.past_ln_use):
        ln_use = float(belief.past_ln_use[-days:, z][0])
        left_mm -= 0.0 if drifted else float(belief.past_correction_mm[-days:, z].sum())
    left_mm = max(0.0, left_mm)
    taken_back: Estimate = reset_use(estimate, [z], left_mm, ln_use, USE_SD, DOUBTED_SD_MM)
    return taken_back


def _heard_of_day(
    ground: Ground, probe: ProbeState, z: int, soil: SoilState, day: date, amounts: DayAmounts, sensor: str
) -> tuple[ProbeState, float | None]:
    """What one probe saw of a date, as depletion with its own offset, after its own checks. [mm]"""
    place = ground.probes[sensor]
    begin_s, end_s = ground.days.start_s(day), ground.days.end_s(day)
    if not len(probe.time_s) and not probe.seen and not probe.silent_days:
        return probe, None  # never heard: a site whose probes are still to come
    late = any(item.zone == z and item.date == day and item.et_share >= 1.0 for item in soil.bookings)
    told = look_at.look(probe, begin_s, end_s, late)
    changed_mm = float(amounts.etc_mm[z] + amounts.net_mm[z] + amounts.effective_rain_mm[z])
    probe, odd = look_at.judged(probe, told, look_at.moved(probe, begin_s, end_s), changed_mm)
    kept = probe.time_s > end_s
    probe = replace(probe, time_s=probe.time_s[kept], value=probe.value[kept])
    if odd:
        return look_at.with_verdict(probe, odd, counted=False), None
    if told.seen_m3_m3 is None:
        return probe, None
    return probe, (place.field_capacity_m3_m3 - told.seen_m3_m3) * place.root_depth_mm


def _weighed(
    ground: Ground, probe: ProbeState, sensor: str, estimate: Estimate, seen_mm: float | None
) -> tuple[ProbeState, bool]:
    """Compare what a probe saw with what it should see; whether it is to be believed today."""
    if seen_mm is None:
        return probe, False
    place = ground.probes[sensor]
    z = place.zone
    expected_mm, sd_mm = expect(estimate, _seen_sd_mm(place.root_depth_mm))
    score = float((seen_mm - expected_mm[z]) / sd_mm[z])
    odd = ""
    if abs(score) > GATE:
        odd = f"it differs from the balance by {abs(seen_mm - float(expected_mm[z])):.0f} mm"
    grown = _grown(probe.bias, score)
    if not odd and abs(grown) > BIAS_LIMIT:
        odd = look_at.DRIFTS
    if probe.given_up:
        agrees = abs(score) <= GATE / 2.0
        probe = look_at.with_verdict(probe, "" if agrees else probe.given_up, counted=agrees)
        return probe, not probe.given_up
    probe = look_at.with_verdict(replace(probe, bias=grown), odd, counted=True)
    if odd == look_at.DRIFTS:
        probe = replace(probe, given_up=odd)
    return probe, not odd


def _grown(bias: float, score: float) -> float:
    """The larger one-sided sum of surprises (Page 1954), with its sign."""
    up = max(0.0, max(bias, 0.0) + score - BIAS_ALLOWANCE)
    down = max(0.0, max(-bias, 0.0) - score - BIAS_ALLOWANCE)
    return up if up >= down else -down


def _was_full(before: ProbeState, seen_mm: float, place: ProbePlace, amounts: DayAmounts) -> bool:
    """Whether water came that the probe did not see: the zone was at field capacity and let it through."""
    if before.last_seen_mm is None or before.given_up:
        return False
    z = place.zone
    came_mm = float(amounts.net_mm[z] + amounts.effective_rain_mm[z] - amounts.drainage_mm[z])
    seen_mm_less = before.last_seen_mm + float(amounts.etc_mm[z]) - seen_mm
    doubt_mm = PLATEAU_SIGNS * math.sqrt(2.0) * PROBE_SD_M3_M3 * place.root_depth_mm
    return seen_mm_less < PLATEAU_RESPONSE * came_mm and came_mm - seen_mm_less > doubt_mm


def _corrected(
    ground: Ground, estimate: Estimate, z: int, seen_mm: float, sd_mm: float, sees: FloatArray, day: date
) -> Estimate:
    zones = len(estimate.mean)
    used: NDArray[np.bool_] = np.arange(zones) == z
    found: Estimate = correct(
        estimate,
        np.full(zones, seen_mm),
        np.full(zones, sd_mm),
        used,
        ground.table.taw_on(day),
        MOST_LN_USE,
        sees,
    ).estimate
    return found


def _seen_sd_mm(root_depth_mm: float) -> float:
    return math.hypot(PLACE_SD_MM, PROBE_SD_M3_M3 * root_depth_mm)


def _with_one_more(counts: FloatArray, z: int) -> FloatArray:
    more = counts.copy()
    more[z] += 1.0
    return more


def offsets_mm(belief: BeliefState) -> FloatArray:
    """What each zone's probe reads too dry. [mm]"""
    found: FloatArray = belief.mean[:, OFFSET]
    return found
