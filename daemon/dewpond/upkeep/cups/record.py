"""Audits as plain JSON: what a screen shows, and what is kept of one so that it can be judged again after a repair."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from dewpond.model.site import Zone
from dewpond.upkeep.cups.effect import effect_of
from dewpond.upkeep.cups.judgement import Audit, compare, judge
from dewpond.upkeep.cups.layout import CUPS_FOR_A_GRADE, minutes_for, propose_cups
from dewpond.upkeep.cups.outline import Outline
from dewpond.upkeep.cups.readings import Cup, CupTest, cup_test
from dewpond.upkeep.cups.refusal import AuditRefused

Plain = dict[str, Any]
KIND = "audit"  # of what is kept; its subject is the zone's id
# Cautions shown before cups are filled, keys of the one table.
CAUTIONS = ("restrictions-win", "people-traffic", "heads-lift", "audit-footing")


def plan_shown(zone: Zone, shape: Outline, *, owned: int | None = None, turn_min: float | None = None) -> Plain:
    """Where the cups go and how long to run the zone. Raises AuditRefused."""
    time = minutes_for(zone, turn_min)
    plan = propose_cups(shape, owned=owned, wanted=CUPS_FOR_A_GRADE)
    return {"zone": zone.id, "minutes": time.minutes, "why": list(time.why), **asdict(plan), "cautions": list(CAUTIONS)}


def audit_shown(test: CupTest, zone: Zone, before: CupTest | None = None) -> Plain:
    """The audit of a zone, what accepting it would change or why it cannot, and what a repair has changed."""
    audit = judge(test, zone)
    try:
        effect, why_not = asdict(effect_of(audit, zone)), ""
    except AuditRefused as refused:
        effect, why_not = None, str(refused)
    change = None if before is None else asdict(compare(judge(before, zone), audit))
    return {"zone": zone.id, **asdict(audit), "effect": effect, "why_not_acceptable": why_not, "change": change}


def body_of(test: CupTest, audit: Audit, zone: Zone, *, accepted: bool = False) -> Plain:
    """What is kept of an audit: the readings, the figures, and the zone's numbers of that day."""
    return {
        "unit": test.unit,
        "minutes": test.minutes,
        "mouth_cm2": test.mouth_cm2,
        "wind_m_s": test.wind_m_s,
        "cups": [{name: value for name, value in asdict(cup).items() if value is not None} for cup in test.cups],
        "du_lq": audit.du_lq,
        "cu": audit.cu,
        "rate_mm_h": audit.rate_mm_h,
        "graded": audit.graded,
        "accepted": accepted,
        "zone_then": {"application_rate_mm_h": zone.application_rate_mm_h, "efficiency": zone.efficiency},
    }


def kept_test(body: Mapping[str, Any]) -> CupTest:
    """The test that was kept. Raises AuditRefused for a body that no test made."""
    try:
        cups = tuple(Cup(**cup) for cup in body["cups"])
        known = {name: body[name] for name in ("unit", "minutes", "mouth_cm2", "wind_m_s")}
    except (KeyError, TypeError) as fault:
        raise AuditRefused(f"kept audit: it cannot be read ({fault}); as body_of writes it; audit again") from None
    return cup_test(cups, **known)
