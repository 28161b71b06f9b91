"""Listening to soil probes: what each says of a date is weighed against the balance, and one that fails is given up.

Four ways in which a probe is found out: its own readings (``probes``); a surprise too great to be believed, days on
end; surprises that add up to one side; and a reading at field capacity that has moved since it settled, which a soil's
does not. The last one finds slow drift, of one probe or of all at once: every soaking shows the reading again.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from dewpond.brain.belief import probes as look_at
from dewpond.brain.belief.probed_rain import Gain
from dewpond.brain.belief.state import BeliefState, FloatArray, ProbeState
from dewpond.brain.beliefs import DayAmounts
from dewpond.brain.ground import Ground, ProbePlace
from dewpond.brain.state import SoilState
from dewpond.model.copying import replace
from dewpond.science.estimation import DEPLETION, OFFSET, USE, Estimate, correct, expect, reset_use

# Limits without a published source are common practice.
USE_SD = 0.18  # of the logarithm of true over tabulated water use, before anything was seen
MOST_LN_USE = math.log(1.5)
# One probe stands for the whole zone. [mm, and m3/m3 over the roots]
PLACE_SD_MM, PROBE_SD_M3_M3 = 1.0, 0.006
GAIN_WATER_SD = 0.1  # doubt of a date's irrigation as a share of it, where its water is told from rain
GATE, AGREES = 4.0, 2.0  # standard deviations of surprise that are believed; of a probe that was given up
BIAS_ALLOWANCE, BIAS_LIMIT, BIAS_LIMIT_DRY = 0.5, 9.0, 10.0  # one-sided sums of surprises, in standard deviations
# A reading at field capacity counts only while a soaking has shown it so well; it has moved when it is so far from
# where it settled.
SETTLED_DAYS, SHOWN_SD_M3_M3 = 20, 0.006
MOVED_M3_M3, MOVED_SIGNS = 0.018, 3.0
# Where two other probes have moved to the same side, one cause is at work on all of them, and less is asked for.
COMPANY, IN_COMPANY = 2, 0.5
REST, REST_SHARE = 3, 0.75  # so many others, and so large a share of them, that one cause is at work on all
SETTLES_AGAIN_DAYS = 400.0  # roots, worms and frost do change a soil, over years
# What a probe taught of late is taken back when it turns out to fail, since so long ago.
PAST_DAYS, SUDDEN_DAYS, PUT_BACK_DAYS = 45, 8, 21
TAKEN_BACK_DAYS = {look_at.MOVES: PAST_DAYS, look_at.DRIFTS: 21, look_at.MORE: PAST_DAYS, look_at.LESS: PAST_DAYS}
DOUBTED_SD_MM = 4.0
LEARNED_DAYS = 20  # a use factor learned from so many days stays, its doubt on the safe side
LEAN, LEAN_AFTER_DRY, LEAN_AFTER_WET = 0.5, 0.3, 0.3  # standard deviations towards dry


@dataclass(frozen=True, slots=True)
class Doubt:
    """A probe that is not listened to any more (``why``), or is again ("")."""

    sensor: str
    zone: str
    why: str


def listen(
    ground: Ground,
    belief: BeliefState,
    estimate: Estimate,
    soil: SoilState,
    day: date,
    amounts: DayAmounts,
    *,
    fair: bool = True,
) -> tuple[BeliefState, Estimate, tuple[Doubt, ...]]:
    """Let every probe speak on a date, one after the other; the belief with its probes, and doubts that are new.

    Where its rain is known from the probes alone the balance is no ``fair`` judge of slow drift.
    """
    doubts: list[Doubt] = []
    for sensor, place in ground.probes.items():
        before, z = belief.probes[sensor], place.zone
        probe, seen_mm = _heard_of_day(ground, before, z, soil, day, amounts, sensor)
        probe, use_it = _weighed(ground, probe, sensor, estimate, seen_mm, fair)
        if use_it and seen_mm is not None:
            estimate = _corrected(ground, estimate, z, seen_mm, place.root_depth_mm, day)
            belief = replace(belief, learned_days=_with_one_more(belief.learned_days, z))
            others = [other.moved for name, other in belief.probes.items() if name != sensor]
            probe = _settled(replace(probe, seen=probe.seen + 1), estimate, place, others)
            probe = _with_the_rest(probe, others)
        if before.given_up and not probe.given_up:
            probe = replace(probe, moved=0)
        if probe.given_up and not before.given_up:
            estimate = _before_the_fault(belief, estimate, z, probe, float(ground.table.taw_on(day)[z]))
            probe = replace(probe, bias=0.0, moved=_drift(probe))
        if bool(probe.given_up) != bool(before.given_up):
            doubts.append(Doubt(sensor, ground.table.ids[z], probe.given_up))
        belief = replace(belief, probes={**belief.probes, sensor: probe})
    return belief, estimate, tuple(doubts)


def _before_the_fault(
    belief: BeliefState, estimate: Estimate, z: int, probe: ProbeState, most_mm: float = math.inf
) -> Estimate:
    """Take back what a probe taught since it began to fail, and lean to the safe side.

    After a sudden fault the zone's depletion and use of some days ago stand again. After a drift the use of some weeks
    ago does, the greater one where the probe read ever wetter, and what it took off the depletion since is put back, as
    far as the soil can lack it (``most_mm``). What stays is moved by its doubt towards dry, as from here on nobody sees
    the soil dry out; less so after a probe that read ever drier, which has moved it there already.
    """
    drift = _drift(probe)
    left_mm, ln_use = float(estimate.mean[z, DEPLETION]), float(estimate.mean[z, USE])
    past_ln_use = _past(belief.past_ln_use, TAKEN_BACK_DAYS.get(probe.given_up, SUDDEN_DAYS), z)
    if not drift:
        left_mm -= float(_past(belief.past_correction_mm, SUDDEN_DAYS, z).sum())
    elif drift < 0:
        left_mm -= min(0.0, float(_past(belief.past_correction_mm, PUT_BACK_DAYS, z).sum()))
    if len(past_ln_use) or not drift:
        before = float(past_ln_use[0]) if len(past_ln_use) else 0.0
        ln_use = max(ln_use, before) if drift < 0 else before
    if belief.learned_days[z] >= LEARNED_DAYS:
        lean = LEAN_AFTER_DRY if drift > 0 else LEAN_AFTER_WET if drift < 0 else LEAN
        ln_use += lean * math.sqrt(float(estimate.cov[z, USE, USE]))
        left_mm += lean * math.sqrt(float(estimate.cov[z, DEPLETION, DEPLETION]))
    use_sd = math.sqrt(float(estimate.cov[z, USE, USE]))
    taken_back: Estimate = reset_use(estimate, [z], min(max(0.0, left_mm), most_mm), ln_use, use_sd, DOUBTED_SD_MM)
    if probe.settled_mm is not None:
        taken_back.mean[z, OFFSET] = probe.settled_mm  # where it is to read again once it is mended
    return taken_back


def _past(rows: FloatArray, days: int, z: int) -> FloatArray:
    """A zone's last days out of rows that may still be empty."""
    return rows[-days:, z] if len(rows) else np.zeros(0)


def _drift(probe: ProbeState) -> int:
    """+1 for a probe that read ever drier, -1 for ever wetter, 0 for a fault that is no drift."""
    if probe.given_up == look_at.MOVES:
        return probe.moved
    if probe.given_up == look_at.DRIFTS:
        return 1 if probe.bias > 0.0 else -1
    return 0


def _settled(probe: ProbeState, estimate: Estimate, place: ProbePlace, others: Sequence[int] = ()) -> ProbeState:
    """The probe with what it reads at field capacity once that is known; given up when it has moved from there.

    ``others`` are the sides to which the site's other probes have moved.
    """
    offset_mm = float(estimate.mean[place.zone, OFFSET])
    sd_mm = math.sqrt(float(estimate.cov[place.zone, OFFSET, OFFSET]))
    gone_mm = 0.0 if probe.settled_mm is None else offset_mm - probe.settled_mm
    side = 1 if gone_mm > 0.0 else -1
    share = IN_COMPANY if others.count(side) >= COMPANY else 1.0
    if sd_mm > SHOWN_SD_M3_M3 / share * place.root_depth_mm:
        return probe
    if probe.settled_mm is None:
        return replace(probe, settled_mm=offset_mm) if probe.seen >= SETTLED_DAYS else probe
    if abs(gone_mm) > share * max(MOVED_M3_M3 * place.root_depth_mm, MOVED_SIGNS * sd_mm):
        return replace(probe, given_up=look_at.MOVES, moved=side, good_days=0)
    return replace(probe, settled_mm=probe.settled_mm + gone_mm / SETTLES_AGAIN_DAYS)


def _with_the_rest(probe: ProbeState, others: Sequence[int]) -> ProbeState:
    """The probe given up with the rest where nearly all others have moved to one side: one cause is at work on all."""
    side = 1 if sum(others) > 0 else -1
    if probe.given_up or others.count(side) < max(REST, REST_SHARE * len(others)):
        return probe
    return replace(probe, given_up=look_at.MOVES, moved=side, good_days=0)


def _heard_of_day(
    ground: Ground, probe: ProbeState, z: int, soil: SoilState, day: date, amounts: DayAmounts, sensor: str
) -> tuple[ProbeState, float | None]:
    """What one probe saw of a date, as depletion with its own offset, after its own checks. [mm]"""
    place = ground.probes[sensor]
    begin_s, end_s = ground.days.start_s(day), ground.days.end_s(day)
    if not len(probe.time_s) and not probe.seen and not probe.silent_days:
        return probe, None  # never heard: a site whose probes are still to come
    told = look_at.look(probe, begin_s, end_s, _late(soil, day, z))
    changed_mm = float(amounts.etc_mm[z] + amounts.net_mm[z] + amounts.effective_rain_mm[z])
    probe, odd = look_at.judged(probe, told, look_at.moved(probe, begin_s, end_s), changed_mm)
    kept = probe.time_s > end_s
    last_mm, seen_mm = probe.last_mm, _as_depletion(place, told)
    probe = replace(probe, time_s=probe.time_s[kept], value=probe.value[kept], last_mm=seen_mm)
    came_mm = float(amounts.net_mm[z] - amounts.etc_mm[z])
    stayed = amounts.effective_rain_mm[z] <= 0.0 and amounts.drainage_mm[z] <= 0.0
    if seen_mm is not None and last_mm is not None and stayed and came_mm >= look_at.WATERING_MM:
        probe = look_at.compared(probe, last_mm - seen_mm, came_mm)
    if odd:
        return look_at.with_verdict(probe, odd, counted=False), None
    return probe, probe.last_mm


def _as_depletion(place: ProbePlace, told: look_at.DayOfProbe) -> float | None:
    """What a probe saw of a date as depletion with its own offset. [mm]"""
    if told.seen_m3_m3 is None:
        return None
    return (place.field_capacity_m3_m3 - told.seen_m3_m3) * place.root_depth_mm


def gains(ground: Ground, belief: BeliefState, soil: SoilState, day: date, dried: DayAmounts) -> list[Gain]:
    """What each probe that is listened to saw come in on a date that is to be closed.

    ``dried`` are the date's amounts had there been no rain.
    """
    found = []
    begin_s, end_s = ground.days.start_s(day), ground.days.end_s(day)
    for sensor, place in ground.probes.items():
        probe, z = belief.probes[sensor], place.zone
        if probe.given_up or probe.last_mm is None:
            continue
        seen_mm = _as_depletion(place, look_at.look(probe, begin_s, end_s, _late(soil, day, z)))
        if seen_mm is None:
            continue
        net_mm = float(dried.net_mm[z])
        dry_mm = probe.last_mm + float(dried.etc_mm[z]) - net_mm  # where it would read without rain
        found.append(
            Gain(
                gained_mm=dry_mm - seen_mm,
                risen_mm=probe.last_mm - seen_mm - net_mm,
                room_mm=max(0.0, dry_mm - float(belief.mean[z, OFFSET])),
                sd_mm=math.hypot(math.sqrt(2.0) * _seen_sd_mm(place.root_depth_mm), GAIN_WATER_SD * net_mm),
                net_mm=net_mm,
                used_mm=float(dried.etc_mm[z]),
            )
        )
    return found


def _late(soil: SoilState, day: date, z: int) -> bool:
    """Whether a zone was watered in the evening of a date, which its probe then has not taken up."""
    return any(item.zone == z and item.date == day and item.et_share >= 1.0 for item in soil.bookings)


def _weighed(
    ground: Ground, probe: ProbeState, sensor: str, estimate: Estimate, seen_mm: float | None, fair: bool
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
    scale = look_at.off_scale(probe, _seen_sd_mm(place.root_depth_mm))
    grown = _grown(probe.bias, score) if fair else probe.bias
    if not odd and not -BIAS_LIMIT <= grown <= BIAS_LIMIT_DRY:  # a probe that reads ever wetter lets plants go dry
        odd = look_at.DRIFTS
    if not odd:
        odd = scale
    if probe.given_up:
        doubt_mm = math.hypot(_seen_sd_mm(place.root_depth_mm), DOUBTED_SD_MM)
        agrees = abs(seen_mm - float(expected_mm[z])) <= AGREES * doubt_mm and not scale
        probe = look_at.with_verdict(probe, "" if agrees else probe.given_up, counted=agrees)
        return probe, not probe.given_up
    probe = look_at.with_verdict(replace(probe, bias=grown), odd, counted=True)
    if odd in look_at.SLOW:
        probe = replace(probe, given_up=odd)
    return probe, not odd


def _grown(bias: float, score: float) -> float:
    """The larger one-sided sum of surprises (Page 1954), with its sign."""
    up = max(0.0, max(bias, 0.0) + score - BIAS_ALLOWANCE)
    down = max(0.0, max(-bias, 0.0) - score - BIAS_ALLOWANCE)
    return up if up >= down else -down


def _corrected(ground: Ground, estimate: Estimate, z: int, seen_mm: float, root_mm: float, day: date) -> Estimate:
    zones = len(estimate.mean)
    used: NDArray[np.bool_] = np.arange(zones) == z
    sd_mm = np.full(zones, _seen_sd_mm(root_mm))
    most_mm = ground.table.taw_on(day)
    found: Estimate = correct(estimate, np.full(zones, seen_mm), sd_mm, used, most_mm, MOST_LN_USE).estimate
    return found


def _seen_sd_mm(root_depth_mm: float) -> float:
    return math.hypot(PLACE_SD_MM, PROBE_SD_M3_M3 * root_depth_mm)


def _with_one_more(counts: FloatArray, z: int) -> FloatArray:
    more = counts.copy()
    more[z] += 1.0
    return more
