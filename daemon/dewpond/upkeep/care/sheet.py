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

_BOX = "\N{BALLOT BOX}"


def calendar_sheet(told: Plain, log: Sequence[Plain]) -> str:
    """The year's care by month, with boxes to tick and what was done. ``told`` is the calendar, ``log`` the log."""
    climate = told["climate"]
    frost = (
        f"Last frost {climate['last_frost']}, first frost {climate['first_frost']}"
        if climate["last_frost"]
        else "No frost here"
    )
    known = [one for one in told["duties"] if one["due"]]
    parts = [
        paper.line(f"{frost}: {climate['source']}.", "quiet"),
        paper.section("What falls due", paper.table(("", "month", "due", "what", "where", "last"), _rows(known))),
        paper.section("How it is done", paper.bullets(_hows(known))),
        _sources(told["duties"]),
        _log(log),
        paper.section("Notes", paper.blank_lines(5)),
    ]
    return paper.page(f"{told['site']}: calendar of care", f"As of {told['today']}. {LAST_WORD}", parts)


def _rows(duties: Sequence[Plain]) -> list[tuple[str, ...]]:
    """A row a duty; the month stands at its first one."""
    rows: list[tuple[str, ...]] = []
    before = ""
    for one in duties:
        month = f"{date.fromisoformat(one['due']):%B %Y}"
        what = one["title"] + (f" ({one['state']})" if one["state"] in ("due", "overdue") else "")
        rows.append((_BOX, "" if month == before else month, one["due"], what, one["place"], one["last"] or "-"))
        before = month
    return rows


def _hows(duties: Sequence[Plain]) -> list[str]:
    """How each kind of thing is done, once."""
    told = {one["title"].split(",")[0]: one["how"] for one in duties if one["how"]}
    return [f"{title}: {_plain(how)}" for title, how in told.items()]


def _plain(text: str) -> str:
    """A command stands on paper without its marks."""
    return text.replace("`", "")


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
                "".join(paper.line(_plain(text)) for text in step.how),
                paper.boxes([CAUTIONS[key].text for key in keys]),
                paper.table(("", "where", "done by, and what was seen"), [(_BOX, at, "") for at in places]),
            )
        )
    sources = [f"{CAUTIONS[key].topic}: {CAUTIONS[key].source}" for key in dict.fromkeys(cautions)]
    parts.append(paper.section("Sources of the cautions", paper.bullets(list(dict.fromkeys(sources)))))
    title = {SHUT_DOWN: "autumn shut-down and blow-out"}.get(job, job.replace("-", " "))
    return paper.page(f"{site.name}: {title}", LAST_WORD, parts)
