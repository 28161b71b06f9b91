"""What it would change to accept an audit: rate and efficiency together, and with them run times and water.

The rate comes from the cups, so wind and drift are in it already; the efficiency is 0.4 + 0.6 DU_lq and stands for
unevenness alone. Either without the other would count a loss twice or not at all. Litres follow from the flow of the
heads or the meter, which an audit does not change.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from dewpond.model.site import Zone
from dewpond.science.application import run_time_for_net_s, split_run
from dewpond.upkeep.cups.judgement import Audit
from dewpond.upkeep.cups.layout import CUPS_FOR_A_GRADE
from dewpond.upkeep.cups.readings import MOST_RATE_MM_H
from dewpond.upkeep.cups.refusal import AuditRefused

LEAST_DU_LQ = 0.10  # below it longer watering drowns half the zone (common practice, no source)


@dataclass(frozen=True, slots=True, kw_only=True)
class Watering:
    """One refill of a zone by some numbers: net depth, minutes with the valve open, openings, and litres."""

    rate_mm_h: float
    efficiency: float
    net_mm: float
    minutes: float
    openings: int
    rest_min: float
    litres: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """Before and after accepting, and what to know."""

    zone: str
    before: Watering
    after: Watering
    minutes_change: float  # share of the minutes before
    litres_change: float
    notes: tuple[str, ...]


def effect_of(audit: Audit, zone: Zone) -> Effect:
    """What accepting the audit does to one refill of the zone from where stress begins.

    Raises AuditRefused where the audit is no ground to write numbers on.
    """
    rate_mm_h = acceptable_rate_mm_h(audit, zone)
    before = _refill(zone)
    after = _refill(replace(zone, application_rate_mm_h=rate_mm_h, efficiency=audit.efficiency))
    return Effect(
        zone=zone.id,
        before=before,
        after=after,
        minutes_change=after.minutes / before.minutes - 1.0,
        litres_change=after.litres / before.litres - 1.0,
        notes=_notes(audit, zone, before, after),
    )


def acceptable_rate_mm_h(audit: Audit, zone: Zone) -> float:
    """The rate an audit gives a zone. [mm/h] Raises AuditRefused with the reason it gives none."""
    if not audit.graded:
        raise AuditRefused(
            f"zone {zone.id}: {audit.cups} cups earn no uniformity grade; at least {CUPS_FOR_A_GRADE}; move them and "
            "merge further placements"
        )
    if audit.rate_mm_h is None:
        raise AuditRefused(
            f"zone {zone.id}: the audit has no rate; rate and efficiency are written together; give minutes and mouth"
        )
    if not zone.overhead:
        raise AuditRefused(f"zone {zone.id}: {zone.method} is no sprinkler; cups tell nothing of it; use audit drip")
    if audit.du_lq < LEAST_DU_LQ or not 0.1 <= audit.rate_mm_h <= MOST_RATE_MM_H:
        raise AuditRefused(
            f"zone {zone.id}: uniformity {audit.du_lq:.0%} at {audit.rate_mm_h:.3g} mm/h; at least {LEAST_DU_LQ:.0%}; "
            "repair first, then audit again"
        )
    return audit.rate_mm_h


def _refill(zone: Zone) -> Watering:
    """One watering that fills the readily available water again."""
    seconds = float(run_time_for_net_s(zone.raw_mm, zone.application_rate_mm_h, zone.efficiency))
    openings, _, rest_s = split_run(seconds, zone.application_rate_mm_h, zone.intake_mm_h, zone.surface_storage_mm)
    return Watering(
        rate_mm_h=zone.application_rate_mm_h,
        efficiency=zone.efficiency,
        net_mm=zone.raw_mm,
        minutes=seconds / 60.0,
        openings=int(openings),
        rest_min=float(rest_s) / 60.0 if openings > 1 else 0.0,
        litres=seconds / 60.0 * zone.flow_l_min,
    )


def _notes(audit: Audit, zone: Zone, before: Watering, after: Watering) -> tuple[str, ...]:
    notes = ["Wind and drift are in the cups' rate; the efficiency stands for unevenness alone."]
    stated = [group.flow_l_min for group in zone.heads]
    if not stated or not all(stated):
        notes.append(
            "The zone's flow was worked out from its rate; without a list of heads it will follow the cups' rate, and "
            "litres leave out what drifts away. List the heads with their flow, or go by the meter."
        )
    if audit.run_time_multiplier > 1.4:
        notes.append(
            f"Run times carry a factor of {audit.run_time_multiplier:.2f} for unevenness alone: repair pays "
            "before watering longer does."
        )
    if after.openings > before.openings:
        notes.append(f"The ground takes it in {after.openings} openings instead of {before.openings}.")
    return tuple(notes)
