"""One wording of every decision, the same in command line, page, journal and API."""

from __future__ import annotations

from datetime import date, datetime

from dewpond.brain.water_need import Need
from dewpond.model.copying import replace
from dewpond.model.reasons import Input, ZoneReason
from dewpond.model.site import Zone

WORTH_SAYING_MM = 0.1  # less is not told apart on a screen
SELF_EXPLAINING = ("refill", "lookahead")  # rules whose reasons are known here; a plug-in's are its own


def _missing(need: Need) -> str:
    """The depletion with its doubt, where there is any worth saying."""
    band = f" (± {need.depletion_sd_mm:.1f})" if need.depletion_sd_mm >= WORTH_SAYING_MM else ""
    return f"{need.depletion_mm:.1f} mm{band} are missing"


def watered(need: Need, openings: int, rule: str) -> str:
    """Why a zone is watered tonight."""
    pieces = "in one opening" if openings == 1 else f"in {openings} openings with soaking rests"
    given = f"{need.seconds / 60:.0f} min {pieces}"
    if rule == "calendar":
        return f"Gets {given} by its program; {_missing(need)}."
    if rule not in SELF_EXPLAINING:
        return f"Gets {need.net_mm:.1f} mm ({given}) under its rule; {_missing(need)}."
    return (
        f"Gets {need.net_mm:.1f} mm ({given}): {_missing(need)}, and up to "
        f"{need.until_next_mm:.1f} mm more by the next chance would pass the {need.raw_mm:.1f} mm roots take easily."
        f"{_weighed(need)}"
    )


def _weighed(need: Need) -> str:
    """What the depth was weighed against, and why not more."""
    weighed = need.weighed
    if weighed is None:
        return ""
    rain = (
        f" Of {weighed.futures} weather futures ({weighed.source}), {weighed.rain_chance:.0%} bring "
        f"{weighed.rain_mm:g} mm of rain or more within {weighed.rain_days} days"
    )
    if weighed.full_mm - need.net_mm < WORTH_SAYING_MM:
        return f"{rain}, so it is filled up."
    saved = (
        f" and save {weighed.saved_mm:.1f} mm over {weighed.days} days" if weighed.saved_mm >= WORTH_SAYING_MM else ""
    )
    return f"{rain}; {weighed.full_mm - need.net_mm:.1f} mm less than full leave room for it{saved}."


def left_dry(need: Need) -> str:
    """Why a zone is left dry tonight."""
    if need.limits:
        return f"Left dry: {_missing(need)}."
    return (
        f"Left dry: {_missing(need)} and up to {need.until_next_mm:.1f} mm more will be by the "
        f"next chance; roots take {need.raw_mm:.1f} mm easily, so it can wait and leave room for rain."
    )


def would_change(need: Need, rule: str) -> str:
    """What would make the decision come out differently."""
    if rule == "calendar":
        return "Its program decides: other days, starts or percent would change it."
    if rule not in SELF_EXPLAINING:
        return f'The rule "{rule}" decides.'
    margin_mm = need.depletion_mm + need.until_next_mm - need.raw_mm
    if need.water:
        rain = f"{max(0.0, margin_mm):.1f} mm of useful rain before the window would leave it dry"
        if need.weighed is None or need.weighed.full_mm - need.net_mm < WORTH_SAYING_MM:
            return rain + "."
        return f"{rain}; with less rain to expect it would be given more, up to {need.weighed.full_mm:.1f} mm."
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
    if need.seconds != seconds or need.net_mm != net_mm:
        need = replace(need, seconds=seconds, net_mm=net_mm)
    return ZoneReason(
        zone=zone.id,
        window_date=window_date,
        decided_at=decided_at,
        decision=decision or ("water" if need.water else "left dry"),
        rule=rule,
        summary=summary or (watered(need, openings, rule) if need.water else left_dry(need)),
        depletion_mm=need.depletion_mm,
        depletion_sd_mm=need.depletion_sd_mm,
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
