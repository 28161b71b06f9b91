"""Audits and the design review at the desk of the work on foot: plain JSON in and out, for terminal and pages alike.

What is kept of an audit changes no number of a zone; the answer has the two lines for the site file instead.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Any

from dewpond.model.site import Site, Zone
from dewpond.model.upkeep import UpkeepEntry, next_entry
from dewpond.ports import UpkeepBook
from dewpond.upkeep import cups, design

Plain = dict[str, Any]
DRIP = "drip-audit"


def plan(zone: Zone, form: Mapping[str, Any]) -> Plain:
    """Where the cups go and how long to run. Raises AuditRefused."""
    width_m, length_m = form.get("width"), form.get("length")
    shape = cups.square_of(zone.area_m2)
    if form.get("corners"):
        shape = cups.outline([(float(x), float(y)) for x, y in _pairs(form["corners"])])
    elif width_m is not None or length_m is not None:
        shape = cups.rectangle(_side("width", width_m), _side("length", length_m))
    return cups.plan_shown(zone, shape, owned=form.get("owned"), turn_min=form.get("turn"))


def keep_cups(book: UpkeepBook, zone: Zone, form: Mapping[str, Any], who: str, at: datetime) -> Plain:
    """Judge the cups, compare them with the last audit of the zone, and keep them. Raises AuditRefused."""
    mouth = cups.read_mouth(form["mouth"]) if form.get("mouth") else None
    test = cups.cup_test(
        cups.read_cups(form["csv"]),
        unit=form.get("unit", "mL"),
        minutes=form.get("minutes"),
        mouth_cm2=mouth,
        wind_m_s=form.get("wind"),
    )
    last = book.newest(cups.KIND, zone.id)
    shown = cups.audit_shown(test, zone, None if last is None else cups.kept_test(last.body))
    body = cups.body_of(test, cups.judge(test, zone), zone)
    entry = next_entry(cups.KIND, zone.id, body, who=who, at=at, made_from=form.get("version", last))
    book.keep(entry)
    return {**shown, "version": entry.version, "for_the_site_file": _lines(shown), "map": _map(test, zone)}


def keep_drip(book: UpkeepBook, zone: Zone, form: Mapping[str, Any], who: str, at: datetime) -> Plain:
    """Judge a timed catch and keep it. Raises AuditRefused."""
    seen = cups.DripRound(
        start_kpa=form.get("start"),
        end_kpa=form.get("end"),
        rated_kpa=form.get("rated"),
        filter_before_kpa=form.get("filter_before"),
        filter_after_kpa=form.get("filter_after"),
        flush=form.get("flush"),
    )
    emitters = cups.read_emitters(form["csv"])
    shown = asdict(cups.judge_drip(emitters, form["seconds"], seen))
    body = {"seconds": form["seconds"], "emitters": [asdict(one) for one in emitters], "seen": asdict(seen)}
    last = book.newest(DRIP, zone.id)
    entry = next_entry(DRIP, zone.id, {**body, "result": shown}, who=who, at=at, made_from=form.get("version", last))
    book.keep(entry)
    return {**shown, "zone": zone.id, "version": entry.version}


def history(book: UpkeepBook, zone: Zone) -> Plain:
    """Every audit of a zone, oldest first, each compared with the one before."""
    entries = book.history(cups.KIND, zone.id)
    befores: Sequence[UpkeepEntry | None] = [None, *entries]
    audits = [_told(before, entry, zone) for before, entry in zip(befores, entries, strict=False)]
    return {"zone": zone.id, "audits": audits}


def review(site: Site, form: Mapping[str, Any]) -> Plain:
    """The design review, with a plan where one is handed in. Raises PlanRefused."""
    heads, zones = form.get("heads"), form.get("zones")
    drawn = None
    if heads or zones:
        drawn = design.Plan(
            heads=design.read_heads(heads) if heads else (), zones=design.read_zones(zones) if zones else ()
        )
    return design.review_shown(site, plan=drawn, week=design.assumed_week(site))


def _side(name: str, side_m: float | None) -> float:
    if side_m is None:
        raise cups.AuditRefused(f"{name}: it is missing; a rectangle has width and length, give both")
    if side_m <= 0.0:
        raise cups.AuditRefused(f"{name} {side_m:g} m: a side is longer than 0 m; measure it again")
    return side_m


def _pairs(corners: Any) -> list[tuple[float, float]]:
    try:
        return [(float(one["x_m"]), float(one["y_m"])) for one in corners]
    except (KeyError, TypeError, ValueError):
        raise cups.AuditRefused("corners: each has x_m and y_m, in metres; write both as numbers") from None


def _lines(shown: Plain) -> list[str]:
    """The two keys that would be written, together or not at all."""
    if shown["effect"] is None:
        return []
    after = shown["effect"]["after"]
    return [f'application_rate = "{after["rate_mm_h"]:.1f} mm/h"', f"efficiency = {after['efficiency']:.3f}"]


def _map(test: cups.CupTest, zone: Zone) -> str:
    return cups.cup_map(test, cups.judge(test, zone), title=f"{zone.name}, cups")


def _told(before: UpkeepEntry | None, entry: UpkeepEntry, zone: Zone) -> Plain:
    audit = cups.judge(cups.kept_test(entry.body), zone)
    change = None if before is None else cups.compare(cups.judge(cups.kept_test(before.body), zone), audit).said
    figures = {name: entry.body[name] for name in ("du_lq", "cu", "rate_mm_h", "graded")}
    return {"version": entry.version, "at": entry.at.isoformat(), "who": entry.who, **figures, "change": change}
