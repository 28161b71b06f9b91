"""The belief from date to date: the balance carries it, meter and probes correct it, doubts about probes are named."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from dewpond.brain.belief import listening, probed_rain, rain
from dewpond.brain.belief import probes as look_at
from dewpond.brain.belief.listening import PAST_DAYS, USE_SD, Doubt, listen
from dewpond.brain.belief.state import BeliefState, FloatArray, ProbeState
from dewpond.brain.beliefs import DayAmounts, advance_day, depletion_at, stress_memory
from dewpond.brain.ground import Ground
from dewpond.brain.local_time import EPOCH
from dewpond.brain.state import Booking, EtoFact, SoilState
from dewpond.model.commands import RecordDay
from dewpond.model.copying import replace
from dewpond.model.events import ReadingsArrived
from dewpond.science.estimation import DEPLETION, NUMBERS, OFFSET, USE, Estimate, begin, predict, reset_use
from dewpond.science.rainfall import effective_rain

# What is believed before anything was seen; common practice, no source.
FIRST_SD_MM = 2.0
OFFSET_SD_M3_M3 = 0.06  # of a texture's field capacity, and of a probe's calibration
# How much what is learned may wander in a day.
USE_NOISE, OFFSET_NOISE_MM = 0.004, 0.05
# A sound probe's drift, and the share of it that is there a day later (half in three weeks): enough to follow a probe
# whose reading wanders 0.01 m3/m3 a month, too little to put a season's water use down to it.
DRIFT_SD_M3_M3, DRIFT_KEPT = 0.00025, 0.97
# Doubt of a day's amounts, as shares of them.
RAIN_SHARE_SD, WATER_SD, METERED_SD = 0.15, 0.10, 0.04
CARE = 0.2  # of the standard deviation of the depletion, by which decisions err to the dry side
WET_MM = 0.05  # less water than this fills nothing
# The share of a date's use that comes after its rain, where the hour of the rain is not known, and its doubt: about
# half of all rain falls while hardly anything is used, before or after.
AFTER_RAIN, AFTER_RAIN_SD, HOUR_SD = 0.5, 0.4, 0.1


@dataclass(frozen=True, slots=True)
class Closed:
    """One date closed: the belief after it, what probes moved (one entry a zone), and doubts that are new."""

    belief: BeliefState
    correction_mm: FloatArray
    doubts: tuple[Doubt, ...]
    rain_doubts: tuple[rain.RainDoubt, ...]
    rain_mm: float  # what is believed to have fallen
    raw_mm: FloatArray


def first_belief(ground: Ground, soil: SoilState) -> BeliefState:
    """The ledger's word, with the doubt of nothing having been seen."""
    zones = len(ground.table.ids)
    root_mm = _probed_roots_mm(ground, tuple(ground.probes))
    offset_sd_mm = OFFSET_SD_M3_M3 * np.maximum(root_mm, 1.0)
    estimate = begin(soil.depletion_mm, FIRST_SD_MM, USE_SD, offset_sd_mm, DRIFT_SD_M3_M3 * root_mm)
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
    """The belief, begun anew where the site's zones or probes are not those it was about, or its numbers are others."""
    if belief is None or belief.zone_ids != ground.table.ids or belief.probes.keys() != ground.probes.keys():
        return first_belief(ground, soil)
    if belief.mean.shape[-1] != NUMBERS:  # kept by an older version
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


def careful_mm(ground: Ground, belief: BeliefState, depletion_mm: FloatArray, sd_mm: FloatArray) -> FloatArray:
    """The depletion to decide by: where a probe is listened to, drier than believed by a share of the doubt. [mm]

    Stress costs more than water given a day early, and a belief that follows a probe errs to both sides.
    """
    heard = _probed_roots_mm(ground, [sensor for sensor, probe in belief.probes.items() if not probe.given_up]) > 0.0
    return depletion_mm + np.where(heard, CARE * sd_mm, 0.0)


def close_day(
    ground: Ground,
    belief: BeliefState,
    soil: SoilState,
    day: date,
) -> Closed:
    """One date of the belief; ``soil`` is the ledger before the date was closed."""
    fact = soil.eto[day]
    today = tuple(_metered(item) for item in soil.bookings if item.date == day)
    dried = _amounts(ground, belief, soil, day, today, 0.0)
    use_sd = float(np.median(np.sqrt(belief.cov[:, USE, USE]))) if len(use_factors(belief)) else USE_SD
    told = probed_rain.with_word(belief.rain, day, listening.gains(ground, belief, soil, day, dried), use_sd)
    memory, rain_doubts = rain.judged(told, day)
    rain_mm = rain.believed_mm(memory, day, soil.rain[day])
    amounts = _amounts(ground, belief, soil, day, today, rain_mm)
    estimate = _predicted(ground, belief, soil, day, fact, rain_mm, amounts, today, rain.disputed_mm(memory, day))
    fair = not rain.by_probes_alone(memory, day)
    carried_mm = estimate.mean[:, DEPLETION].copy()
    belief, estimate, doubts = listen(ground, belief, estimate, soil, day, amounts, fair=fair)
    correction_mm = estimate.mean[:, DEPLETION] - carried_mm
    belief = replace(
        belief,
        mean=estimate.mean,
        cov=estimate.cov,
        rain=memory,
        past_ln_use=_lengthened(belief.past_ln_use, estimate.mean[:, USE]),
        past_correction_mm=_lengthened(belief.past_correction_mm, correction_mm),
    )
    return Closed(belief, correction_mm, doubts, rain_doubts, rain_mm, amounts.raw_mm)


def taught(ground: Ground, before: SoilState, after: SoilState, closed: Closed, day: date) -> SoilState:
    """The soil after a date with what the belief teaches decisions: the place's rain, and which zones were stressed.

    By the ledger alone a gauge that lies would make the weather to expect, and dry zones where there are none, for
    months. Where its rain is believed a day of stress is one by both books: a belief that follows a noisy probe passes
    the limit by chance.
    """
    depletion_mm = closed.belief.mean[:, DEPLETION]
    if not rain.by_probes_alone(closed.belief.rain, day):
        depletion_mm = np.minimum(depletion_mm, after.depletion_mm)
    memory = stress_memory(before, ground.table, depletion_mm, closed.raw_mm, day)
    if len(after.record_rain_mm) and closed.rain_mm != before.rain[day] and _recorded(after, day):
        past_mm = np.append(after.record_rain_mm[:-1], closed.rain_mm)
        return replace(after, stress_memory=memory, record_rain_mm=past_mm)
    return replace(after, stress_memory=memory)


def _recorded(soil: SoilState, day: date) -> bool:
    return bool(soil.record_day[-1] == float((day - EPOCH).days))


def _amounts(
    ground: Ground, belief: BeliefState, soil: SoilState, day: date, today: tuple[Booking, ...], rain_mm: float
) -> DayAmounts:
    """One date's balance from the belief of the evening before, by learned use and metered water."""
    return advance_day(
        ground.table,
        day,
        belief.mean[:, DEPLETION],
        today,
        soil.eto[day].eto_mm,
        rain_mm,
        use=use_factors(belief),
        layer_mm=soil.layer_mm,
        hourly_mm=soil.rain_hours.get(day),
    )


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
    soil: SoilState,
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
    spilled_mm = np.where(amounts.net_mm + rain_mm > WET_MM, _spilled_mm(ground, rain_mm, amounts), np.nan)
    heard_mm = _probed_roots_mm(ground, [sensor for sensor, probe in belief.probes.items() if not probe.given_up])
    after, after_sd = _use_after_water(ground, soil, day, rain_mm, today)
    ahead: Estimate = predict(
        Estimate(belief.mean, belief.cov),
        amounts.depletion_mm,
        np.where(_probed_roots_mm(ground, tuple(ground.probes)) > 0.0, amounts.etc_mm, 0.0),
        spilled_mm,
        np.sqrt(noise_sq),
        USE_NOISE * (heard_mm > 0.0),
        OFFSET_NOISE_MM * (heard_mm > 0.0),
        DRIFT_SD_M3_M3 * heard_mm,
        DRIFT_KEPT,
        heard_mm > 0.0,
        after * amounts.etc_mm,
        after_sd * amounts.etc_mm,
    )
    return ahead


def _use_after_water(
    ground: Ground, soil: SoilState, day: date, rain_mm: float, today: Sequence[Booking]
) -> tuple[FloatArray, FloatArray]:
    """The share of a date's use that comes after the last of its water, and its doubt, of every zone."""
    zones = len(ground.table.ids)
    after, doubt = np.zeros(zones), np.zeros(zones)
    for item in today:
        after[item.zone] = 1.0 - item.et_share
    if rain_mm > WET_MM:
        hours = np.asarray(soil.rain_hours.get(day, ()), dtype=float)
        known = len(hours) > 0 and float(hours.sum()) > 0.0
        last_s = ground.days.start_s(day) + 3600.0 * (float(np.flatnonzero(hours)[-1]) + 0.5) if known else 0.0
        after[:] = 1.0 - ground.days.et_share(last_s) if known else AFTER_RAIN
        doubt[:] = HOUR_SD if known else AFTER_RAIN_SD
    return after, doubt


def _spilled_mm(ground: Ground, rain_mm: float, amounts: DayAmounts) -> FloatArray:
    """Water of a date beyond field capacity. [mm]"""
    if amounts.rain is not None:
        return amounts.drainage_mm + amounts.rain.drained_mm
    offered_mm = effective_rain(rain_mm * ground.table.rain_share, np.inf)
    surplus_mm: FloatArray = amounts.drainage_mm + np.maximum(offered_mm - amounts.effective_rain_mm, 0.0)
    return surplus_mm


def _probed_roots_mm(ground: Ground, sensors: Sequence[str]) -> FloatArray:
    """Rooting depth of the zones of these probes, 0 elsewhere. [mm]"""
    root_mm = np.zeros(len(ground.table.ids))
    for sensor in sensors:
        root_mm[ground.probes[sensor].zone] = ground.probes[sensor].root_depth_mm
    return root_mm


def offsets_mm(belief: BeliefState) -> FloatArray:
    """What each zone's probe reads too dry. [mm]"""
    found: FloatArray = belief.mean[:, OFFSET]
    return found
