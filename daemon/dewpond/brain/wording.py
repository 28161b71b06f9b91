"""One wording of every decision, the same in command line, page, journal and API."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime

from dewpond.brain.water_need import Need
from dewpond.model.reasons import Input, ZoneReason
from dewpond.model.site import Zone


def watered(need: Need, openings: int, rule: str) -> str:
    """Why a zone is watered tonight."""
    pieces = "in one opening" if openings == 1 else f"in {openings} openings with soaking rests"
    given = f"{need.seconds / 60:.0f} min {pieces}"
    if rule == "calendar":
        return f"Gets {given} by its program; {need.depletion_mm:.1f} mm are missing."
    return (
        f"Gets {need.net_mm:.1f} mm ({given}): {need.depletion_mm:.1f} mm are missing, and up to "
        f"{need.until_next_mm:.1f} mm more by the next chance would pass the {need.raw_mm:.1f} mm roots take easily."
    )


def left_dry(need: Need) -> str:
    """Why a zone is left dry tonight."""
    if need.limits:
        return f"Left dry: {need.depletion_mm:.1f} mm are missing."
    return (
        f"Left dry: {need.depletion_mm:.1f} mm are missing and up to {need.until_next_mm:.1f} mm more will be by the "
        f"next chance; roots take {need.raw_mm:.1f} mm easily, so it can wait and leave room for rain."
    )


def would_change(need: Need, rule: str) -> str:
    """What would make the decision come out differently."""
    if rule == "calendar":
        return "Its program decides: other days, starts or percent would change it."
    margin_mm = need.depletion_mm + need.until_next_mm - need.raw_mm
    if need.water:
        return f"{max(0.0, margin_mm):.1f} mm of useful rain before the window would leave it dry."
    if margin_mm > 0.0:
        return ""
    return f"It is watered once another {-margin_mm:.1f} mm are lost."


def reason(
    need: Need,
    zone: Zone,
    window_date: date,
    decided_at: datetime,
    openings: int,
    rule: str,
    inputs: tuple[Input, ...],
    extra_limits: tuple[str, ...] = (),
    decision: str | None = None,
    summary: str | None = None,
    given_s: float | None = None,
) -> ZoneReason:
    """The whole reason of one zone and night, data and words."""
    seconds = need.seconds if given_s is None else given_s
    net_mm = seconds * zone.application_rate_mm_h * zone.efficiency / 3600.0
    need = replace(need, seconds=seconds, net_mm=net_mm)
    return ZoneReason(
        zone=zone.id,
        window_date=window_date,
        decided_at=decided_at,
        decision=decision or ("water" if need.water else "left dry"),
        rule=rule,
        summary=summary or (watered(need, openings, rule) if need.water else left_dry(need)),
        depletion_mm=need.depletion_mm,
        depletion_sd_mm=0.0,
        depletion_after_mm=max(0.0, need.depletion_mm - net_mm),
        raw_mm=need.raw_mm,
        taw_mm=need.taw_mm,
        net_mm=net_mm,
        gross_mm=seconds * zone.application_rate_mm_h / 3600.0,
        seconds=seconds,
        inputs=inputs,
        limits=(*need.limits, *extra_limits),
        would_change=would_change(need, rule),
    )
