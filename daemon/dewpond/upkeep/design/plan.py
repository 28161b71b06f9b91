"""A design as drawn: heads with their places, and zones, read from CSV tables whose headers carry the units."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from dewpond.model.site import HeadKind
from dewpond.science.units import MM_PER_INCH
from dewpond.upkeep.refusal import Refused

L_PER_GAL, M_PER_FT, KPA_PER_PSI = 3.785411784, 0.3048, 6.894757293
# Column -> worth of one of its unit in ours; a bare name is in ours already.
_LENGTH = {"_m": 1.0, "_ft": M_PER_FT}
QUANTITIES: Mapping[str, tuple[Mapping[str, float], float, float]] = {
    "x": (_LENGTH, -5000.0, 5000.0),
    "y": (_LENGTH, -5000.0, 5000.0),
    "elevation": (_LENGTH, -450.0, 6000.0),
    "radius": (_LENGTH, 0.05, 100.0),
    "arc": ({"_deg": 1.0}, 1.0, 360.0),
    "direction": ({"_deg": 1.0}, 0.0, 360.0),
    "flow": ({"_l_min": 1.0, "_gpm": L_PER_GAL, "_l_h": 1 / 60, "_gph": L_PER_GAL / 60}, 0.001, 1000.0),
    "rated_pressure": ({"_kpa": 1.0, "_psi": KPA_PER_PSI, "_bar": 100.0}, 10.0, 2500.0),
    "area": ({"_m2": 1.0, "_ft2": M_PER_FT**2}, 0.1, 1_000_000.0),
    "application_rate": ({"_mm_h": 1.0, "_in_h": MM_PER_INCH}, 0.1, 400.0),
}
HEAD_WORDS = ("zone", "kind", "nozzle", "plants", "sun", "regulated", "check_valve")
ZONE_WORDS = ("zone", "output", "plants", "supply")
SUN = ("sun", "part shade", "shade")
YES, NO = ("yes", "true", "1"), ("no", "false", "0", "")
MOST_ROWS = 20_000


class PlanRefused(Refused):
    """Raised when a plan cannot be used; the text says what, where, limit and remedy of every fault, one a line."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanHead:
    """One head as drawn; None where the plan does not say. ``direction_deg`` is the middle of its arc, 90 is east."""

    line: int
    zone: str
    kind: HeadKind
    x_m: float | None = None
    y_m: float | None = None
    elevation_m: float | None = None
    radius_m: float | None = None
    arc_deg: float | None = None
    direction_deg: float | None = None
    flow_l_min: float | None = None
    rated_pressure_kpa: float | None = None
    nozzle: str = ""
    plants: str = ""
    sun: str = ""
    regulated: bool = False
    check_valve: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanZone:
    """One zone as drawn; None or empty where the plan does not say."""

    zone: str
    area_m2: float | None = None
    application_rate_mm_h: float | None = None
    output: int | None = None
    plants: str = ""
    supply: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A whole design; either part may be empty."""

    heads: tuple[PlanHead, ...] = ()
    zones: tuple[PlanZone, ...] = ()

    def of_zone(self, zone: str) -> tuple[PlanHead, ...]:
        return tuple(head for head in self.heads if head.zone == zone)


def read_heads(text: str, where: str = "heads") -> tuple[PlanHead, ...]:
    """Heads, one a row: zone, kind, and what is known of x, y, radius, arc, direction, flow, rated_pressure, elevation,
    nozzle, plants, sun, regulated, check_valve. Raises PlanRefused."""
    columns = {"x", "y", "elevation", "radius", "arc", "direction", "flow", "rated_pressure"}
    faults: list[str] = []
    found = []
    for line, row in _rows(text, where, columns, HEAD_WORDS, ("zone", "kind"), faults):
        at = f"{where}, line {line}"
        numbers = {name: _quantity(row, name, at, faults) for name in columns}
        found.append(
            PlanHead(
                line=line,
                zone=_zone_id(row, at, faults),
                kind=_kind(row, at, faults),
                x_m=numbers["x"],
                y_m=numbers["y"],
                elevation_m=numbers["elevation"],
                radius_m=numbers["radius"],
                arc_deg=numbers["arc"],
                direction_deg=numbers["direction"],
                flow_l_min=numbers["flow"],
                rated_pressure_kpa=numbers["rated_pressure"],
                nozzle=row.get("nozzle", "")[:60],
                plants=row.get("plants", "")[:60].lower(),
                sun=_sun(row, at, faults),
                regulated=_flag(row, "regulated", at, faults),
                check_valve=_flag(row, "check_valve", at, faults),
            )
        )
    _refuse(faults)
    return tuple(found)


def read_zones(text: str, where: str = "zones") -> tuple[PlanZone, ...]:
    """Zones, one a row: zone, and what is known of area, application_rate, output, plants, supply.

    Raises PlanRefused.
    """
    faults: list[str] = []
    found: dict[str, PlanZone] = {}
    for line, row in _rows(text, where, {"area", "application_rate"}, ZONE_WORDS, ("zone",), faults):
        at = f"{where}, line {line}"
        zone, output = _zone_id(row, at, faults), row.get("output", "")
        if output and not (output.isdigit() and 1 <= int(output) <= 100_000):
            faults.append(f'{at}: output "{output[:20]}" is none; a whole number from 1; write the valve\'s output')
            output = ""
        if zone in found:
            faults.append(f'{at}: zone "{zone}" stands twice; one row a zone; drop one of them')
        found[zone] = PlanZone(
            zone=zone,
            area_m2=_quantity(row, "area", at, faults),
            application_rate_mm_h=_quantity(row, "application_rate", at, faults),
            output=int(output) if output else None,
            plants=row.get("plants", "")[:60].lower(),
            supply=row.get("supply", "")[:60],
        )
    _refuse(faults)
    return tuple(found.values())


def _rows(
    text: str, where: str, quantities: set[str], words: Sequence[str], needed: Sequence[str], faults: list[str]
) -> list[tuple[int, dict[str, str]]]:
    """Line numbers and cells; unknown columns and missing ones are faults of the whole table."""
    try:
        rows = list(csv.DictReader(io.StringIO(text.removeprefix("\ufeff"))))
    except csv.Error as fault:
        raise PlanRefused(f"{where}: no CSV table ({fault}); a header and a row each; save it as CSV") from None
    if not 1 <= len(rows) <= MOST_ROWS:
        raise PlanRefused(f"{where}: {len(rows)} rows; 1 to {MOST_ROWS}; a header and a row each")
    names = [name.strip().lower() for name in rows[0] if name is not None]
    forms = {f"{name}{unit}" for name in quantities for unit in QUANTITIES[name][0]}
    for name in needed:
        if name not in names:
            faults.append(f"{where}: no column {name}; needed are {', '.join(needed)}; add it")
    for name in names:
        if name not in forms and name not in words:
            known = ", ".join([*words, *sorted(forms)])
            faults.append(f'{where}: column "{name[:40]}" is not known; known are {known}; rename or drop it')
    _refuse(faults)
    return [
        (
            line,
            {
                str(k).strip().lower(): (v or "").strip()
                for k, v in row.items()
                if k is not None and not isinstance(v, list)
            },
        )
        for line, row in enumerate(rows, start=2)
    ]


def _quantity(row: Mapping[str, str], name: str, at: str, faults: list[str]) -> float | None:
    units, low, high = QUANTITIES[name]
    for unit, worth in units.items():
        text = row.get(name + unit, "")
        if not text:
            continue
        try:
            number = float(text) * worth
        except ValueError:
            number = math.nan
        if not low <= number <= high:
            limit = f"between {low / worth:.4g} and {high / worth:.4g}"
            faults.append(f'{at}: {name + unit} "{text[:30]}" cannot be; {limit}; check the number and its unit')
            return None
        return number
    return None


def _zone_id(row: Mapping[str, str], at: str, faults: list[str]) -> str:
    zone = row.get("zone", "")
    if not zone or len(zone) > 64:
        faults.append(f"{at}: zone is empty; every row belongs to a zone; write its id")
    return zone


def _kind(row: Mapping[str, str], at: str, faults: list[str]) -> HeadKind:
    wanted = row.get("kind", "").lower().replace("_", " ").replace("-", " ")
    for kind in HeadKind:
        if wanted == kind.value.replace("-", " "):
            return kind
    faults.append(f'{at}: kind "{wanted[:30]}" is not known; one of {", ".join(HeadKind)}; correct it')
    return HeadKind.SPRAY


def _sun(row: Mapping[str, str], at: str, faults: list[str]) -> str:
    sun = row.get("sun", "").lower()
    if sun and sun not in SUN:
        faults.append(f'{at}: sun "{sun[:30]}" is not known; one of {", ".join(SUN)}; correct it')
    return sun


def _flag(row: Mapping[str, str], name: str, at: str, faults: list[str]) -> bool:
    text = row.get(name, "").lower()
    if text not in (*YES, *NO):
        faults.append(f'{at}: {name} "{text[:20]}" is neither yes nor no; write yes or no')
    return text in YES


def _refuse(faults: list[str]) -> None:
    if faults:
        raise PlanRefused("\n".join(faults))
