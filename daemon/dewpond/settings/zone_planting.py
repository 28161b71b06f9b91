"""New plants and trees: how long they root, from which depth, and trees that are watered deep and seldom."""

from __future__ import annotations

from dewpond.model.site import DeepWatering, Establishment, Exemption
from dewpond.settings.schema import EstablishmentTable
from dewpond.settings.zone_desk import Desk
from dewpond.settings.zone_soil import usual_root_depth_mm

# Depth that new plants root on their first day [mm]: seed 10 to 25 mm, sod as thick as it is cut, a root ball as deep
# as usual containers. Common practice, no source.
START_DEPTH_MM = {"seed": 20.0, "overseeding": 20.0, "plugs": 50.0, "sod": 50.0, "root ball": 300.0}
USUAL_STARTS = 3
SHORTEST_DAYS, LONGEST_DAYS = 3, 1100  # a tree may take three years
LITRES_KEYS = ("litres", "trees", "every")


def deep_watering(desk: Desk, taw_mm: float, wetted: float) -> DeepWatering | None:
    """The zone's own depth and interval. The depth is that of the wetted ground, kept over the whole area."""
    table = desk.table.deep_watering
    if table is None:
        return None
    _refuse_programs(desk, "deep_watering")
    depth_mm = table.depth * wetted
    if depth_mm > taw_mm:
        what = f"{table.depth:g} mm, but the roots hold {taw_mm / wetted:.3g} mm there"
        desk.tell("deep_watering", what, "no more than is missing is given", "correct the depth, or root_depth")
    return DeepWatering(depth_mm=depth_mm, every_days=table.every)


def establishment(desk: Desk, root_depth_mm: float | None) -> Establishment | None:
    """New plants of a zone, after refusing what cannot be."""
    table = desk.table.establishment
    if table is None:
        return None
    days = (table.until - table.from_).days + 1
    if not SHORTEST_DAYS <= days <= LONGEST_DAYS:
        what = f"it lasts {days} days" if days > 0 else f"until, {table.until}, is before from, {table.from_}"
        limit = f"{SHORTEST_DAYS} to {LONGEST_DAYS} days"
        desk.refuse("establishment", what, limit, "correct from or until")
    if table.exemption is not None and table.exemption.until < table.from_:
        what = f"the exemption ends on {table.exemption.until}, before new plants begin"
        desk.refuse("establishment", what, "it would never count", "correct its until, or take it out")
    _refuse_litres(desk, table)
    final_mm = root_depth_mm or usual_root_depth_mm(desk)
    start_mm = table.root_depth_start or START_DEPTH_MM[table.kind]
    if table.root_depth_start is None:
        desk.note("establishment", f"roots begin at {start_mm:g} mm, usual for {table.kind} (common practice)")
    return Establishment(
        kind=table.kind,
        first=table.from_,
        last=table.until,
        start_share=min(1.0, start_mm / final_mm),
        starts_per_day=0 if table.kind == "root ball" else table.starts_per_day or USUAL_STARTS,
        exemption=Exemption(reason=table.exemption.reason, until=table.exemption.until) if table.exemption else None,
        litres=table.litres or 0.0,
        trees=table.trees or 0,
        every_days=table.every or 1.0,
    )


def _refuse_litres(desk: Desk, table: EstablishmentTable) -> None:
    """Root balls take litres, trees and every, and no starts by day; every other kind takes none of the three."""
    given = [key for key in LITRES_KEYS if getattr(table, key) is not None]
    if table.kind != "root ball":
        if given:
            limit = 'they belong to kind = "root ball"'
            desk.refuse("establishment", f"{given[0]} is given for {table.kind}", limit, "take it out")
        return
    missing = [key for key in LITRES_KEYS if key not in given]
    if missing:
        remedy = 'write for instance litres = "40 L", trees = 3, every = "3 days"'
        desk.refuse("establishment", f"{missing[0]} is missing", "root balls are watered by the litre", remedy)
    if table.starts_per_day is not None:
        limit = "root balls are watered by the litre"
        desk.refuse("establishment", "starts_per_day is given for root balls", limit, "take it out")
    _refuse_programs(desk, "establishment")
    if desk.table.deep_watering is not None:
        remedy = "take deep_watering out until the trees have rooted"
        desk.refuse("deep_watering", "given beside litres for new trees", "only one may decide", remedy)


def _refuse_programs(desk: Desk, key: str) -> None:
    if desk.table.rule == "calendar" or (desk.table.rule is None and desk.table.id in desk.facts.programmed):
        limit = "it needs a rule that follows the balance"
        desk.refuse(key, "the zone runs by its programs", limit, 'write rule = "lookahead", or take one of them out')
