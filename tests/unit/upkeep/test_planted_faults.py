"""Faults planted in a modelled lawn end as the right finding of its audit.

Each head throws a cone of water: depth falls evenly from the head to its radius, within its arc. Twelve matched heads
stand 3.6 m apart on a lawn of 10.8 by 7.2 m. The cups are set out by the audit's own plan.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from tests.unit.sites import zone

from dewpond.model.site import HeadKind, Heads
from dewpond.upkeep.cups import Cup, cup_test, judge, propose_cups, rectangle

WIDE_M, DEEP_M, APART_M, MINUTES, MOUTH_CM2 = 10.8, 7.2, 3.6, 10.0, 95.0


@dataclass(frozen=True)
class Head:
    """Where it stands, which way its arc is turned (0 north), and how it works."""

    x: float
    y: float
    arc: float
    towards: float
    radius: float = 3.9
    flow_l_min: float = 0.0
    leaning: float = 0.0  # share of the throw lost away from the lean, to the north


def sound_heads():
    heads = []
    for x in np.arange(0, WIDE_M + 0.1, APART_M):
        for y in np.arange(0, DEEP_M + 0.1, APART_M):
            inward = np.array([np.sign(WIDE_M / 2 - x) if x in (0, WIDE_M) else 0, 0.0])
            inward[1] = np.sign(DEEP_M / 2 - y) if y in (0, DEEP_M) else 0
            arc = {2: 90.0, 1: 180.0, 0: 360.0}[int(np.abs(inward).sum())]
            towards = float(np.degrees(np.arctan2(inward[0], inward[1])))
            heads.append(Head(float(x), float(y), arc, towards, flow_l_min=16.0 * arc / 360.0))
    return heads


def depth_mm(heads, x, y):
    """What stands in a cup after the run. The cone's volume is its flow times the minutes."""
    total = np.zeros_like(x)
    for head in heads:
        far, bearing = np.hypot(x - head.x, y - head.y), np.degrees(np.arctan2(x - head.x, y - head.y))
        throw = head.radius * (1.0 - head.leaning * (np.cos(np.radians(bearing)) > 0))
        off = np.abs((bearing - head.towards + 180.0) % 360.0 - 180.0)
        top_mm = 3.0 * head.flow_l_min * MINUTES / (np.pi * head.radius**2 * head.arc / 360.0)
        total += np.where((off <= head.arc / 2 + 1e-6) & (far < throw), top_mm * np.clip(1 - far / throw, 0, 1), 0.0)
    return total


def audited(heads, *, kinds=(HeadKind.SPRAY,), pressure_kpa=210.0, leak_at=None):
    places = propose_cups(rectangle(WIDE_M, DEEP_M), wanted=40).places
    x, y = np.array([p.x_m for p in places]), np.array([p.y_m for p in places])
    held = depth_mm(heads, x, y)
    if leak_at is not None:
        held[int(np.hypot(x - leak_at[0], y - leak_at[1]).argmin())] += 45.0
    cups = [
        Cup(x_m=float(a), y_m=float(b), value=float(round(mm * MOUTH_CM2 / 10, 1)), pressure_kpa=pressure_kpa)
        for a, b, mm in zip(x, y, held, strict=True)
    ]
    listed = tuple(
        Heads(
            kind=kind,
            count=1,
            flow_l_min=sum(h.flow_l_min for h in sound_heads()) / len(kinds),
            rated_pressure_kpa=210.0,
        )
        for kind in kinds
    )
    lawn = zone(area_m2=WIDE_M * DEEP_M, heads=listed)
    test = cup_test(cups, unit="mL", minutes=MINUTES, mouth_cm2=MOUTH_CM2, wind_m_s=0.5)
    return judge(test, lawn)


def planted(number, **fault):
    heads = sound_heads()
    heads[number] = replace(heads[number], **fault)
    return heads


def test_the_sound_lawn_is_even_and_its_rate_is_what_the_heads_give_off():
    found = audited(sound_heads())
    assert found.du_lq > 0.75
    assert found.causes == ()
    given_mm_h = 60 * sum(head.flow_l_min for head in sound_heads()) / (WIDE_M * DEEP_M)
    assert found.rate_mm_h == pytest.approx(given_mm_h, rel=0.12)


@pytest.mark.parametrize("number", [1, 4, 7, 10])
@pytest.mark.parametrize(
    "fault", [{"flow_l_min": 0.4}, {"radius": 1.2, "flow_l_min": 0.9}], ids=["clogged nozzle", "sunk or blocked"]
)
def test_a_head_that_gives_little_is_found_where_it_stands(number, fault):
    head = sound_heads()[number]
    causes = {cause.code: cause for cause in audited(planted(number, **fault)).causes}
    place = causes["dry_place"].place
    assert np.hypot(place[0] - head.x, place[1] - head.y) < APART_M / 2 + 0.6


def test_a_head_that_leans_is_found_by_the_ground_it_misses():
    head = sound_heads()[4]
    found = audited(planted(4, leaning=0.8))
    place = next(cause.place for cause in found.causes if cause.code == "dry_place")
    assert np.hypot(place[0] - head.x, place[1] - head.y) < APART_M
    assert place[1] > head.y  # away from the lean


def test_a_leak_is_found_at_its_cup():
    found = audited(sound_heads(), leak_at=(7.2, 3.6))
    cause = next(cause for cause in found.causes if cause.code == "wet_cup")
    assert np.hypot(cause.place[0] - 7.2, cause.place[1] - 3.6) < 1.5


def test_low_pressure_throws_short_and_high_pressure_drifts_away():
    short = [replace(head, radius=2.9, flow_l_min=0.75 * head.flow_l_min) for head in sound_heads()]
    codes = [cause.code for cause in audited(short, pressure_kpa=120.0).causes]
    assert codes[0] == "low_pressure"
    mist = [replace(head, flow_l_min=0.65 * head.flow_l_min) for head in sound_heads()]  # what still comes down
    codes = [cause.code for cause in audited(mist, pressure_kpa=330.0).causes]
    assert codes[0] == "high_pressure"
    assert "rate_low" in codes


def test_mixed_kinds_on_the_valve_are_named_first():
    mixed = [replace(head, flow_l_min=0.4 * head.flow_l_min) if n % 2 else head for n, head in enumerate(sound_heads())]
    assert audited(mixed, kinds=(HeadKind.SPRAY, HeadKind.ROTOR)).causes[0].code == "mixed_kinds"


def test_repair_shows_as_clearly_better():
    from dewpond.upkeep.cups import compare

    broken = planted(4, flow_l_min=0.2)
    broken[7] = replace(broken[7], flow_l_min=0.2)
    change = compare(audited(broken), audited(sound_heads()))
    assert change.sure
    assert "clearly better" in change.said
