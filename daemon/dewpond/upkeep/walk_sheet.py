"""A walk-round as a page to print: tasks by urgency first, then what changed, then everything that was looked at."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from dewpond.model.site import Site
from dewpond.model.us_units import shown
from dewpond.upkeep import paper
from dewpond.upkeep.fault import URGENCIES
from dewpond.upkeep.tasks import STANDING
from dewpond.upkeep.walk_steps import STEPS

Plain = Mapping[str, Any]
COLUMNS = ("valves-dry", "by-hand", "repair", "run", "ground", "heads")


def walk_sheet(told: Plain, site: Site) -> str:
    """The page of a walk as ``walk-show`` tells it."""
    zone = ZoneInfo(site.timezone)
    began = datetime.fromisoformat(told["began"]).astimezone(zone)
    state = "ended" if told["ended"] else f"still on, {told['outstanding_count']} steps to look at"
    under = f"{told['site']}, begun {began:%d %B %Y %H:%M} by {told['by']}; {state}."
    names = {item.id: item.name for item in site.zones} | {item.id: f"Supply {item.id}" for item in site.supplies}
    parts = [
        _summary(told),
        *_tasks(told, names, site),
        _compared(told, site),
        _overview(told, names),
        _seen(told, names, site),
    ]
    return paper.page(f"Walk-round inspection {told['walk']}", under, parts)


def _summary(told: Plain) -> str:
    text = f"{told['looked_at']} steps looked at, {told['left_out']} left out, {told['findings']} findings."
    return paper.line(text) + paper.line(told["note"])


def _tasks(told: Plain, names: Mapping[str, str], site: Site) -> list[str]:
    parts = []
    standing = [task for task in told["tasks"] if task["state"] in STANDING]
    for urgency in URGENCIES:
        mine = [task for task in standing if task["urgency"] == urgency]
        if mine:
            heading = f"{urgency[:1].upper()}{urgency[1:]}"
            parts.append(paper.section(heading, *(_task(task, names, site) for task in mine)))
    cautions = {caution["key"]: caution["text"] for task in standing for caution in task["cautions"]}
    if cautions:
        parts.append(
            paper.section("Before any of it", paper.boxes([*cautions.values()]), paper.line(told["last_word"], "quiet"))
        )
    settled = [task for task in told["tasks"] if task["state"] not in STANDING]
    if settled:
        rows = [(task["state"], _place(task, names, site), _last_word(task)) for task in settled]
        parts.append(paper.section("Seen to already", paper.table(("", "what", ""), rows)))
    return parts or [paper.line("Nothing was found wrong.")]


def _place(task: Plain, names: Mapping[str, str], site: Site) -> str:
    return shown(f"{names.get(task['place'], 'Timer and program')}: {task['words']}", site.units)


def _last_word(task: Plain) -> str:
    return f"{task['history'][-1]['who']}: {task['history'][-1]['why']}" if task["history"] else ""


def _task(task: Plain, names: Mapping[str, str], site: Site) -> str:
    causes = [
        shown(f"{one['text'][:1].upper()}{one['text'][1:]}: {one['remedy']}.{_because(one)}", site.units)
        for one in task["causes"]
    ]
    seen = f"seen on {len(task['seen'])} walks" if len(task["seen"]) > 1 else ""
    words = paper.marks(task["state"], seen, first=True)
    return paper.section(_place(task, names, site), words, paper.bullets(causes), level=3)


def _because(cause: Plain) -> str:
    return f" Likely, since {' and '.join(cause['because'])}." if cause["because"] else ""


def _compared(told: Plain, site: Site) -> str:
    compared = told["compared"]
    if compared is None:
        return ""
    titles = {"new": "New", "still": "Still there", "gone": "Gone", "not_looked_at": "Not looked at again"}
    rows = [(title, one["words"]) for name, title in titles.items() for one in compared[name]]
    flows = [
        (
            row["zone"],
            shown(f"{row['then_l_min']:.1f} L/min", site.units),
            shown(f"{row['now_l_min']:.1f} L/min", site.units),
            "" if row["change_pct"] is None else f"{row['change_pct']:+.0f} %",
        )
        for row in compared["flows"]
    ]
    return paper.section(
        f"Since the walk {compared['walk']}",
        paper.facts(rows) or paper.line("No finding then, none now."),
        paper.table(("zone", "flow then", "flow now", "change"), flows, figures=(1, 2, 3)),
    )


def _overview(told: Plain, names: Mapping[str, str]) -> str:
    """Every zone and step, with what came of it in a word."""
    results = {(look["place"], look["step"]): look for look in told["looks"]}
    rows = [(names.get(zone, zone), *(_word(results.get((zone, step))) for step in COLUMNS)) for zone in told["zones"]]
    head = ("zone", *(f"({STEPS[step].letter}) {step.replace('-', ' ')}" for step in COLUMNS))
    return paper.section("What was looked at", paper.table(head, rows))


def _word(look: Plain | None) -> str:
    if look is None:
        return "-"
    return f"{len(look['findings'])} found" if look["findings"] else str(look["result"])


def _seen(told: Plain, names: Mapping[str, str], site: Site) -> str:
    """The steps of which more is to be told than that all was right."""
    rows = [
        (
            f"({look['letter']})",
            names.get(look["place"], "Timer and program"),
            shown(_said(look), site.units),
            look["who"],
        )
        for look in told["looks"]
        if look["findings"] or look["note"] or look["waters"] or look["why"] or (look["seen"] or {}).get("flow_l_min")
    ]
    return paper.section("What was seen", paper.table(("", "place", "what was seen", "by"), rows))


def _said(look: Plain) -> str:
    words: Sequence[str] = [
        *(one["words"] for one in look["findings"]),
        *look["sentences"],
        f"Waters {look['waters']}." if look["waters"] else "",
        look["note"],
        f"Left out: {look['why']}" if look["why"] else "",
    ]
    return "; ".join(word.rstrip(".") for word in words if word) or "all right"
