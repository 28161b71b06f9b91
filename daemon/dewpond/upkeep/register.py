"""The zone register: what each zone waters, with which valve, wires and heads, as somebody saw it on the ground.

A card begins as the site file has the zone. The register never changes the zone's numbers by itself: where the two
differ, it says so and gives the line for the site file.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

from dewpond.model.codec import to_plain
from dewpond.model.site import HeadKind, Heads, Site, Zone
from dewpond.model.upkeep import UpkeepEntry
from dewpond.upkeep.refusal import Refused

KIND = "register"
VALVE_PLACES = ("", "in a box", "above ground with backflow protection", "in a building")
LONGEST_TEXT = 500
MOST_HEADS = 5000
MOST_GROUPS = 40
# What a head of any kind may have; a typing mistake or a wrong unit lies outside. Common practice, no source.
LIMITS = {
    "flow_l_min": (0.005, 500.0, "flow of one head", "L/min"),
    "radius_m": (0.1, 40.0, "radius", "m"),
    "arc_deg": (1.0, 360.0, "arc", "degrees"),
    "rated_pressure_kpa": (20.0, 1500.0, "rated pressure", "kPa"),
}
TEXTS = ("waters", "valve_kind", "valve_place", "wiring", "photo", "notes")


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneCard:
    """One zone's card. ``version`` is the entry it was read from, 0 while only the site file speaks.

    ``photo`` names a picture file; ``output`` is the relay output its wire is on, as found.
    """

    zone: str
    waters: str = ""
    valve_kind: str = ""
    valve_place: str = ""
    output: int | None = None
    wiring: str = ""
    photo: str = ""
    notes: str = ""
    heads: tuple[Heads, ...] = ()
    version: int = 0


def card_of(zone: Zone, entry: UpkeepEntry | None = None) -> ZoneCard:
    """The card as last written, else what the site file says of the zone."""
    if entry is None:
        return ZoneCard(zone=zone.id, waters=zone.plants or "", output=zone.output, heads=zone.heads)
    heads = tuple(Heads(**{**group, "kind": HeadKind(group["kind"])}) for group in entry.body["heads"])
    texts = {name: entry.body.get(name, "") for name in TEXTS}
    return ZoneCard(zone=zone.id, output=entry.body.get("output"), heads=heads, version=entry.version, **texts)


def cards(site: Site, entries: Sequence[UpkeepEntry]) -> list[ZoneCard]:
    """Every zone's card, in the site file's order."""
    written = {entry.subject: entry for entry in entries}
    return [card_of(zone, written.get(zone.id)) for zone in site.zones]


def body_of(card: ZoneCard) -> dict[str, Any]:
    """A card as the store keeps it."""
    plain: dict[str, Any] = to_plain(card)
    return {name: value for name, value in plain.items() if name not in ("zone", "version")}


def changed(card: ZoneCard, site: Site, changes: Mapping[str, Any]) -> ZoneCard:
    """The card with some of its fields given anew, as plain JSON. Raises Refused, naming field, limit and remedy."""
    known = {field.name for field in fields(ZoneCard)} - {"zone", "version"}
    unknown = sorted(changes.keys() - known)
    if unknown:
        raise Refused(f"zone {card.zone}: {', '.join(unknown)} is no field of a card; they are {', '.join(known)}")
    values = {field.name: getattr(card, field.name) for field in fields(ZoneCard)} | dict(changes)
    if "heads" in changes:
        values["heads"] = _heads(card.zone, changes["heads"])
    new = ZoneCard(**values)
    found = list(faults(new, site))
    if found:
        raise Refused("; ".join(found))
    return new


def _heads(zone: str, groups: Any) -> tuple[Heads, ...]:
    if not isinstance(groups, list | tuple):
        raise Refused(f"zone {zone}: heads is no list; give one table for each kind of head")
    found = []
    for number, group in enumerate(groups, start=1):
        try:
            found.append(group if isinstance(group, Heads) else Heads(**{**group, "kind": HeadKind(group["kind"])}))
        except (KeyError, TypeError, ValueError) as error:
            kinds = ", ".join(HeadKind)
            raise Refused(f"zone {zone}, heads {number}: {error}; give kind ({kinds}) and count") from error
    return tuple(found)


def faults(card: ZoneCard, site: Site) -> Iterator[str]:
    """What is wrong with a card, each with where, limit and remedy."""
    if card.zone not in {zone.id for zone in site.zones}:
        ids = ", ".join(zone.id for zone in site.zones)
        yield f"zone {card.zone}: the site file has no such zone; zones are {ids}"
    for name in TEXTS:
        text = getattr(card, name)
        if not isinstance(text, str) or len(text) > LONGEST_TEXT:
            yield f"zone {card.zone}, {name}: not a text of at most {LONGEST_TEXT} letters; shorten it"
    if card.valve_place not in VALVE_PLACES:
        places = ", ".join(VALVE_PLACES[1:])
        yield f"zone {card.zone}, valve_place: {card.valve_place!r} is not known; it is one of {places}, or empty"
    output = card.output
    if output is not None and (isinstance(output, bool) or not isinstance(output, int) or output < 1):
        yield f"zone {card.zone}, output: {output!r} is no output; outputs count from 1"
    elif output is not None and output > site.relays.outputs:
        yield f"zone {card.zone}, output: {output} is above {site.relays.outputs}, the relays' last; look at the wire"
    if len(card.heads) > MOST_GROUPS:
        yield f"zone {card.zone}: {len(card.heads)} groups of heads, at most {MOST_GROUPS}; join like heads"
    for number, group in enumerate(card.heads, start=1):
        yield from _head_faults(f"zone {card.zone}, heads {number}", group)


def _head_faults(where: str, group: Heads) -> Iterator[str]:
    count = group.count
    if isinstance(count, bool) or not isinstance(count, int) or not 1 <= count <= MOST_HEADS:
        yield f"{where}: count {count!r} is not a whole number from 1 to {MOST_HEADS}"
    for name, (least, most, words, unit) in LIMITS.items():
        value = getattr(group, name)
        if value is None:
            continue
        if isinstance(value, bool) or not isinstance(value, int | float) or not least <= value <= most:
            yield f"{where}: {words} {value!r} is not from {least:g} to {most:g} {unit}; check number and unit"


def head_flow_l_min(heads: Sequence[Heads]) -> float | None:
    """What a list of heads takes together at its rated pressure; None unless every group states its flow. [L/min]"""
    if not heads or any(group.flow_l_min is None for group in heads):
        return None
    return sum(group.count * (group.flow_l_min or 0.0) for group in heads)


def rated_kpa(heads: Sequence[Heads]) -> float | None:
    """The rated pressure of a list of heads, by count; None where none states it. [kPa]"""
    stated = [(group.count, group.rated_pressure_kpa) for group in heads if group.rated_pressure_kpa is not None]
    heads_stated = sum(count for count, _ in stated)
    return sum(count * kpa for count, kpa in stated) / heads_stated if heads_stated else None


def kinds(heads: Sequence[Heads]) -> tuple[str, ...]:
    """The kinds of heads in a list, each once."""
    return tuple(dict.fromkeys(group.kind.value for group in heads))


def differences(card: ZoneCard, zone: Zone) -> list[str]:
    """Where the card differs from the site file, as sentences; [] where it does not."""
    told = []
    if card.output is not None and card.output != zone.output:
        told.append(f"its wire is on output {card.output}, the site file says {zone.output}")
    if not card.heads or card.heads == zone.heads:
        return told
    if not zone.heads:
        return [*told, "the site file lists no heads"]
    seen, stated = sum(group.count for group in card.heads), sum(group.count for group in zone.heads)
    if seen != stated:
        told.append(f"{seen} heads were counted, the site file has {stated}")
    if set(kinds(card.heads)) != set(kinds(zone.heads)):
        told.append(f"{' and '.join(kinds(card.heads))} were seen, the site file has {' and '.join(kinds(zone.heads))}")
    flow, flow_stated = head_flow_l_min(card.heads), head_flow_l_min(zone.heads)
    if flow is not None and flow_stated is not None and abs(flow - flow_stated) > 0.005 * flow_stated:
        told.append(f"its heads take {flow:.1f} L/min, those of the site file {flow_stated:.1f} L/min")
    return told or ["arc, radius or rated pressure of a head differ from the site file"]


def site_file_line(card: ZoneCard) -> str:
    """The card's heads as the line of a site file that would say the same."""
    groups = []
    for group in card.heads:
        parts = [f'kind = "{group.kind.value}"', f"count = {group.count}"]
        if group.flow_l_min is not None:
            parts.append(f'flow = "{group.flow_l_min:g} L/min"')
        if group.radius_m is not None:
            parts.append(f'radius = "{group.radius_m:g} m"')
        if group.arc_deg is not None:
            parts.append(f"arc = {group.arc_deg:g}")
        if group.rated_pressure_kpa is not None:
            parts.append(f'rated_pressure = "{group.rated_pressure_kpa:g} kPa"')
        groups.append("{" + ", ".join(parts) + "}")
    return f"heads = [{', '.join(groups)}]"
