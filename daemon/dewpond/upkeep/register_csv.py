"""The zone register as CSV, for a spreadsheet and for sites with hundreds of zones: one row for each group of heads.

A zone's own columns stand in its first row; a row without a zone belongs to the one above. Quantities carry their
unit ("12 ft", "30 psi", or metric without one). ``version`` says what the row was made from, so that a file that has
been overtaken is told of. Columns left out keep what the card has.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from dewpond.model.site import HeadKind, Heads, Site
from dewpond.settings.quantities import (
    ANGLE_DEG,
    FLOW_L_MIN,
    KPA_PER_PSI,
    L_PER_GAL,
    LENGTH_M,
    M_PER_FT,
    PRESSURE_KPA,
    QuantityError,
)
from dewpond.upkeep.refusal import Refused
from dewpond.upkeep.register import TEXTS, ZoneCard, changed

MOST_BYTES = 4_000_000
MOST_LINES = 20_000
MOST_FAULTS_TOLD = 20
ZONE_COLUMNS = ("zone", "version", "name", "waters", "valve_kind", "valve_place", "output", "wiring", "photo", "notes")
HEAD_COLUMNS = ("head_kind", "head_count", "head_flow", "head_radius", "head_arc", "head_pressure")
COLUMNS = (*ZONE_COLUMNS, *HEAD_COLUMNS)
_QUANTITIES: Mapping[str, tuple[str, Callable[[object], float]]] = {
    "head_flow": ("flow_l_min", FLOW_L_MIN.read),
    "head_radius": ("radius_m", LENGTH_M.read),
    "head_arc": ("arc_deg", ANGLE_DEG.read),
    "head_pressure": ("rated_pressure_kpa", PRESSURE_KPA.read),
}


def write_csv(cards: Sequence[ZoneCard], site: Site) -> str:
    """Every card, in the site's units."""
    out = io.StringIO()
    rows = csv.DictWriter(out, COLUMNS, lineterminator="\r\n", restval="")  # RFC 4180
    rows.writeheader()
    for card in cards:
        rows.writerows(_rows_of(card, site))
    return out.getvalue()


def _rows_of(card: ZoneCard, site: Site) -> list[dict[str, Any]]:
    name = next((zone.name for zone in site.zones if zone.id == card.zone), "")
    own = {"zone": card.zone, "version": card.version, "name": name, "output": card.output}
    own |= {name: getattr(card, name) for name in TEXTS}
    groups = [_head_cells(group, us=site.units == "us") for group in card.heads] or [{}]
    return [own | groups[0], *({"zone": card.zone, **group} for group in groups[1:])]


def _head_cells(group: Heads, *, us: bool) -> dict[str, Any]:
    flow, radius, kpa = group.flow_l_min, group.radius_m, group.rated_pressure_kpa
    if us:
        told = (_text(flow, L_PER_GAL, "gpm"), _text(radius, M_PER_FT, "ft"), _text(kpa, KPA_PER_PSI, "psi"))
    else:
        told = (_text(flow, 1.0, "L/min"), _text(radius, 1.0, "m"), _text(kpa, 1.0, "kPa"))
    cells = {"head_kind": group.kind.value, "head_count": group.count, "head_flow": told[0], "head_radius": told[1]}
    return {**cells, "head_arc": "" if group.arc_deg is None else f"{group.arc_deg:g}", "head_pressure": told[2]}


def _text(value: float | None, worth: float, unit: str) -> str:
    # Six figures, so that a file in US units that nobody touched comes back as it was, to a millionth.
    return "" if value is None else f"{value / worth:.6g} {unit}"


@dataclass(slots=True)
class _Rows:
    """The rows of one zone: the line it begins on, its own cells, and its groups of heads."""

    line: int
    cells: dict[str, str]
    heads: list[dict[str, Any]] = field(default_factory=list)


def read_csv(
    text: str, current: Sequence[ZoneCard], site: Site, as_it_was: Callable[[str, int], ZoneCard | None]
) -> list[ZoneCard]:
    """The cards that a file changes, each with the version it was made from.

    ``as_it_was`` gives a zone's card of that version: what a file says just as it was exported is no change, also
    where somebody else has changed the card since. Raises Refused with every fault of the file at once, each with its
    line; nothing is taken then.
    """
    told: list[str] = []
    cards = {card.zone: card for card in current}
    found: list[ZoneCard] = []
    for zone, rows in _zones(text, told).items():
        card = cards.get(zone)
        if card is None:
            told.append(f"line {rows.line}: no zone {zone!r} here; zones are {', '.join(cards)}")
            continue
        try:
            new = changed(card, site, _changes(rows))
        except Refused as refused:
            told.append(f"line {rows.line}: {refused}")
            continue
        version = _version(rows, told)
        exported = card if version is None else as_it_was(zone, version)
        if exported is None:
            told.append(f"line {rows.line}, version: there is no version {version} of {zone}; export the file anew")
        elif not (_same(new, exported, site) or _same(new, card, site)):
            found.append(_from(new, exported.version))
    if told:
        more = f"; and {len(told) - MOST_FAULTS_TOLD} more" if len(told) > MOST_FAULTS_TOLD else ""
        raise Refused(f"{'; '.join(told[:MOST_FAULTS_TOLD])}{more}. Nothing was taken from this file")
    return found


def _same(card: ZoneCard, other: ZoneCard, site: Site) -> bool:
    """Whether a file would tell both alike: in US units it rounds."""
    cells = [[{**row, "version": 0} for row in _rows_of(one, site)] for one in (card, other)]
    return cells[0] == cells[1]


def _from(card: ZoneCard, version: int) -> ZoneCard:
    values = {name: getattr(card, name) for name in (*TEXTS, "zone", "output", "heads")}
    return ZoneCard(**values, version=version)


def _zones(text: str, told: list[str]) -> dict[str, _Rows]:
    if len(text.encode()) > MOST_BYTES:
        raise Refused(f"the file is larger than {MOST_BYTES // 1_000_000} MB, the limit; split it")
    rows = csv.DictReader(io.StringIO(text.removeprefix("\ufeff")), strict=True)  # spreadsheets put a mark in front
    columns = [name.strip() for name in rows.fieldnames or ()]
    unknown = [name for name in columns if name not in COLUMNS]
    if "zone" not in columns or unknown or len(set(columns)) < len(columns):
        what = (
            f"{', '.join(name[:40] for name in unknown[:5])} is no column"
            if unknown
            else "the first row must name each column once"
        )
        raise Refused(f"line 1: {what}; columns are {', '.join(COLUMNS)}, and zone is needed")
    rows.fieldnames = columns
    zones: dict[str, _Rows] = {}
    try:
        _gather(rows, zones, told)
    except csv.Error as error:
        raise Refused(f"line {rows.line_num}: {error}; save it as plain comma-separated CSV") from error
    return zones


def _gather(rows: csv.DictReader[str], zones: dict[str, _Rows], told: list[str]) -> None:
    last = ""
    for row in rows:
        if rows.line_num > MOST_LINES:
            raise Refused(f"more than {MOST_LINES} lines, the limit; split the file")
        if None in row:
            told.append(f"line {rows.line_num}: more cells than columns; put texts with commas into quotes")
            continue
        cells = {name: (value or "").strip() for name, value in row.items()}
        if not any(cells.values()):
            continue
        last = cells["zone"] or last
        if not last:
            told.append(f"line {rows.line_num}: no zone yet; name one")
            continue
        zone = zones.setdefault(last, _Rows(rows.line_num, cells))
        for name in ZONE_COLUMNS[1:]:
            if cells.get(name) and cells[name] != zone.cells.get(name):
                told.append(
                    f"line {rows.line_num}, {name}: {cells[name]!r}, but line {zone.line} has another; keep one"
                )
        if any(cells.get(name) for name in HEAD_COLUMNS):
            zone.heads.append(_heads_of(cells, rows.line_num, told))


def _heads_of(cells: Mapping[str, str], line: int, told: list[str]) -> dict[str, Any]:
    group: dict[str, Any] = {"kind": cells.get("head_kind", ""), "count": _whole(cells.get("head_count", ""))}
    if group["kind"] not in set(HeadKind):
        told.append(f"line {line}, head_kind: {group['kind']!r} is no kind of head; kinds are {', '.join(HeadKind)}")
        group["kind"] = HeadKind.SPRAY.value
    for column, (name, read) in _QUANTITIES.items():
        if cells.get(column):
            try:
                group[name] = read(cells[column])
            except QuantityError as error:
                told.append(f"line {line}, {column}: {error}")
    return group


def _whole(text: str) -> int | str:
    return int(text) if text.isdecimal() else text


def _changes(rows: _Rows) -> dict[str, Any]:
    changes: dict[str, Any] = {name: rows.cells[name] for name in TEXTS if name in rows.cells}
    if "output" in rows.cells:
        changes["output"] = _whole(rows.cells["output"]) or None
    if "head_kind" in rows.cells:
        changes["heads"] = rows.heads
    return changes


def _version(rows: _Rows, told: list[str]) -> int | None:
    text = rows.cells.get("version", "")
    if text and not text.isdecimal():
        told.append(f"line {rows.line}, version: {text!r} is no whole number; leave it as it was exported")
    return int(text) if text.isdecimal() else None
