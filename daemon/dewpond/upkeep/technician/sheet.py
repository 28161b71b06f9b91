"""A technician's check as a page to print: faults first, then what changed in a year, then every figure."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from dewpond.model.site import Site
from dewpond.model.us_units import shown
from dewpond.upkeep import paper
from dewpond.upkeep.cautions import LAST_WORD, cautions
from dewpond.upkeep.steps import SITE
from dewpond.upkeep.technician.judged import FAULT, GOOD, LOOK
from dewpond.upkeep.technician.steps import STEPS

Plain = Mapping[str, Any]
HEADINGS = {FAULT: "Faults", LOOK: "Worth a look"}


def names_of(site: Site) -> dict[str, str]:
    """Places as a person reads them."""
    found = {zone.id: zone.name for zone in site.zones} | {one.id: f"Supply {one.id}" for one in site.supplies}
    return {**found, SITE: "Transformer"}


def technician_sheet(told: Plain, site: Site) -> str:
    """The page of a check as ``technician-show`` tells it."""
    began = datetime.fromisoformat(told["began"]).astimezone(ZoneInfo(site.timezone))
    left = len(told["outstanding"])
    state = f"{'ended' if told['ended'] else 'still on'}, {left} measurements not taken" if left else "complete"
    under = f"{told['site']}, begun {began:%d %B %Y %H:%M} by {told['by']}; {state}."
    parts = [paper.line(told["note"]), *_found(told, site), _compared(told, site), *_measured(told, site)]
    return paper.page(f"Technician's check {told['check']}", under, parts)


def _found(told: Plain, site: Site) -> list[str]:
    parts, names = [], names_of(site)
    for state, heading in HEADINGS.items():
        found = [(row, word) for row in told["measured"] for word in row["words"] if word["state"] == state]
        rows = [
            (
                names[row["place"]],
                row["title"],
                shown(f"{word['text']} {word['remedy'][:1].upper()}{word['remedy'][1:]}.", site.units),
            )
            for row, word in found
        ]
        if rows:
            parts.append(paper.section(heading, paper.table(("place", "", "what was found, and what to do"), rows)))
    if not parts:
        return [paper.line("Nothing was found wrong in what was measured.")]
    keys = [key for row in told["measured"] if _amiss(row) for key in STEPS[row["step"]].cautions]
    texts = [caution.text for caution in cautions(keys)]
    return [*parts, paper.section("Before any repair", paper.boxes(texts), paper.line(LAST_WORD, "quiet"))]


def _amiss(row: Plain) -> bool:
    return any(word["state"] != GOOD for word in row["words"])


def _compared(told: Plain, site: Site) -> str:
    compared = told["compared"]
    if compared is None:
        return paper.line("This is the first check; the next one is compared with it.", "quiet")
    names = names_of(site)
    rows = [
        (
            names[one["place"]],
            one["what"],
            shown(f"{one['then']:.4g} {one['unit']}", site.units),
            shown(f"{one['now']:.4g} {one['unit']}", site.units),
            "" if one["share"] is None else f"{one['share'] * 100:+.0f} %{' !' if one['told'] else ''}",
        )
        for one in compared["changes"]
    ]
    head = ("place", "", "then", "now", "change")
    quiet = "! is more than such a figure changes by itself: 10 %, coils 15 % (common practice, no source)."
    body = paper.table(head, rows, figures=(2, 3, 4)) or paper.line("Both checks have no figure in common.")
    return paper.section(f"Against the check of {compared['day']}", body, paper.line(quiet, "quiet"))


def _measured(told: Plain, site: Site) -> list[str]:
    parts, names = [], names_of(site)
    for step in STEPS.values():
        rows = [
            (
                names[row["place"]],
                shown(" ".join(word["text"] for word in row["words"]), site.units),
                "; ".join(note["note"] for note in row["seen"] if note["note"]),
                ", ".join(dict.fromkeys(note["who"] for note in row["seen"])),
            )
            for row in told["measured"]
            if row["step"] == step.key
        ]
        if rows:
            source = paper.line(f"Source: {step.source}.", "quiet")
            parts.append(paper.section(step.title, paper.table(("place", "figures", "note", "by"), rows), source))
    return parts
