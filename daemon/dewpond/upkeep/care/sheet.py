"""The calendar of care and a guided job as pages to print."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from dewpond.upkeep import paper
from dewpond.upkeep.care import steps
from dewpond.upkeep.care.duties import SHUT_DOWN
from dewpond.upkeep.cautions import CAUTIONS, LAST_WORD

Plain = Mapping[str, Any]


def calendar_sheet(told: Plain, log: Sequence[Plain]) -> str:
    """The year's care by month, with boxes to tick and what was done. ``told`` is the calendar, ``log`` the log."""
    climate = told["climate"]
    frost = (
        f"Last frost {climate['last_frost']}, first frost {climate['first_frost']}"
        if climate["last_frost"]
        else "No frost here"
    )
    known = [one for one in told["duties"] if one["due"]]
    months = list(dict.fromkeys(one["due"][:7] for one in known))
    parts = [
        paper.line(f"{frost}: {climate['source']}.", "quiet"),
        *(_month(month, [one for one in known if one["due"][:7] == month]) for month in months),
        _sources(told["duties"]),
        _log(log),
        paper.section("Notes", paper.blank_lines(5)),
    ]
    return paper.page(f"{told['site']}: calendar of care", f"As of {told['today']}. {LAST_WORD}", parts)


def _month(month: str, duties: Sequence[Plain]) -> str:
    rows = [
        (
            "\N{BALLOT BOX}",
            one["due"],
            one["title"] + (f" ({one['state']})" if one["state"] in ("due", "overdue") else ""),
            one["place"],
            one["last"] or "-",
        )
        for one in duties
    ]
    hows = [f"{one['title']}: {one['how']}" for one in duties if one["how"]]
    name = f"{date.fromisoformat(f'{month}-01'):%B %Y}"
    return paper.section(
        name, paper.table(("", "due", "what", "where", "last"), rows), paper.bullets(list(dict.fromkeys(hows)))
    )


def _sources(duties: Sequence[Plain]) -> str:
    told = dict.fromkeys(f"{one['rule'][:1].upper()}{one['rule'][1:]}: {one['source']}." for one in duties)
    return paper.section("How the days are found", paper.bullets(list(told)))


def _log(log: Sequence[Plain]) -> str:
    rows = [
        (one["on"], one["duty"], one.get("result", "done"), one.get("tester") or one["who"], one["note"])
        for one in log[:40]
    ]
    return paper.section("Done", paper.table(("day", "what", "result", "by", "note"), rows)) if rows else ""


def job_sheet(job: str, site: Any) -> str:
    """A guided job on paper, every step with its cautions and boxes, for a hand without a phone."""
    cautions: list[str] = []
    parts = []
    for number, step in enumerate(steps.JOBS[job], 1):
        keys = steps.cautions_of(step, site.supplies)
        cautions += keys
        places = [place for one, place in steps.order(site, job, frozenset()) if one == step]
        if not places:
            continue
        parts.append(
            paper.section(
                f"{number}. {step.title}",
                "".join(paper.line(text) for text in step.how),
                paper.boxes([CAUTIONS[key].text for key in keys]),
                paper.table(("", "where", "done by, and what was seen"), [("\N{BALLOT BOX}", at, "") for at in places]),
            )
        )
    sources = [f"{CAUTIONS[key].topic}: {CAUTIONS[key].source}" for key in dict.fromkeys(cautions)]
    parts.append(paper.section("Sources of the cautions", paper.bullets(list(dict.fromkeys(sources)))))
    title = {SHUT_DOWN: "autumn shut-down and blow-out"}.get(job, job.replace("-", " "))
    return paper.page(f"{site.name}: {title}", LAST_WORD, parts)
