"""Commissioning as a page to print and sign: every zone with its steps, who saw what, and the sign-off."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from dewpond.model.site import Site
from dewpond.model.us_units import shown
from dewpond.upkeep import paper
from dewpond.upkeep.cautions import LAST_WORD, cautions
from dewpond.upkeep.commissioning.steps import STEPS

Plain = Mapping[str, Any]


def commission_sheet(told: Plain, site: Site, day: str) -> str:
    """The page of ``commission-show``; ``day`` is when it is printed."""
    signed = sum(zone["state"] == "signed" for zone in told["zones"])
    under = f"{told['site']}, printed {day}: {signed} of {len(told['zones'])} zones signed off."
    keys = [key for step in STEPS.values() for key in step.cautions]
    minds = paper.section(
        "Before any of it", paper.boxes([one.text for one in cautions(keys)]), paper.line(LAST_WORD, "quiet")
    )
    rule = "A zone that is begun, or never signed off, does not run by schedule." if told["prove_zones"] else ""
    return paper.page("Commissioning", under, [paper.line(rule), *(_zone(zone, site) for zone in told["zones"]), minds])


def _zone(zone: Plain, site: Site) -> str:
    rows = [
        (
            row["title"],
            "" if row["place"] == zone["zone"] else row["place"],
            row["result"] or "open",
            shown(row["said"], site.units),
            row.get("who", ""),
        )
        for row in zone["steps"]
    ]
    signed = zone["signed"]
    if signed is not None:
        word = f"Signed off by {signed['by']} on {_day(signed['at'], site)}. {signed['note']}".strip()
        end = paper.line(word)
    else:
        end = paper.line("Signed off, name and date:") + paper.blank_lines(1)
    begun = zone["begun"]
    since = paper.line(f"Begun by {begun['by']} on {_day(begun['at'], site)}.", "quiet") if begun else ""
    marks = paper.marks(zone["state"], first=zone["state"] != "signed")
    table = paper.table(("step", "at", "", "what was seen", "by"), rows)
    return paper.section(f"{zone['name']} ({zone['zone']})", marks, since, table, end)


def _day(at: str, site: Site) -> str:
    return f"{datetime.fromisoformat(at).astimezone(ZoneInfo(site.timezone)):%d %B %Y}"
