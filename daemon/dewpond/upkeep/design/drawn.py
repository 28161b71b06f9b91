"""Findings that need a plan with every head: spacing by place, hydrozones, heights, what differs from the site file."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from statistics import mean

import numpy as np

from dewpond.model.site import OVERHEAD_KINDS, Heads, Site, Zone
from dewpond.upkeep.design import limits
from dewpond.upkeep.design.finding import NOTE, WASTE, Finding
from dewpond.upkeep.design.ground import draining
from dewpond.upkeep.design.heads import spacing_of
from dewpond.upkeep.design.plan import Plan, PlanHead

# From this share apart plan and site file differ; common practice, no source.
DIFFERS = 0.10
TOP_AND_TOE_M = 2.0  # of height within one zone; the foot then stays wet (common practice, no source)


def of_plan(site: Site, plan: Plan) -> list[Finding]:
    """Findings about a plan by itself, then what differs between it and the site file."""
    found: list[Finding] = []
    for zone in dict.fromkeys(head.zone for head in plan.heads):
        heads = plan.of_zone(zone)
        found += _drawn_spacing(zone, heads) + _hydrozone(zone, heads) + _heights(zone, heads)
    return found + list(differences(site, plan))


def _drawn_spacing(zone: str, heads: Sequence[PlanHead]) -> list[Finding]:
    """The widest gap between neighbours of one kind, against the throw of the pair."""
    found = []
    for kind in dict.fromkeys(head.kind for head in heads if head.kind in OVERHEAD_KINDS):
        placed = [h for h in heads if h.kind is kind and h.x_m is not None and h.y_m is not None and h.radius_m]
        pairs = neighbours(placed)
        if not pairs:
            continue
        worst, apart_m, throw_m = max(pairs, key=lambda pair: pair[1] / pair[2])
        lines = " and ".join(str(head.line) for head in worst)
        found += spacing_of("zone", zone, f"{kind} (lines {lines})", apart_m, throw_m)
    return found


def neighbours(heads: Sequence[PlanHead]) -> list[tuple[tuple[PlanHead, PlanHead], float, float]]:
    """Pairs of heads with nothing nearer to both between them, their distance and their mean throw. [m]

    That is the relative neighbourhood graph (Toussaint, Pattern Recognition 12, 1980, from memory). Pairs beyond the
    throws of both are on separate ground and left out.
    """
    if len(heads) < 2:
        return []
    at = np.array([(head.x_m, head.y_m) for head in heads], dtype=float)
    apart = np.hypot(*(at[:, None, :] - at[None, :, :]).transpose(2, 0, 1))
    found = []
    for i in range(len(heads)):
        for j in range(i + 1, len(heads)):
            throw = ((heads[i].radius_m or 0.0) + (heads[j].radius_m or 0.0)) / 2.0
            between = np.maximum(apart[i], apart[j]) < apart[i, j] - 1e-6
            if 0.0 < apart[i, j] < 2.0 * throw * (1 + 1e-6) and not between.any():
                found.append(((heads[i], heads[j]), float(apart[i, j]), throw))
    return found


def _hydrozone(zone: str, heads: Sequence[PlanHead]) -> list[Finding]:
    """Plants or light that ask for unlike water on one valve."""
    found = []
    for code, what, words in (
        ("mixed_plants", "plants", sorted({head.plants for head in heads if head.plants})),
        ("sun_and_shade", "light", sorted({head.sun for head in heads if head.sun})),
    ):
        if len(words) > 1 and not (code == "sun_and_shade" and {"sun", "shade"} - set(words)):
            found.append(
                Finding(
                    code=code,
                    weight=WASTE,
                    table="zone",
                    id=zone,
                    what=f"{' and '.join(words)} share one valve",
                    number=len(words),
                    limit=1,
                    limit_said=f"one kind of {what} on a valve",
                    source=limits.HYDROZONES,
                    remedy="regroup the heads so that each valve serves like needs; until then the thirstiest decides",
                )
            )
    return found


def _heights(zone: str, heads: Sequence[PlanHead]) -> list[Finding]:
    levels = [
        (head.elevation_m, head) for head in heads if head.elevation_m is not None and head.kind in OVERHEAD_KINDS
    ]
    if len(levels) < 2:
        return []
    low, high = min(level for level, _ in levels), max(level for level, _ in levels)
    found = [] if all(head.check_valve for _, head in levels) else draining("zone", zone, high - low)
    if high - low > TOP_AND_TOE_M:
        found.append(
            Finding(
                code="top_and_toe",
                weight=WASTE,
                table="zone",
                id=zone,
                what=f"top and toe of a slope share one valve, {high - low:.1f} m apart in height",
                number=high - low,
                limit=TOP_AND_TOE_M,
                unit="m",
                limit_said="flat and sloping ground, top and toe, on valves of their own",
                source=limits.HYDROZONES,
                remedy="split the zone by height; the toe gets what runs down from the top",
            )
        )
    return found


def differences(site: Site, plan: Plan) -> Iterator[Finding]:
    """Where the plan and the site file disagree: zones, their numbers, and their heads by kind."""
    by_id = {zone.id: zone for zone in site.zones}
    drawn = list(dict.fromkeys([*(z.zone for z in plan.zones), *(h.zone for h in plan.heads)]))
    for missing in [zone for zone in drawn if zone not in by_id]:
        yield _differs(missing, "the plan has this zone, the site file does not")
    for missing in [zone for zone in by_id if zone not in drawn]:
        yield _differs(missing, "the site file has this zone, the plan does not")
    for planned in plan.zones:
        zone = by_id.get(planned.zone)
        if zone is None:
            continue
        yield from _number(zone.id, "area", planned.area_m2, zone.area_m2, "m2")
        rate = planned.application_rate_mm_h
        yield from _number(zone.id, "application rate", rate, zone.application_rate_mm_h, "mm/h")
        for name, drawn_as, stated in (
            ("output", planned.output, zone.output),
            ("plants", planned.plants or None, zone.plants),
            ("supply", planned.supply or None, zone.supply),
        ):
            if drawn_as is not None and stated is not None and str(drawn_as) != str(stated):
                yield _differs(zone.id, f"{name} is {drawn_as} on the plan and {stated} in the site file")
    for zone_id in dict.fromkeys(head.zone for head in plan.heads):
        if zone_id in by_id:
            yield from _heads_differ(by_id[zone_id], plan.of_zone(zone_id))


def _heads_differ(zone: Zone, drawn: Sequence[PlanHead]) -> Iterator[Finding]:
    kinds = dict.fromkeys([*(head.kind for head in drawn), *(group.kind for group in zone.heads)])
    for kind in kinds:
        planned = [head for head in drawn if head.kind is kind]
        built = [group for group in zone.heads if group.kind is kind]
        count = sum(group.count for group in built)
        if len(planned) != count:
            yield _differs(zone.id, f"{kind} heads: {len(planned)} on the plan, {count} in the site file")
        if not planned or not built:
            continue
        flows = [head.flow_l_min for head in planned]
        stated = [group.flow_l_min for group in built]
        if None not in flows and None not in stated:
            whole = sum((group.flow_l_min or 0.0) * group.count for group in built)
            yield from _number(zone.id, f"flow of its {kind} heads", sum(f or 0.0 for f in flows), whole, "L/min")
        for name, unit, ours, theirs in (
            ("radius", "m", [h.radius_m for h in planned], _each(built, "radius_m")),
            ("rated pressure", "kPa", [h.rated_pressure_kpa for h in planned], _each(built, "rated_pressure_kpa")),
            ("arc", "deg", [h.arc_deg for h in planned], _each(built, "arc_deg")),
        ):
            known, given = [v for v in ours if v is not None], [v for v in theirs if v is not None]
            if known and given:
                yield from _number(zone.id, f"mean {name} of its {kind} heads", mean(known), mean(given), unit)


def _each(groups: Sequence[Heads], name: str) -> list[float | None]:
    return [getattr(group, name) for group in groups for _ in range(group.count)]


def _number(zone: str, name: str, drawn: float | None, stated: float, unit: str) -> Iterator[Finding]:
    if drawn is None or abs(drawn - stated) <= DIFFERS * max(abs(drawn), abs(stated)):
        return
    what = f"{name} is {drawn:.4g} {unit} on the plan and {stated:.4g} {unit} in the site file"
    yield _differs(zone, what, number=drawn / stated, limit=DIFFERS, said=f"they differ by more than {DIFFERS:.0%}")


def _differs(zone: str, what: str, number: float | None = None, limit: float | None = None, said: str = "") -> Finding:
    return Finding(
        code="plan_differs",
        weight=NOTE,
        table="zone",
        id=zone,
        what=what,
        number=number,
        limit=limit,
        limit_said=said,
        source="the plan handed in",
        remedy="go and look which is right, then correct the other",
    )
