"""The handover as a page to print and sign."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from dewpond.model.site import Site
from dewpond.model.us_units import shown
from dewpond.upkeep import paper

Plain = Mapping[str, Any]
LISTS = (
    ("alarms", "Alarms that are open", "No alarm is open."),
    ("unproved", "Zones that are not proved", "Every zone that was begun is signed off."),
    ("holds", "Holds", "Nothing is held."),
    ("locks", "Locks", "Nothing is locked."),
    ("exemptions", "Exemptions and stages", "No exemption is recorded."),
    ("changed", "Values that were changed", "No value was changed since."),
    ("technician", "From the last technician's check", "Nothing stands from a technician's check."),
)
FROM_DAEMON = ("alarms", "holds", "locks", "exemptions")


def handover_sheet(told: Plain, site: Site, day: str) -> str:
    """The page of ``handover-show``; ``day`` is when it is printed."""
    last = told["last"]
    under = f"{told['site']}, printed {day}."
    if last is not None:
        at = datetime.fromisoformat(last["at"]).astimezone(ZoneInfo(site.timezone))
        under += f" Last handed over on {at:%d %B %Y} by {last['by']} to {last['to']}."
    parts = [paper.boxes([*told["not_known"], *told["emergency"]]), _tasks(told["tasks"], site)]
    parts += [
        paper.section(title, _sentences(told[name], none, site))
        for name, title, none in LISTS
        if name not in FROM_DAEMON or not told["not_known"]
    ]
    return paper.page("Handover sheet", under, [*parts, _signatures(last)])


def _sentences(texts: Sequence[str], none: str, site: Site) -> str:
    return paper.bullets([shown(f"{text.rstrip('.')}.", site.units) for text in texts]) or paper.line(none, "quiet")


def _tasks(tasks: Sequence[Plain], site: Site) -> str:
    names = {zone.id: zone.name for zone in site.zones} | {one.id: f"Supply {one.id}" for one in site.supplies}
    rows = [
        (
            task["urgency"],
            names.get(task["place"], "Timer and program"),
            shown(task["words"], site.units),
            task["state"],
        )
        for task in tasks
    ]
    body = paper.table(("urgency", "place", "what", "state"), rows) or paper.line("No task is open.", "quiet")
    return paper.section("Open tasks", body)


def _signatures(last: Plain | None) -> str:
    note = paper.line(last["note"]) if last is not None and last["note"] else ""
    lines = "".join(paper.line(f"{text}, name and date:") + paper.blank_lines(1) for text in ("Given", "Taken"))
    return paper.section("Handed over", note, lines)
