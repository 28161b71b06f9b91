"""How a zone's heads could be shared out over valves: like with like, none above what the supply should give."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from dewpond.model.site import Heads, Site, Supply, Zone
from dewpond.upkeep.design import limits
from dewpond.upkeep.design.drawn import TOP_AND_TOE_M
from dewpond.upkeep.design.heads import sector_rate_mm_h
from dewpond.upkeep.design.plan import Plan, PlanHead


@dataclass(frozen=True, slots=True, kw_only=True)
class Valve:
    """One proposed valve: what its heads share, their count, and their flow (None where not all state theirs)."""

    shares: str
    heads: int
    flow_l_min: float | None
    lines: tuple[int, ...] = ()  # of the plan, where the heads stand in one


@dataclass(frozen=True, slots=True, kw_only=True)
class Regrouping:
    """A zone and the valves that would serve it better."""

    zone: str
    valves: tuple[Valve, ...]

    def sentence(self) -> str:
        parts = []
        for number, valve in enumerate(self.valves, start=1):
            flow = "" if valve.flow_l_min is None else f", {valve.flow_l_min:.3g} L/min"
            shares = valve.shares if valve.heads > 1 else valve.shares.replace(" heads", " head", 1)
            parts.append(f"{number}) {valve.heads} {shares}{flow}")
        return f"{self.zone} on {len(self.valves)} valves: " + "; ".join(parts)


@dataclass(frozen=True, slots=True)
class _Head:
    shares: str
    flow_l_min: float | None
    line: int | None = None
    x_m: float = 0.0
    y_m: float = 0.0


def regroupings(site: Site, plan: Plan | None = None) -> tuple[Regrouping, ...]:
    """Zones that would be better on more valves, by the plan's heads where it has them, else by the site file's."""
    found = []
    for zone in site.zones:
        drawn = plan.of_zone(zone.id) if plan is not None else ()
        heads = _of_plan(drawn) if drawn else _of_groups(zone)
        valves = _valves(heads, site.supply(zone.supply))
        if len(valves) > 1:
            found.append(Regrouping(zone=zone.id, valves=tuple(valves)))
    return tuple(found)


def _valves(heads: Sequence[_Head], supply: Supply) -> list[Valve]:
    """Heads that share everything together, cut where their flow passes the limit; neighbours stay together."""
    most = None if supply.capacity_l_min is None else limits.FLOW_SHARE.value * supply.capacity_l_min
    valves: list[Valve] = []
    for shares in dict.fromkeys(head.shares for head in heads):
        alike = [head for head in heads if head.shares == shares]
        flows = [head.flow_l_min for head in alike if head.flow_l_min is not None]
        whole = sum(flows) if len(flows) == len(alike) else None
        parts = 1 if most is None or whole is None else max(1, -int(-(whole - 1e-9) // most))
        parts = min(parts, len(alike))
        wide = _wide(alike)
        ordered = sorted(alike, key=lambda head: (head.x_m, head.y_m) if wide else (head.y_m, head.x_m))
        for some in _shared_out(ordered, parts):
            flow = None if whole is None else sum(head.flow_l_min or 0.0 for head in some)
            lines = tuple(sorted(head.line for head in some if head.line is not None))
            valves.append(Valve(shares=shares, heads=len(some), flow_l_min=flow, lines=lines))
    return valves


def _shared_out(heads: Sequence[_Head], parts: int) -> list[list[_Head]]:
    """Heads in order, cut into parts of nearly equal flow, or count where flows are not known."""
    weights = [head.flow_l_min if head.flow_l_min is not None else 1.0 for head in heads]
    whole, before = sum(weights), 0.0
    shares: list[list[_Head]] = [[] for _ in range(parts)]
    for head, weight in zip(heads, weights, strict=True):
        shares[min(parts - 1, int(parts * (before + weight / 2.0) / whole))].append(head)
        before += weight
    return [share for share in shares if share]


def _wide(heads: Sequence[_Head]) -> bool:
    """Whether heads lie wider than deep, so that cuts go across the longer side."""
    xs, ys = [head.x_m for head in heads], [head.y_m for head in heads]
    return max(xs) - min(xs) >= max(ys) - min(ys)


def _of_groups(zone: Zone) -> list[_Head]:
    """The site file's groups, told apart by kind and by rates that do not match."""
    classes = _rate_classes(zone.heads)
    return [
        _Head(f"{group.kind} heads{rate}", group.flow_l_min)
        for group, rate in zip(zone.heads, classes, strict=True)
        for _ in range(group.count)
    ]


def _rate_classes(groups: Sequence[Heads]) -> list[str]:
    """For each group words that tell its rate from those it does not match, empty where all of its kind match."""
    words = []
    for group in groups:
        alike = [r for other in groups if other.kind is group.kind and (r := sector_rate_mm_h(other)) is not None]
        rate = sector_rate_mm_h(group)
        if rate is None or not alike or max(alike) <= limits.MATCHED_RATES.value * min(alike):
            words.append("")
            continue
        matching = [other for other in alike if max(rate, other) <= limits.MATCHED_RATES.value * min(rate, other)]
        words.append(f" near {min(matching):.0f} mm/h")
    return words


def _of_plan(drawn: Sequence[PlanHead]) -> list[_Head]:
    """The plan's heads, told apart by kind, plants, light and height."""
    levels = [head.elevation_m for head in drawn if head.elevation_m is not None]
    middle = (min(levels) + max(levels)) / 2.0 if levels and max(levels) - min(levels) > TOP_AND_TOE_M else None
    light = {head.sun for head in drawn} >= {"sun", "shade"}
    plants = len({head.plants for head in drawn if head.plants}) > 1
    heads = []
    for head in drawn:
        parts = [f"{head.kind} heads"]
        parts += [f"on {head.plants}"] if plants and head.plants else []
        parts += [f"in the {'shade' if head.sun == 'shade' else 'sun'}"] if light and head.sun else []
        if middle is not None and head.elevation_m is not None:
            parts.append("at the top" if head.elevation_m > middle else "at the toe")
        heads.append(_Head(" ".join(parts), head.flow_l_min, head.line, head.x_m or 0.0, head.y_m or 0.0))
    return heads
