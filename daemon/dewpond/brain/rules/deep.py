"""Zones with a depth and an interval of their own: deep watering, litres for new root balls, crown-saving water.

Deep watering comes at the first allowed night after its interval when at least half of its depth is missing, and
sooner only where the zone's rule says that stress threatens. Deep and slow watering of trees is common practice, no
source. Root balls get their litres at their interval whatever the balance says: a new tree lives from its ball, which
says nothing of the zone's depth (common practice, no source). While a zone is dormant it gets nothing but, where its
site file says so, a little water at an interval that keeps its crowns alive.
"""

from __future__ import annotations

from collections.abc import Mapping

from dewpond.brain.ground import Ground
from dewpond.brain.rules.question import Depth, Question
from dewpond.model.copying import replace
from dewpond.model.site import DeepWatering, Dormancy, Establishment, Zone

DAY_S = 86_400.0
HALF_DAY_S = 43_200.0  # nights differ by when in them the water came
DUE_SHARE = 0.5  # of the depth that must be missing

LastRuns = Mapping[str, tuple[float, float]]  # zone -> (end_s, gross_mm)


def adjusted(ground: Ground, question: Question, found: Mapping[str, Depth], last_runs: LastRuns) -> dict[str, Depth]:
    """The rules' depths, with those of zones that have an interval of their own in their place."""
    closes_s = ground.rules.window(question.window_date).closes_s
    depths = dict(found)
    for n, zone in enumerate(ground.site.zones):
        if zone.dormant is None and zone.establishment is None and zone.deep_watering is None:
            continue
        last = last_runs.get(zone.id)
        since_days = None if last is None else (closes_s - last[0] + HALF_DAY_S) / DAY_S
        balls = _root_balls(ground, zone, closes_s)
        if zone.dormant is not None and zone.dormant.depth_mm and zone.dormant.includes(question.window_date):
            missing_mm = max(0.0, float(question.depletion_mm[n]))
            depths[zone.id] = _crowns(zone.dormant, found[zone.id], missing_mm, since_days)
        elif balls is not None:
            depths[zone.id] = _litres(zone, balls, found[zone.id], since_days)
        elif zone.deep_watering is not None:
            missing_mm = max(0.0, float(question.depletion_mm[n]))
            depths[zone.id] = _deep(zone.deep_watering, found[zone.id], missing_mm, since_days)
    return depths


def _root_balls(ground: Ground, zone: Zone, at_s: float) -> Establishment | None:
    new = zone.establishment
    if new is None or not new.litres or not new.first <= ground.days.date_at(at_s) <= new.last:
        return None
    return new


def _crowns(dormant: Dormancy, ruled: Depth, missing_mm: float, since_days: float | None) -> Depth:
    """Crown-saving water where its interval is past and rain has not given it, whatever the zone's rule says."""
    waited = since_days is None or since_days >= dormant.every_days
    passed = "never watered yet" if since_days is None else f"{int(since_days)} of {dormant.every_days:g} days are past"
    if waited and missing_mm >= DUE_SHARE * dormant.depth_mm:
        net_mm = min(dormant.depth_mm, missing_mm)
        because = f"Dormant; gets {net_mm:.1f} mm to save its crowns ({passed}); {missing_mm:.1f} mm are missing."
        return replace(ruled, net_mm=net_mm, least_mm=net_mm, weighed=None, note="", because=because)
    note = f"Dormant by the site file; water that saves its crowns is not due: {passed}."
    return replace(ruled, net_mm=0.0, least_mm=0.0, weighed=None, note=note)


def _deep(deep: DeepWatering, ruled: Depth, missing_mm: float, since_days: float | None) -> Depth:
    """Deep water where it is due, or where the rule would not let the zone wait any longer."""
    waited = since_days is None or since_days >= deep.every_days
    threatened = ruled.net_mm > 0.0
    net_mm = min(deep.depth_mm, missing_mm)
    passed = "never watered yet" if since_days is None else f"{int(since_days)} of {deep.every_days:g} days are past"
    if threatened or (waited and missing_mm >= DUE_SHARE * deep.depth_mm):
        why = f"due, {passed}" if waited else f"before its time, since stress threatens; {passed}"
        because = f"Gets its deep watering of {net_mm:.1f} mm ({why}); {missing_mm:.1f} mm are missing."
        return replace(ruled, net_mm=net_mm, least_mm=min(ruled.least_mm, net_mm), weighed=None, because=because)
    wants = f"it takes {DUE_SHARE * deep.depth_mm:.1f} mm missing and {deep.every_days:g} days"
    note = f"Deep watering waits: {passed}; {wants}, or stress that threatens."
    return replace(ruled, net_mm=0.0, least_mm=0.0, weighed=None, note=note)


def _litres(zone: Zone, new: Establishment, ruled: Depth, since_days: float | None) -> Depth:
    """All litres of the root balls as a net depth over the zone, at their interval."""
    litres = new.litres * new.trees
    said = f"{new.litres:g} L for each of {new.trees} new trees"
    if since_days is not None and since_days < new.every_days:
        note = f"Root balls wait: {said} every {new.every_days:g} days, {int(since_days)} are past."
        return replace(ruled, net_mm=0.0, least_mm=0.0, weighed=None, note=note)
    seconds = litres / zone.flow_l_min * 60.0
    net_mm = seconds * zone.application_rate_mm_h / 3600.0 * zone.efficiency
    because = f"Gets {said}, {seconds / 60:.0f} min at {zone.flow_l_min:.3g} L/min, whatever the balance says."
    return replace(ruled, net_mm=net_mm, least_mm=net_mm, weighed=None, because=because)
