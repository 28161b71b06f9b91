"""Calm stretches: many rows taken at once, where none of them could be a sign of anything.

A recorded season holds hundreds of thousands of meter rows, nearly all of them as usual. The same sums as row by row
are formed here over arrays; the first row at which one of them comes near a verdict, and every row of a kind that is
not worked out here, is left to the row-by-row tests.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dewpond.brain.pipes import opening as runs_open
from dewpond.brain.pipes import supply, usual
from dewpond.brain.pipes.columns import Columns, Zones
from dewpond.brain.pipes.settings import WatchSettings
from dewpond.brain.pipes.state import Mark, Opening, Spread, Sum, UsualFlow, UsualStart, WatchState, key_of
from dewpond.model.copying import replace
from dewpond.science.change_detection import student_width

FloatArray = NDArray[np.float64]
LEAST_ROWS = 6  # fewer are faster one by one
MOST_ROWS = 512
MOST_IDLE_ROWS = 144
NEARLY_LOW = 0.75  # of the way to a low pressure; what is usual moves a little while a stretch is taken at once


def skip(
    settings: WatchSettings, state: WatchState, rows: Columns, here: tuple[int, int], zones: Zones
) -> tuple[WatchState, int]:
    """The state after the calm rows at the beginning of a stretch, and how many they are. 0 leaves the state alone.

    The stretch is the rows from the first number of ``here`` up to, not including, the second.
    """
    first, end = here
    if end - first < LEAST_ROWS or settings.meter.shared or state.incidents or state.closing is not None:
        return state, 0
    if zones != (() if state.opening is None else state.opening.zones):
        return state, 0
    rows = rows.part(first, min(end, first + (MOST_ROWS if zones else MOST_IDLE_ROWS)))
    odd = ~((rows.window_s > 0.0) & (rows.window_s <= settings.meter.lost_s)) | _starving(state, rows, zones)
    if state.opening is not None:
        quiet = _before(odd)
        return _running(settings, state, state.opening, rows.part(0, quiet)) if quiet else (state, 0)
    calm = _before(odd | (rows.litres > 0.0))
    return (_heard_idle(state, rows.part(0, calm)), calm) if calm else (state, 0)


def _before(odd: NDArray[np.bool_]) -> int:
    """How many rows come before the first odd one, of one row at least."""
    first = int(odd.argmax())
    return first if odd[first] else len(odd)


def _starving(state: WatchState, rows: Columns, zones: Zones) -> NDArray[np.bool_] | bool:
    """Which rows have a pressure low enough to be looked at closely."""
    if state.idle_kpa_s < supply.KNOW_S:
        return False
    flow = state.flows.get(key_of(zones))
    drop_kpa = 0.0 if flow is None else max(flow.drop_kpa.mean, 0.0)
    margin_kpa = drop_kpa + NEARLY_LOW * supply.low_width() * supply.pressure_sd(state)
    if zones and (flow is None or flow.drop_kpa.count == 0):
        margin_kpa = math.inf  # how far these zones draw it down is not known: only a supply that is lost shows
    parts = range(int(rows.time_s[0] // supply.PART_S), int(rows.time_s[-1] // supply.PART_S) + 1)
    limits_kpa = [_low_kpa(state.idle_kpa[part % supply.PARTS], margin_kpa) for part in parts]
    low: NDArray[np.bool_] = rows.pressure_kpa < max(limits_kpa)
    if len(limits_kpa) > 1 and low.any():
        low = rows.pressure_kpa < np.array(limits_kpa)[(rows.time_s // supply.PART_S).astype(np.intp) - parts[0]]
    return low


def _low_kpa(usual: Spread, margin_kpa: float) -> float:
    """The pressure below which rows are looked at closely, in the part of the day with this usual one."""
    if usual.count < supply.PARTS:
        return -math.inf
    return max(usual.mean - margin_kpa, supply.LOST_SHARE * usual.mean)


def _heard_idle(state: WatchState, rows: Columns) -> WatchState:
    """Learn the idle pressure of quiet rows, part of the day by part."""
    kpa, time_s, window_s = rows.pressure_kpa, rows.time_s, rows.window_s
    told = kpa == kpa  # noqa: PLR0124 - NaN is the one number that differs from itself
    if not told.all():
        kpa, time_s, window_s = kpa[told], time_s[told], window_s[told]
        if not len(kpa):
            return state
    part = (time_s % supply.DAY_S // supply.PART_S).astype(np.intp)
    spreads = list(state.idle_kpa or (Spread(),) * supply.PARTS)
    edges = [0, *((part[1:] != part[:-1]).nonzero()[0] + 1).tolist(), len(part)]
    for first, end in itertools.pairwise(edges):
        number = int(part[first])
        spreads[number] = _merged(spreads[number], kpa[first:end])
    heard_s = state.idle_kpa_s + float(window_s.sum())
    return replace(state, idle_kpa=tuple(spreads), idle_kpa_s=heard_s, quiet_kpa=float(kpa[-1]))


def _merged(spread: Spread, values: FloatArray) -> Spread:
    """The spread after several more values (Chan, Golub and LeVeque 1979)."""
    count = spread.count + len(values)
    mean = float(values.sum()) / len(values)
    off = values - mean
    gap = mean - spread.mean
    return Spread(
        count,
        spread.mean + gap * len(values) / count,
        spread.squares + float(off @ off) + gap * gap * spread.count * len(values) / count,
    )


class _Sums(NamedTuple):
    """The sums of an opening after each row of a stretch."""

    expected_l: FloatArray
    row_expected_l: FloatArray
    high_l: FloatArray
    low_l: FloatArray
    odd: NDArray[np.bool_]


def _running(settings: WatchSettings, state: WatchState, now_open: Opening, rows: Columns) -> tuple[WatchState, int]:
    flow = state.flows.get(key_of(now_open.zones))
    ln_kpa = np.log(np.fmax(rows.pressure_kpa, 1.0))  # 0 where there is no pressure
    if flow is None:
        total, marks = _counted(now_open, rows, ln_kpa)
        return replace(state, opening=replace(now_open, total=total, marks=marks)), rows.size
    start = state.starts.get(runs_open.start_key(now_open))
    sums = _summed(settings, now_open, flow, start, rows, ln_kpa)
    calm = _before(sums.odd)
    if not calm:
        return state, 0
    rows = rows.part(0, calm)
    total, marks = _counted(now_open, rows, ln_kpa[:calm])
    wet = rows.litres.nonzero()[0]
    silent_l = float(sums.row_expected_l[(wet[-1] + 1 if len(wet) else 0) : calm].sum())
    after = replace(
        now_open,
        total=total,
        marks=marks,
        expected_l=float(sums.expected_l[calm - 1]),
        high=_sum_after(now_open.high, sums.high_l[:calm], rows),
        low=_sum_after(now_open.low, sums.low_l[:calm], rows),
        silent_l=silent_l if len(wet) else now_open.silent_l + silent_l,
        short_peak_l=max(now_open.short_peak_l, float(sums.low_l[:calm].max())),
    )
    return replace(state, opening=after), calm


def _counted(now_open: Opening, rows: Columns, ln_kpa: FloatArray) -> tuple[Mark, tuple[Mark, ...]]:
    """Totals after the last of some rows, and the marks of all."""
    before, marks = now_open.total, now_open.marks
    ln_kpa_s = before.ln_kpa_s + (ln_kpa * rows.window_s).cumsum()
    litres, seconds = before.litres + rows.litres.cumsum(), before.seconds + rows.window_s.cumsum()
    totals = (rows.time_s, litres, seconds, ln_kpa_s)
    marked = int(rows.time_s.searchsorted(now_open.first_end_s + runs_open.MARKED_S, side="right"))
    if marked:
        marks = _marked(marks, zip(*(column[:marked].tolist() for column in totals), strict=True))
    return Mark(*(float(column[-1]) for column in totals)), marks


def _marked(marks: tuple[Mark, ...], totals: Iterable[tuple[float, float, float, float]]) -> tuple[Mark, ...]:
    """The marks with those of some rows, ``MARK_EVERY_S`` apart."""
    more, last_s = list(marks), marks[-1].time_s
    for total in totals:
        if total[0] - last_s >= runs_open.MARK_EVERY_S:
            more.append(Mark(*total))
            last_s = total[0]
    return tuple(more)


def _summed(
    settings: WatchSettings,
    now_open: Opening,
    flow: UsualFlow,
    start: UsualStart | None,
    rows: Columns,
    ln_kpa: FloatArray,
) -> _Sums:
    """The tests of ``opening.step`` for all rows, as if none of them ended the stretch."""
    meter = settings.meter
    off = np.where(np.isnan(rows.pressure_kpa), 0.0, ln_kpa - flow.ref_ln_kpa)
    flow_l_min = np.exp(flow.level + flow.exponent * off)
    row_expected_l = flow_l_min * rows.window_s / 60.0
    doubt = np.sqrt(flow.scatter_sq + flow.c00 + 2.0 * off * flow.c01 + off * off * flow.c11)
    share = usual.REPEATABILITY + np.expm1(student_width(settings.width, flow.degrees) * doubt)
    most_l, least_l = row_expected_l * (1.0 + share), row_expected_l * (1.0 - share)
    extra_b_l, short_b_l, settle_s = _start_limits(settings, start, flow_l_min)
    settling = rows.time_s - now_open.first_end_s <= settle_s
    expected_l = now_open.expected_l + row_expected_l.cumsum()
    total_l = now_open.total.litres + rows.litres.cumsum()
    low_l = _reflected(now_open.low.litres, least_l - rows.litres)
    high_l = np.zeros(rows.size)
    first = _before(~settling)
    high_l[first:] = _reflected(now_open.high.litres if first == 0 else 0.0, (rows.litres - most_l)[first:])
    odd = np.zeros(rows.size, dtype=bool)
    odd[first:] = settling[first:]  # settled, and then not: left to the rows
    if flow.runs >= settings.runs_to_know and not now_open.odd:
        beyond_l = total_l - expected_l * (1.0 + share) - extra_b_l - now_open.carry_l
        missing_l = low_l - np.where(settling, short_b_l, 0.0)
        odd |= (high_l > meter.verdict_l) | (settling & (beyond_l > meter.verdict_l)) | (missing_l > meter.verdict_l)
    return _Sums(expected_l, row_expected_l, high_l, low_l, odd)


def _start_limits(
    settings: WatchSettings, start: UsualStart | None, flow_l_min: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """``opening.limits`` of every row: litres of refill, litres that may be missing, seconds until steady."""
    none = np.zeros(len(flow_l_min))
    meter = settings.meter
    if start is None or start.extra_l.count < runs_open.STARTS_TO_KNOW:
        return none + math.inf, flow_l_min * runs_open.VALVE_S / 60.0, none + runs_open.BLANK_S
    row_l = flow_l_min * meter.row_s / 60.0
    usual_l = max(start.extra_l.mean, 0.0)
    floor_l = np.hypot(row_l, meter.pulse_l) / math.sqrt(12.0) + runs_open.REFILL_SHARE * usual_l
    extra_l = _upper(start.extra_l, settings.width, floor_l)
    settle_s = start.settle_s.upper(2.0, meter.row_s / math.sqrt(12.0)) + meter.row_s
    larger = np.minimum(extra_l / np.maximum(usual_l, floor_l), runs_open.LARGEST_REFILL)
    short_l = start.short_l.upper(settings.width, meter.pulse_l / math.sqrt(12.0))
    return extra_l, none + short_l, np.maximum(settle_s, larger * (start.settle_s.mean + meter.row_s))


def _upper(seen: Spread, width: float, floor: FloatArray) -> FloatArray:
    """``Spread.upper`` of many floors: the value at a floor of 0 and at one of 1 give its two terms."""
    known, weight = seen.sd(0.0) ** 2, Spread(seen.count).sd(1.0) ** 2
    sd: FloatArray = np.sqrt(known + weight * floor**2)
    return seen.mean + width * sd * math.sqrt(1.0 + 1.0 / max(seen.count, 1))


def _reflected(begin_l: float, steps_l: FloatArray) -> FloatArray:
    """A one-sided cumulative sum, which never falls below zero, after each of its steps."""
    free_l = begin_l + steps_l.cumsum()
    lowest_l = np.minimum(np.minimum.accumulate(free_l), 0.0)
    grown: FloatArray = free_l - lowest_l
    return grown


def _sum_after(before: Sum, sums_l: FloatArray, rows: Columns) -> Sum:
    """The sum after the last row, and since when it has been above zero."""
    if sums_l[-1] <= 0.0:
        return Sum()
    zero = np.flatnonzero(sums_l <= 0.0)
    if not len(zero) and before.litres > 0.0:
        return Sum(float(sums_l[-1]), before.since_s)
    place = int(zero[-1]) + 1 if len(zero) else 0
    return Sum(float(sums_l[-1]), float(rows.time_s[place] - rows.window_s[place]))
