"""The zone register as pages to print and take along, with room to write."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from dewpond.model.site import Site
from dewpond.model.us_units import L_PER_GAL
from dewpond.settings.quantities import KPA_PER_PSI, M_PER_FT
from dewpond.upkeep import paper

Plain = Mapping[str, Any]


def register_sheet(told: Plain, site: Site, day: str) -> str:
    """The page of a register as the operation ``register`` tells it; ``day`` is when it is printed."""
    cards: Sequence[Plain] = told["zones"]
    heads = sum(card["head_count"] for card in cards)
    under = f"{told['site']}, printed {day}: {len(cards)} zones, {heads} heads and emitters."
    return paper.page("Zone register", under, [_card(card, us=site.units == "us") for card in cards])


def _card(card: Plain, *, us: bool) -> str:
    rows = [
        ("waters", card["waters"]),
        ("valve", ", ".join(text for text in (card["valve_kind"], card["valve_place"]) if text)),
        ("wire", ", ".join(text for text in (f"output {card['output'] or '?'}", card["wiring"]) if text)),
        ("picture", card["photo"]),
        ("notes", card["notes"]),
    ]
    title = f"{card['name']} ({card['zone']}, supply {card['supply']})"
    warning = "Heads of unlike kinds water this zone." if card["mixed_kinds"] else ""
    differences = [f"{text[:1].upper()}{text[1:]}." for text in card["differences"]]
    return paper.section(
        title,
        paper.facts(rows),
        _heads(card, us=us),
        paper.line(warning),
        paper.bullets(differences),
        paper.blank_lines(1),
    )


def _heads(card: Plain, *, us: bool) -> str:
    flow_unit, length_unit, pressure_unit = ("gpm", "ft", "psi") if us else ("L/min", "m", "kPa")
    flow, length, pressure = (L_PER_GAL, M_PER_FT, KPA_PER_PSI) if us else (1.0, 1.0, 1.0)
    rows = [
        (
            group["kind"],
            str(group["count"]),
            _figure(group["arc_deg"], 1.0, 0),
            _figure(group["radius_m"], length, 1),
            _figure(group["rated_pressure_kpa"], pressure, 0),
            "" if group["flow_l_min"] is None else f"{group['flow_l_min'] / flow:.3g}",
        )
        for group in card["heads"]
    ]
    if card["head_flow_l_min"] is not None:
        together = _figure(card["head_flow_l_min"], flow, 1)
        rows.append(("together", str(card["head_count"]), "", "", "", f"{together} in all"))
    head = ("heads", "count", "arc deg", f"radius {length_unit}", f"rated {pressure_unit}", f"flow each {flow_unit}")
    return paper.table(head, rows, figures=(1, 2, 3, 4, 5))


def _figure(value: float | None, worth: float, decimals: int) -> str:
    return "" if value is None else f"{value / worth:.{decimals}f}"
