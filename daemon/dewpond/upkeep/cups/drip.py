"""Timed catch at emitters: how evenly drip gives its water, and what its ends, filter and flushing say.

Twelve emitters or more: some at the beginning, some in the middle, some at the ends of lines. Each is caught for the
same time.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dewpond.science.hydraulics import LATERAL_FLOW_VARIATION
from dewpond.science.uniformity import distribution_uniformity
from dewpond.upkeep.cups.refusal import AuditRefused, refuse_all

PLACES = ("start", "middle", "end")
LEAST_EMITTERS = 12  # four at head, middle and tail each: UC Cooperative Extension Sonoma, how to sample emitters
MOST_EMITTERS = 400
MOST_L_H = 120.0  # of one emitter or micro-spray (common practice, no source)
SECONDS = (10.0, 3600.0)
# Emission uniformity of a system in use, from which it is excellent, good, fair. ASAE EP458 and Merriam and Keller,
# Farm Irrigation System Evaluation, 1978; from memory.
WORDS = ((0.90, "excellent"), (0.80, "good"), (0.70, "fair"))
CLOGGED_SHARE = 0.5  # of the median: an emitter below it is clogged (common practice, no source)
FILTER_DROP_KPA = 35.0  # 5 psi across the filter, from which it is cleaned; from memory
END_PRESSURE_SHARE = 0.8  # of that at the start: 20 % of pressure is 10 % of flow, Jarrett 2000, pp. 336-337
FLUSH = ("clear", "dirty")


@dataclass(frozen=True, slots=True, kw_only=True)
class Emitter:
    """One caught emitter: where on its line, and how much."""

    line: str
    place: str
    ml: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DripRound:
    """What else was seen on the round; None where nobody looked. Pressures in kPa."""

    start_kpa: float | None = None
    end_kpa: float | None = None
    rated_kpa: float | None = None
    filter_before_kpa: float | None = None
    filter_after_kpa: float | None = None
    flush: str | None = None
    rated_l_h: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DripFinding:
    """One thing to do: what was seen, the limit with its source, the remedy."""

    code: str
    what: str
    limit: str
    remedy: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DripAudit:
    """The result; ``emission_uniformity`` is the low quarter's mean over the mean of all. [-]"""

    emitters: int
    mean_l_h: float
    emission_uniformity: float
    variation: float  # coefficient of variation [-]
    word: str
    by_place_l_h: dict[str, float]
    clogged: tuple[int, ...]
    findings: tuple[DripFinding, ...]
    notes: tuple[str, ...]


def read_emitters(text: str, where: str = "emitters") -> tuple[Emitter, ...]:
    """Emitters of a CSV text with columns line, place (start, middle, end) and ml. Raises AuditRefused."""
    try:
        rows = list(csv.DictReader(io.StringIO(text.removeprefix("\ufeff"))))
    except csv.Error as fault:
        raise AuditRefused(f"{where}: no CSV table ({fault}); the columns are line, place, ml") from None
    missing = [name for name in ("line", "place", "ml") if not rows or name not in rows[0]]
    if missing:
        raise AuditRefused(
            f"{where}: no column {', '.join(missing)}; the columns are line, place, ml, a row an emitter"
        )
    faults: list[str] = []
    found = []
    for number, row in enumerate(rows, start=2):
        place, ml = (row["place"] or "").strip().lower(), _ml(row["ml"])
        if place not in PLACES:
            faults.append(
                f'{where}, line {number}: place "{place}" is not known; one of {", ".join(PLACES)}; say which'
            )
        if not 0.0 <= ml < math.inf:
            faults.append(f"{where}, line {number}: ml {row['ml']!r} is no catch; 0 or more; read it again")
        found.append(Emitter(line=(row["line"] or "").strip()[:40], place=place, ml=ml))
    refuse_all(faults)
    return tuple(found)


def _ml(text: str | None) -> float:
    try:
        return float(text or "")
    except ValueError:
        return math.nan


def judge_drip(emitters: Sequence[Emitter], seconds: float, seen: DripRound | None = None) -> DripAudit:
    """The audit of a timed catch. Raises AuditRefused with every fault of the input."""
    round_ = seen or DripRound()
    refuse_all(_faults(emitters, seconds, round_))
    l_h = np.array([emitter.ml for emitter in emitters]) * 3.6 / seconds
    uniformity = float(distribution_uniformity(l_h))
    place = np.array([emitter.place for emitter in emitters])
    by_place = {name: float(l_h[place == name].mean()) for name in PLACES if (place == name).any()}
    clogged = tuple(int(n) + 1 for n in np.flatnonzero(l_h < CLOGGED_SHARE * np.median(l_h)))
    variation = float(l_h.std(ddof=1) / l_h.mean())
    return DripAudit(
        emitters=len(emitters),
        mean_l_h=float(l_h.mean()),
        emission_uniformity=uniformity,
        variation=variation,
        word=next((word for limit, word in WORDS if uniformity >= limit), "poor"),
        by_place_l_h=by_place,
        clogged=clogged,
        findings=tuple(_findings(by_place, clogged, float(l_h.mean()), round_)),
        notes=("Uniformity words are from memory (ASAE EP458; Merriam and Keller, 1978).",),
    )


def _faults(emitters: Sequence[Emitter], seconds: float, seen: DripRound) -> list[str]:
    faults = []
    if not LEAST_EMITTERS <= len(emitters) <= MOST_EMITTERS:
        faults.append(
            f"emitters: {len(emitters)} caught; at least {LEAST_EMITTERS}, at most {MOST_EMITTERS}; take four at the "
            "start, four in the middle and four at the ends of lines"
        )
    if not any(emitter.place == "end" for emitter in emitters):
        faults.append("emitters: none stands at the end of a line; ends show pressure loss and dirt first; catch some")
    if not SECONDS[0] <= seconds <= SECONDS[1]:
        limit = f"between {SECONDS[0]:g} and {SECONDS[1]:g} s"
        faults.append(f"seconds: {seconds:g} cannot be; {limit}; catch each for the same time, a minute or more")
    elif emitters:
        faults += _unlikely_catches(emitters, seconds)
    for name in ("start_kpa", "end_kpa", "rated_kpa", "filter_before_kpa", "filter_after_kpa"):
        value = getattr(seen, name)
        if value is not None and not 0.0 <= value <= 2000.0:
            faults.append(f"{name}: {value:g} kPa cannot be; between 0 and 2000; check the unit")
    if seen.flush is not None and seen.flush not in FLUSH:
        faults.append(f'flush: "{seen.flush}" is not known; one of {", ".join(FLUSH)}; say how the first water looked')
    return faults


def _unlikely_catches(emitters: Sequence[Emitter], seconds: float) -> list[str]:
    most_ml = MOST_L_H * seconds / 3.6
    limit = f"at most {most_ml:.0f} mL, {MOST_L_H:g} L/h"
    faults = [
        f"emitter {n}: {emitter.ml:g} mL in {seconds:g} s cannot be; 0 or more, {limit}; check mL and seconds"
        for n, emitter in enumerate(emitters, start=1)
        if not 0.0 <= emitter.ml <= most_ml
    ]
    if not faults and not sum(emitter.ml for emitter in emitters) > 0.0:
        faults.append("emitters: all are dry; some water is needed; is the valve open and the filter clean?")
    return faults


def _findings(
    by_place: dict[str, float], clogged: tuple[int, ...], mean_l_h: float, seen: DripRound
) -> list[DripFinding]:
    found = []
    if clogged:
        found.append(
            DripFinding(
                code="clogged",
                what=f"emitters {', '.join(map(str, clogged))} give less than half of the median",
                limit=f"{CLOGGED_SHARE:.0%} of the median (common practice, no source)",
                remedy="clean or replace them, then flush the lines",
            )
        )
    found += _ends(by_place, seen) + _filter_and_flush(seen)
    if seen.rated_l_h and abs(mean_l_h / seen.rated_l_h - 1.0) > LATERAL_FLOW_VARIATION:
        found.append(
            DripFinding(
                code="not_as_rated",
                what=f"the mean emitter gives {mean_l_h:.2f} L/h, rated {seen.rated_l_h:.2f} L/h",
                limit=f"within {LATERAL_FLOW_VARIATION:.0%} (Jarrett, Water Management, 2000, pp. 336-337)",
                remedy="check pressure and filter; write the measured flow into the heads of the zone",
            )
        )
    return found


def _ends(by_place: dict[str, float], seen: DripRound) -> list[DripFinding]:
    found = []
    start, end = by_place.get("start"), by_place.get("end")
    if start and end is not None and end < (1.0 - LATERAL_FLOW_VARIATION) * start:
        found.append(
            DripFinding(
                code="weak_ends",
                what=f"ends of lines give {end:.2f} L/h, beginnings {start:.2f} L/h ({end / start - 1.0:.0%})",
                limit=f"{LATERAL_FLOW_VARIATION:.0%} within a lateral (Jarrett, Water Management, 2000, pp. 336-337)",
                remedy="flush the ends; if they stay weak the lines are too long: feed them from the middle",
            )
        )
    wanted = seen.rated_kpa if seen.rated_kpa is not None else seen.start_kpa
    if wanted and seen.end_kpa is not None and seen.end_kpa < END_PRESSURE_SHARE * wanted:
        found.append(
            DripFinding(
                code="low_end_pressure",
                what=f"{seen.end_kpa:.0f} kPa at the end of a line, {wanted:.0f} kPa wanted",
                limit=f"{END_PRESSURE_SHARE:.0%} of it, 20 % of pressure in a lateral (Jarrett, 2000, pp. 336-337)",
                remedy="look for leaks and a dirty filter, then shorten the lines",
            )
        )
    return found


def _filter_and_flush(seen: DripRound) -> list[DripFinding]:
    found = []
    if seen.filter_before_kpa is not None and seen.filter_after_kpa is not None:
        drop = seen.filter_before_kpa - seen.filter_after_kpa
        if drop > FILTER_DROP_KPA:
            found.append(
                DripFinding(
                    code="dirty_filter",
                    what=f"the filter takes {drop:.0f} kPa",
                    limit=f"{FILTER_DROP_KPA:.0f} kPa (5 psi; from memory)",
                    remedy="close the supply, let the pressure out, clean the screen, and look for tears in it",
                )
            )
    if seen.flush == "dirty":
        found.append(
            DripFinding(
                code="dirty_lines",
                what="the first water from the line ends was dirty",
                limit="it should run clear (common practice, no source)",
                remedy="open the ends one by one until the water runs clear, and repeat it sooner next time",
            )
        )
    return found
