"""What a zone is given besides its need: runs that cool it in the heat, and water that saves crowns while it rests."""

from __future__ import annotations

from dewpond.model.site import Cooling, Dormancy
from dewpond.settings.zone_desk import Desk


def dormancy(desk: Desk, rule: str) -> Dormancy | None:
    """The time a zone rests, after refusing crown-saving water that is half said or that a program would not give."""
    table = desk.table.dormant
    if table is None:
        return None
    if (table.depth is None) != (table.every is None):
        said, missing = ("depth", "every") if table.every is None else ("every", "depth")
        what, remedy = f"{said} without {missing}", f"give {missing}, or take out {said}"
        desk.refuse("dormant", what, "both belong together", remedy)
    if table.depth is not None and rule == "calendar":
        limit = "programs run by minutes, not by depths"
        desk.refuse("dormant", "depth on a zone under the calendar rule", limit, "take depth and every out")
    return Dormancy(first=table.from_, last=table.until, depth_mm=table.depth or 0.0, every_days=table.every or 0.0)


def cooling(desk: Desk, *, overhead: bool) -> Cooling | None:
    """The zone's runs in the heat, after refusing drip and hours that cross midnight."""
    table = desk.table.cooling
    if table is None:
        return None
    if not overhead:
        desk.refuse("cooling", "asked of a drip zone", "only water from overhead cools leaves", "take cooling out")
    if table.hours.end <= table.hours.start:
        what = f"hours from {table.hours.start:%H:%M} to {table.hours.end:%H:%M}"
        desk.refuse("cooling", what, "they lie within one day", "exchange them, or give hours of the day")
    if not desk.facts.air_temperature:
        limit = "a sensor of kind temperature without a zone says when it is hot"
        desk.refuse("cooling", "the site reads no air temperature", limit, "add such a [[sensor]], or take cooling out")
    return Cooling(above_c=table.above, seconds=table.minutes * 60.0, most=table.most, hours=table.hours)
