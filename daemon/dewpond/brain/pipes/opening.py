"""One opening, row by row: what was counted against what the zones usually pass.

Refill is blanked by volume and by time: until the zones are usually steady only litres beyond their usual refill count;
from then on every litre beyond the allowance does. Too little is counted from the second row on, because refill only
ever adds. Sums, not rates: the count of a pulse meter is off by less than a pulse however long one waits.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from dewpond.brain.pipes import usual
from dewpond.brain.pipes.others import draw_limit_l_min
from dewpond.brain.pipes.rows import MeterRow
from dewpond.brain.pipes.settings import WatchSettings
from dewpond.brain.pipes.state import Lead, Mark, Opening, Sum, UsualFlow, UsualStart, WatchState, key_of
from dewpond.brain.pipes.usual import Run
from dewpond.model.copying import replace

# Blank this long where it is not yet known how long these zones take to fill. [s] Common practice, no source.
BLANK_S = 120.0
MARK_EVERY_S = 10.0
MARKED_S = 300.0
# A valve takes this long to open or close at most, where it is not yet known. [s] Common practice, no source.
VALVE_S = 15.0
# Whole windows this long are compared where others draw from the meter: their draws come and go, a leak stays. [s]
WINDOW_S = 120.0
# The flow of zones just before others come to them is that of so long at least. [s]
LEAD_S = 20.0
STARTS_TO_KNOW = 3
# What drains from a lateral varies by this share of itself, with slope and rest. Common practice, no source.
REFILL_SHARE = 0.35
# No refill takes longer than this many usual ones. Common practice, no source.
LARGEST_REFILL = 4.0
# Pressure drifts during a run; flow within this share of the rest of the run is steady. Common practice, no source.
STEADY_SHARE = 0.03


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspicion:
    """Flow that a count proves to be off: ``side`` is +1 too much, -1 too little, 0 nothing at all.

    ``beside_l_min`` is what flowed beside the usual since the zones opened, their usual refill taken off; None where
    that is not known.
    """

    zones: tuple[str, ...]
    zone: str
    side: int
    time_s: float
    expected_l_min: float
    seen_l_min: float
    doubt: float
    lost_l: float
    kpa: float | None = None
    beside_l_min: float | None = None
    beside_doubt_l_min: float = 0.0
    settling: bool = False


@dataclass(frozen=True, slots=True)
class Limits:
    """What is usual while these zones start: litres of refill, litres that may be missing, seconds until steady."""

    extra_l: float
    short_l: float
    settle_s: float
    known: bool


@dataclass(frozen=True, slots=True)
class Left:
    """What the zones before leave to an opening: litres they may still pass, and whether they closed at all."""

    carry_l: float = 0.0
    unclosed: tuple[str, ...] = ()


def start_key(opening: Opening) -> str:
    """Starts differ by which zones come fresh to those already open."""
    return f"{key_of(opening.zones)}|{key_of(opening.fresh)}"


def begin(row: MeterRow, row_s: float, before: tuple[str, ...], left: Left, usual_flow: UsualFlow | None) -> Opening:
    """An opening from its first row, in whose last ``row_s`` the valves moved: an open valve is reported that often."""
    fresh = tuple(zone for zone in row.open_zones if zone not in before)
    if row.window_s > row_s:
        row = replace(row, window_s=row_s)
    total = Mark(row.time_s, row.litres, row.window_s, ln_kpa(row) * row.window_s)
    return Opening(
        zones=row.open_zones,
        fresh=fresh,
        first_end_s=row.time_s,
        total=total,
        carry_l=left.carry_l,
        unclosed=left.unclosed,
        expected_l=0.0 if usual_flow is None else expected_of_row(usual_flow, row),
        marks=(total,),
    )


def lead_in(before: Opening | None, begun: Opening) -> Lead | None:
    """The last flow of the zones open before, where these stay open and others come to them; None otherwise."""
    if before is None or not begun.fresh or not all(zone in begun.zones for zone in before.zones):
        return None
    latest_s = before.total.time_s - LEAD_S
    mark = next((mark for mark in reversed(before.marks) if mark.time_s <= latest_s), None)
    if mark is None:
        return None
    part = between(mark, before.total)
    return Lead(before.zones, part.litres * 60.0 / part.seconds)


def ln_kpa(row: MeterRow) -> float:
    """ln of the row's pressure, of 1 kPa where the pipe is empty, and 0 where there is no sensor."""
    return 0.0 if row.pressure_kpa is None else math.log(max(row.pressure_kpa, 1.0))


def expected_of_row(usual_flow: UsualFlow, row: MeterRow) -> float:
    """Litres the zones usually pass in this row's window at its pressure."""
    pressure = None if row.pressure_kpa is None else ln_kpa(row)
    return usual.expected_l_min(usual_flow, pressure) * max(row.window_s, 0.0) / 60.0


def limits(settings: WatchSettings, start: UsualStart | None, flow_l_min: float) -> Limits:
    """Bounds of a usual start. The moment a valve moves within a row is not known: that much any start may differ."""
    row_l = flow_l_min * settings.meter.row_s / 60.0
    if start is None or start.extra_l.count < STARTS_TO_KNOW:
        return Limits(math.inf, flow_l_min * VALVE_S / 60.0, BLANK_S, False)
    usual_l = max(start.extra_l.mean, 0.0)
    floor_l = math.hypot(row_l, settings.meter.pulse_l) / math.sqrt(12.0) + REFILL_SHARE * usual_l
    row_s = settings.meter.row_s
    extra_l = start.extra_l.upper(settings.width, floor_l)
    settle_s = start.settle_s.upper(2.0, row_s / math.sqrt(12.0)) + row_s
    # A larger refill than usual takes longer by as much.
    larger = min(extra_l / max(usual_l, floor_l), LARGEST_REFILL)
    return Limits(
        extra_l,
        start.short_l.upper(settings.width, settings.meter.pulse_l / math.sqrt(12.0)),
        max(settle_s, larger * (start.settle_s.mean + row_s)),
        True,
    )


def step(
    settings: WatchSettings, state: WatchState, opening: Opening, row: MeterRow
) -> tuple[Opening, Suspicion | None]:
    """The opening after one more full row, and what that row proves."""
    opening = _counted(opening, row)
    usual_flow = state.flows.get(key_of(opening.zones))
    if usual_flow is None:
        return opening, None
    expected_l = expected_of_row(usual_flow, row)
    flow_l_min = expected_l * 60.0 / row.window_s
    bounds = limits(settings, state.starts.get(start_key(opening)), flow_l_min)
    share = usual.allowance(usual_flow, None if row.pressure_kpa is None else ln_kpa(row), settings.width)
    drawn_l = draw_limit_l_min(settings, state.others) * row.window_s / 60.0
    opening = _summed(opening, row, expected_l, share, drawn_l, bounds)
    if usual_flow.runs < settings.runs_to_know or opening.odd:
        return opening, None
    suspicion = _suspicion(settings, state, opening, row, bounds, flow_l_min, share)
    if suspicion is None:
        return opening, None
    start = state.starts.get(start_key(opening))
    settling = row.time_s - opening.first_end_s <= bounds.settle_s
    suspicion = replace(suspicion, kpa=row.pressure_kpa, settling=settling)
    return opening, _with_beside(settings, opening, suspicion, start)


def _with_beside(
    settings: WatchSettings, opening: Opening, suspicion: Suspicion, start: UsualStart | None
) -> Suspicion:
    """The suspicion with the flow beside the usual since the opening began."""
    if start is None or start.extra_l.count < STARTS_TO_KNOW:
        return suspicion
    refill_l, sd_l = start.extra_l.mean, start.extra_l.sd(REFILL_SHARE * max(start.extra_l.mean, 0.0))
    a_minute = 60.0 / opening.total.seconds
    return replace(
        suspicion,
        beside_l_min=(opening.total.litres - opening.expected_l - refill_l) * a_minute,
        beside_doubt_l_min=math.hypot(2.0 * sd_l, settings.meter.pulse_l) * a_minute,
    )


def _counted(opening: Opening, row: MeterRow) -> Opening:
    """Totals and marks after a row."""
    total = opening.total
    total = Mark(
        row.time_s,
        total.litres + row.litres,
        total.seconds + row.window_s,
        total.ln_kpa_s + ln_kpa(row) * row.window_s,
    )
    marks = opening.marks
    if row.time_s - marks[-1].time_s >= MARK_EVERY_S and row.time_s - opening.first_end_s <= MARKED_S:
        marks = (*marks, total)
    return replace(opening, total=total, marks=marks)


def _summed(
    opening: Opening, row: MeterRow, expected_l: float, share: float, drawn_l: float, bounds: Limits
) -> Opening:
    """The two cumulative sums and the peaks of the start after a row."""
    settled = row.time_s - opening.first_end_s > bounds.settle_s
    from_s = row.time_s - row.window_s
    high = _grown(opening.high, row.litres - expected_l * (1.0 + share) - drawn_l, from_s) if settled else Sum()
    low = _grown(opening.low, expected_l * (1.0 - share) - row.litres, from_s)
    row_l, expected_l = expected_l, expected_l + opening.expected_l
    return replace(
        opening,
        expected_l=expected_l,
        high=high,
        low=low,
        silent_l=0.0 if row.litres > 0.0 else opening.silent_l + row_l,
        short_peak_l=max(opening.short_peak_l, low.litres),
    )


def _grown(total: Sum, litres: float, from_s: float) -> Sum:
    grown_l = total.litres + litres
    if grown_l <= 0.0:
        return Sum()
    return Sum(grown_l, total.since_s if total.litres > 0.0 else from_s)


def _suspicion(
    settings: WatchSettings,
    state: WatchState,
    opening: Opening,
    row: MeterRow,
    bounds: Limits,
    flow_l_min: float,
    share: float,
) -> Suspicion | None:
    verdict_l = settings.meter.verdict_l
    drawn_l_min = draw_limit_l_min(settings, state.others)
    extra_l = opening.total.litres - opening.expected_l * (1.0 + share) - drawn_l_min * opening.total.seconds / 60.0
    usual_extra_l = bounds.extra_l + opening.carry_l
    settling = row.time_s - opening.first_end_s <= bounds.settle_s
    if opening.high.litres > verdict_l and not _in_grace(settings, opening, row):
        since_s = row.time_s - opening.high.since_s
        seen = flow_l_min * (1.0 + share) + drawn_l_min + opening.high.litres * 60.0 / since_s
        since = opening.high.since_s
        return _named(opening, 1, row.time_s, flow_l_min, seen, settings.meter.pulse_l, opening.high.litres, since)
    if settling and extra_l > usual_extra_l + verdict_l and not _in_grace(settings, opening, row):
        beyond_l = extra_l - usual_extra_l
        seen = max(row.litres * 60.0 / row.window_s, flow_l_min * (1.0 + share))
        doubtful = _named(opening, 1, row.time_s, flow_l_min, seen, verdict_l, beyond_l)
        return replace(doubtful, doubt=settings.meter.pulse_l / row.litres if row.litres > 0.0 else 1.0)
    short_l = opening.low.litres - (bounds.short_l if settling else 0.0)
    if short_l > verdict_l and state.flows[key_of(opening.zones)].runs >= settings.runs_to_miss:
        return _too_little(settings, opening, row.time_s, flow_l_min, share, settling)
    return None


def _in_grace(settings: WatchSettings, opening: Opening, row: MeterRow) -> bool:
    """Whether the owner wants nothing called too much yet; beyond the meter's overload flow there is no grace.

    Q4 is 1.25 times Q3 (ISO 4064-1, from memory).
    """
    overload_l = OVERLOAD * settings.meter.q3_l_min * row.window_s / 60.0
    grace_s = settings.limits_of((opening.fresh or opening.zones)[-1]).grace_s
    return row.time_s - opening.first_end_s < grace_s and row.litres - settings.meter.pulse_l <= overload_l


def _too_little(
    settings: WatchSettings, opening: Opening, at_s: float, flow_l_min: float, share: float, settling: bool
) -> Suspicion | None:
    """Less than usual, or nothing: which of the two is said only when the count can tell them apart."""
    pulse_l = settings.meter.pulse_l
    if opening.silent_l > 0.0:
        nothing = opening.silent_l * (1.0 - share) * NOTHING >= pulse_l
        if nothing:
            return _named(opening, 0, at_s, flow_l_min, 0.0, pulse_l, 0.0)
        if opening.silent_l > settings.meter.verdict_l:
            return None
    since_s = at_s - opening.low.since_s
    if not settling and since_s <= settings.meter.row_s:
        return None  # it changed somewhere within this one row: how much is left, the next row shows
    usual_l = flow_l_min * since_s / 60.0
    passed_l = max(usual_l * (1.0 - share) - opening.low.litres, 0.0)
    others_l = opening.carry_l if settling else 0.0  # zones before that are still closing
    if passed_l - pulse_l - others_l < NOTHING * usual_l < passed_l + pulse_l:
        return None
    side = 0 if passed_l < NOTHING * usual_l else -1
    return _named(opening, side, at_s, flow_l_min, passed_l * 60.0 / since_s, pulse_l, 0.0, opening.low.since_s)


OVERLOAD = 1.25
# Below this share of its usual flow a zone is not clogged but shut. Common practice, no source.
NOTHING = 0.2


def _named(
    opening: Opening,
    side: int,
    at_s: float,
    expected: float,
    seen: float,
    resolution_l: float,
    lost_l: float,
    since_s: float | None = None,
) -> Suspicion:
    since_s = opening.first_end_s if since_s is None else since_s
    counted_l = max(max(expected, seen) * (at_s - since_s) / 60.0, resolution_l)
    return Suspicion(
        zones=opening.zones,
        zone=(opening.fresh or opening.zones)[-1],
        side=side,
        time_s=at_s,
        expected_l_min=expected,
        seen_l_min=seen,
        doubt=resolution_l / counted_l,
        lost_l=lost_l,
    )


def settle_time_s(opening: Opening, pulse_l: float) -> float | None:
    """Seconds after the first row from which on the count was that of the rest of the run, to a pulse.

    None for a run too short to have a first and a second half, or one whose pipe still filled in its second half.
    """
    half_s = 0.5 * (opening.first_end_s + opening.total.time_s)
    early = [mark for mark in opening.marks if mark.time_s <= half_s]
    if len(early) < 3:
        return None
    rest = between(early[-1], opening.total)
    if opening.total.seconds < BLANK_S and not _even(opening, early[-1], pulse_l):
        return None
    flow_l_s = rest.litres / rest.seconds
    settled, ahead_l, behind_l = early[-1], 0.0, 0.0
    for before, after in zip(reversed(early[:-1]), reversed(early[1:]), strict=True):
        part_l, steady_l = after.litres - before.litres, flow_l_s * (after.seconds - before.seconds)
        ahead_l += part_l - steady_l * (1.0 + STEADY_SHARE)
        behind_l += steady_l * (1.0 - STEADY_SHARE) - part_l
        if ahead_l > pulse_l or behind_l > pulse_l:
            break
        ahead_l = ahead_l if ahead_l > 0.0 else 0.0  # not max(): this runs for every mark of every run
        behind_l = behind_l if behind_l > 0.0 else 0.0
        settled = before
    return settled.time_s - opening.first_end_s


def _even(opening: Opening, since: Mark, pulse_l: float) -> bool:
    """Whether the same flow passed in both halves of what followed a mark, to a pulse."""
    half_s = 0.5 * (since.time_s + opening.total.time_s)
    middle = next((mark for mark in opening.marks if mark.time_s >= half_s), None)
    if middle is None or middle.time_s >= opening.total.time_s:
        return False
    first, second = between(since, middle), between(middle, opening.total)
    steady_l = second.litres * first.seconds / second.seconds
    return abs(first.litres - steady_l) <= pulse_l + STEADY_SHARE * steady_l


def steady_run(settings: WatchSettings, opening: Opening, settle_s: float) -> Run | None:
    """The steady part of an opening as one run; None when it is too short to count three pulses."""
    mark = next((mark for mark in opening.marks if mark.time_s - opening.first_end_s >= settle_s), None)
    if mark is None:
        return None
    part = between(mark, opening.total) if opening.least is None else opening.least
    if part.seconds <= 0.0 or part.litres < 3.0 * settings.meter.pulse_l:
        return None
    pressure = part.ln_kpa_s / part.seconds if part.ln_kpa_s > 0.0 else None
    return Run(part.litres * 60.0 / part.seconds, pressure, settings.meter.pulse_l / math.sqrt(6.0) / part.litres)


def between(early: Mark, late: Mark) -> Mark:
    """What was counted between two marks."""
    return Mark(late.time_s, late.litres - early.litres, late.seconds - early.seconds, late.ln_kpa_s - early.ln_kpa_s)


def windowed(opening: Opening, settle_s: float) -> Opening:
    """The opening with its quietest whole window, for meters that others draw from."""
    if opening.window_from is None:
        settled = opening.total.time_s - opening.first_end_s >= settle_s
        return replace(opening, window_from=opening.total) if settled else opening
    part = between(opening.window_from, opening.total)
    if part.seconds < WINDOW_S:
        return opening
    least = opening.least
    if least is None or part.litres / part.seconds < least.litres / least.seconds:
        least = part
    return replace(opening, window_from=opening.total, least=least)
