"""Accepting an audit writes rate and efficiency together, and shows what that does to run times and water."""

from __future__ import annotations

import pytest
from tests.unit.sites import zone
from tests.unit.upkeep.cup_tables import grid

from dewpond.model.site import HeadKind, Heads
from dewpond.upkeep.cups import AuditRefused, cup_test, effect_of, judge

VALUES = [30.0] * 18 + [18.0] * 6


def audited(values=VALUES, minutes=6.0):
    return judge(cup_test(grid(values), unit="mL", minutes=minutes, mouth_cm2=95.0))


def test_run_time_and_water_follow_both_numbers():
    """Net 11.25 mm, PR = 600 V/(t A), efficiency 0.4 + 0.6 DU_lq, minutes 60 D/(PR E); litres from the heads' flow."""
    lawn = zone(heads=(Heads(kind=HeadKind.SPRAY, count=9, flow_l_min=4.0),))
    effect = effect_of(audited(), lawn)
    rate, efficiency = 600 * 27 / (6 * 95), 0.4 + 0.6 * 18 / 27
    assert effect.before.minutes == pytest.approx(60 * 11.25 / (36 * 0.75))
    assert effect.after.minutes == pytest.approx(60 * 11.25 / (rate * efficiency))
    assert effect.after.litres == pytest.approx(effect.after.minutes * 36.0)
    assert effect.minutes_change == pytest.approx(effect.after.minutes / effect.before.minutes - 1)
    assert effect.litres_change == pytest.approx(effect.minutes_change)
    assert len(effect.notes) == 1


def test_a_zone_without_heads_is_told_that_its_flow_will_follow_the_rate():
    assert any("go by the meter" in note for note in effect_of(audited(), zone()).notes)


def test_great_unevenness_is_repaired_before_watering_longer():
    effect = effect_of(audited([40.0] * 12 + [10.0] * 12), zone())
    assert any("repair pays" in note for note in effect.notes)


def test_audits_that_are_no_ground_for_numbers_are_refused():
    with pytest.raises(AuditRefused, match="has no rate"):
        effect_of(audited(minutes=None), zone())
    with pytest.raises(AuditRefused, match="drip is no sprinkler"):
        effect_of(audited(), zone(overhead=False, method="drip"))
    with pytest.raises(AuditRefused, match=r"uniformity 0%.*repair first"):
        effect_of(audited([30.0] * 18 + [0.0] * 6), zone())
