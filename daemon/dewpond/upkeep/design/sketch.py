"""A sketch of a plan to scale, to send to a designer: every head with its throw and arc, zones told apart, findings."""

from __future__ import annotations

import math
from collections.abc import Sequence

from markupsafe import Markup

from dewpond.board.charts.svg import box, el, line, path, text
from dewpond.model.site import OVERHEAD_KINDS
from dewpond.upkeep.design.finding import NOTE, Finding
from dewpond.upkeep.design.plan import Plan, PlanHead, PlanRefused
from dewpond.upkeep.drawing import Paper, paper, scale_bar, sheet

WIDTH, LEFT, TOP, FRAME_W, FRAME_H = 960.0, 40.0, 72.0, 880.0, 620.0
HUES = ("#3f7d6b", "#a4672b", "#4a6fa5", "#8a4f7d", "#7c7a2d", "#3a8391", "#9a4b43", "#5f5aa2")
STYLE = (
    "".join(f".z{n}{{fill:{hue};stroke:{hue}}}" for n, hue in enumerate(HUES))
    + """
.throw{fill-opacity:.09;stroke-opacity:.55;stroke-width:1}.dot{stroke:#fff;stroke-width:1.2}
.drip{fill-opacity:.9;stroke:none}.l{font-size:13px;font-weight:600;fill:#26322c;text-anchor:middle;
paint-order:stroke;stroke:#fff;stroke-width:3px}.mid{text-anchor:middle}
"""
)
WHOLE_DEG = 359.5  # of arc: a circle
LONGEST = 118  # characters of a finding on one line


def sketch(plan: Plan, findings: Sequence[Finding], *, title: str, us: bool = False) -> str:
    """The SVG file. Raises PlanRefused where no head has a place."""
    placed = [head for head in plan.heads if head.x_m is not None and head.y_m is not None]
    if not placed:
        raise PlanRefused("sketch: no head has a place; it needs the columns x_m and y_m (or x_ft and y_ft); add them")
    zones = {zone: n % len(HUES) for n, zone in enumerate(dict.fromkeys(head.zone for head in placed))}
    on = paper(_bounds(placed), LEFT, TOP, FRAME_W, FRAME_H)
    foot = on.y(_bounds(placed)[1]) + 22
    told = [found for found in findings if found.weight != NOTE and found.id in zones]
    key, key_rows = _key(placed, zones, foot + 44)
    lines, count = _findings(told, foot + 60 + 22 * key_rows)
    return sheet(
        WIDTH,
        foot + 66 + 22 * key_rows + 18 * count,
        f"{title}: {len(placed)} heads on {len(zones)} valves, to scale; {len(told)} findings",
        STYLE,
        text(LEFT, 30, title, "h"),
        text(LEFT, 50, f"{len(placed)} heads on {len(zones)} valves; drawn to scale, not surveyed", "s"),
        _north(),
        *[_throw(head, zones[head.zone], placed, on) for head in placed],
        *[_dot(head, zones[head.zone], on) for head in placed],
        *_names(placed, zones, on),
        scale_bar(on, LEFT, foot + 6, us=us),
        *key,
        *lines,
    )


def _bounds(heads: Sequence[PlanHead]) -> tuple[float, float, float, float]:
    """Heads and what they throw, x and y in metres."""
    points = [point for head in heads for point in [*_rim(head, heads), (head.x_m or 0.0, head.y_m or 0.0)]]
    xs, ys = [x for x, _ in points], [y for _, y in points]
    return min(xs) - 0.3, min(ys) - 0.3, max(xs) + 0.3, max(ys) + 0.3


def _rim(head: PlanHead, heads: Sequence[PlanHead]) -> list[tuple[float, float]]:
    """Points along the arc a head throws to, every few degrees; none for drip. [m]"""
    if head.kind not in OVERHEAD_KINDS or not head.radius_m:
        return []
    arc = head.arc_deg or 360.0
    middle = head.direction_deg if head.direction_deg is not None else _inwards(head, heads)
    steps = max(2, math.ceil(arc / 6.0))
    bearings = [math.radians(middle - arc / 2.0 + arc * n / steps) for n in range(steps + 1)]
    return [
        ((head.x_m or 0.0) + head.radius_m * math.sin(at), (head.y_m or 0.0) + head.radius_m * math.cos(at))
        for at in bearings
    ]


def _throw(head: PlanHead, hue: int, heads: Sequence[PlanHead], on: Paper) -> Markup:
    """The sector a head throws over; a whole circle where its arc is 360 or not known."""
    rim = [(on.x(x), on.y(y)) for x, y in _rim(head, heads)]
    if not rim:
        return Markup("")
    whole = (head.arc_deg or 360.0) >= WHOLE_DEG
    centre = [] if whole else [(on.x(head.x_m or 0.0), on.y(head.y_m or 0.0))]
    return path(centre + rim, f"z{hue} throw", closed=True)


def _inwards(head: PlanHead, heads: Sequence[PlanHead]) -> float:
    """Bearing from a head to the middle of its zone, where a plan does not say which way an arc is turned. [deg]"""
    mine = [other for other in heads if other.zone == head.zone]
    x = sum(other.x_m or 0.0 for other in mine) / len(mine) - (head.x_m or 0.0)
    y = sum(other.y_m or 0.0 for other in mine) / len(mine) - (head.y_m or 0.0)
    return math.degrees(math.atan2(x, y))


def _dot(head: PlanHead, hue: int, on: Paper) -> Markup:
    x, y = on.x(head.x_m or 0.0), on.y(head.y_m or 0.0)
    if head.kind not in OVERHEAD_KINDS:
        return box(x - 2, y - 2, 4, 4, f"z{hue} drip", el("title", f"{head.kind}, line {head.line}"))
    return el("circle", el("title", f"{head.kind}, line {head.line}"), cx=x, cy=y, r=4.5, class_=f"z{hue} dot")


def _names(heads: Sequence[PlanHead], zones: dict[str, int], on: Paper) -> list[Markup]:
    names = []
    for zone in zones:
        mine = [head for head in heads if head.zone == zone]
        x = sum(head.x_m or 0.0 for head in mine) / len(mine)
        y = sum(head.y_m or 0.0 for head in mine) / len(mine)
        at_x, at_y = on.x(x), on.y(y) + 4
        covered = any(abs(on.x(h.x_m or 0.0) - at_x) < 50 and abs(on.y(h.y_m or 0.0) - at_y) < 12 for h in heads)
        if covered:  # the name moves above the zone, so that it hides no head
            at_y = on.y(_bounds(mine)[3]) - 3
        names.append(text(at_x, at_y, zone, "l"))
    return names


def _north() -> Markup:
    x, y = WIDTH - 52, 46.0
    return el(
        "g",
        line(x, y, x, y - 24, "rule"),
        line(x, y - 24, x - 5, y - 14, "rule"),
        line(x, y - 24, x + 5, y - 14, "rule"),
        text(x, y + 14, "N", "t mid"),
    )


def _key(heads: Sequence[PlanHead], zones: dict[str, int], y: float) -> tuple[list[Markup], int]:
    """Each zone with its heads by kind; two columns."""
    parts = []
    for n, (zone, hue) in enumerate(zones.items()):
        mine = [head for head in heads if head.zone == zone]
        kinds = ", ".join(f"{sum(h.kind is kind for h in mine)} {kind}" for kind in dict.fromkeys(h.kind for h in mine))
        flows = [head.flow_l_min for head in mine]
        flow = "" if None in flows else f", {sum(f or 0.0 for f in flows):.3g} L/min"
        x, at = LEFT + (n % 2) * 440.0, y + 22.0 * (n // 2)
        parts += [
            el("circle", cx=x + 6, cy=at - 4, r=6.0, class_=f"z{hue}"),
            text(x + 20, at, f"{zone}: {kinds}{flow}"),
        ]
    return parts, (len(zones) + 1) // 2


def _findings(found: Sequence[Finding], y: float) -> tuple[list[Markup], int]:
    """One line for each kind of finding with the zones it is about."""
    by_code: dict[str, list[Finding]] = {}
    for each in found:
        by_code.setdefault(each.code, []).append(each)
    lines = []
    for n, alike in enumerate(by_code.values()):
        zones = ", ".join(dict.fromkeys(each.id for each in alike))
        said = f"{zones}: {'e.g. ' if len(alike) > 1 else ''}{alike[0].what}"
        lines.append(text(LEFT, y + 18 * n, said if len(said) <= LONGEST else said[: LONGEST - 3] + "...", "s"))
    return lines, len(lines)
