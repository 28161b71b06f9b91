"""The whole review of a design: what the site file tells, what a plan adds, and the hottest week."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import Any

from dewpond.model.site import Heads, Site
from dewpond.upkeep.design import drawn, ground, heads, supply, window
from dewpond.upkeep.design.finding import WEIGHTS, Finding
from dewpond.upkeep.design.plan import Plan, PlanHead
from dewpond.upkeep.design.regroup import regroupings
from dewpond.upkeep.design.window import HotWeek

# What reading a site file tells by itself, so that `check` does not tell it twice.
TOLD_BY_SETTINGS = frozenset({"mixed_kinds"})


def review(site: Site, *, plan: Plan | None = None, week: HotWeek | None = None) -> tuple[Finding, ...]:
    """All findings, worst first, those of one weight in the site file's order.

    ``plan`` adds what only drawn heads tell and what differs from it; ``week`` adds whether its water fits.
    """
    known = site if plan is None else with_drawn_heads(site, plan)
    found = [*supply.of_supplies(known), *heads.of_heads(known), *ground.of_ground(known), *heads.unrated(known.zones)]
    if plan is not None:
        # Heights that were drawn replace those worked out from the slope.
        levelled = {head.zone for head in plan.heads if head.elevation_m is not None}
        found = [each for each in found if each.code != "check_valves" or each.id not in levelled]
        found += drawn.of_plan(site, plan)
    found += [] if week is None else window.of_window(site, week)
    return tuple(sorted(found, key=lambda finding: WEIGHTS.index(finding.weight)))


def with_drawn_heads(site: Site, plan: Plan) -> Site:
    """The site with a plan's heads in the zones whose heads the site file does not list; like heads make one group."""
    zones = []
    for zone in site.zones:
        counted = Counter(_alone(head) for head in plan.of_zone(zone.id)) if not zone.heads else Counter[Heads]()
        groups = tuple(replace(head, count=count) for head, count in counted.items())
        zones.append(replace(zone, heads=groups) if groups else zone)
    return replace(site, zones=tuple(zones))


def _alone(head: PlanHead) -> Heads:
    """One drawn head as a group of its own."""
    return Heads(
        kind=head.kind,
        count=1,
        flow_l_min=head.flow_l_min,
        radius_m=head.radius_m,
        arc_deg=head.arc_deg,
        rated_pressure_kpa=head.rated_pressure_kpa,
        regulated=head.regulated,
        check_valve=head.check_valve,
    )


def for_check(site: Site) -> tuple[Finding, ...]:
    """What ``check`` adds to the findings of the site file itself."""
    return tuple(finding for finding in review(site) if finding.code not in TOLD_BY_SETTINGS)


def review_shown(site: Site, *, plan: Plan | None = None, week: HotWeek | None = None) -> dict[str, Any]:
    """The whole review as plain JSON, for screens and for keeping."""
    return {
        "site": site.name,
        "findings": [each.as_plain() for each in review(site, plan=plan, week=week)],
        "regroupings": [{"zone": each.zone, "text": each.sentence()} for each in regroupings(site, plan)],
    }
