"""A newcomer's first week on this site: a day a page part, with what to do, what to type and what to mind.

The order is common practice, no source: first how to stop the water, then to see, then to touch, then to decide.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from dewpond.model.site import Site
from dewpond.upkeep import paper
from dewpond.upkeep.cautions import LAST_WORD, cautions


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """One day: its title, what is done and what is typed for it (pairs), and the cautions that go with it."""

    title: str
    tasks: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...] = ()


def first_week(site: Site) -> list[Day]:
    """Five days, with this site's own zones, supplies, programs and dangers."""
    return [_stop(site), _see(site), _hand(site), _walk(site), _decide(site)]


def _stop(site: Site) -> Day:
    pumped = [supply.id for supply in site.supplies if supply.pump is not None]
    tasks = [
        ("Print the emergency card; go to every place on it with the person who leaves.", "dewpond handover card FILE"),
        ("Shut the main by hand, slowly, and open it again, the farthest zone open to vent.", ""),
        ("Open one zone for two minutes, then stop it from your own phone.", "dewpond stop"),
    ]
    tasks += [(f"See the pump isolator of {' and '.join(pumped)} with the electrician.", "")] if pumped else []
    keys = ("backflow-shut-off", "backflow-local", "water-hammer", "people-traffic")
    return Day(
        title="First day: how the water is stopped",
        tasks=tuple(tasks),
        cautions=(*keys, *(("pump-dry", "pump-wiring") if pumped else ()), *_reclaimed(site)),
    )


def _see(site: Site) -> Day:
    names = ", ".join(zone.name for zone in site.zones[:12]) + (" and more" if len(site.zones) > 12 else "")
    return Day(
        title="Second day: what stands in the ground",
        tasks=(
            (
                f"Walk over all {len(site.zones)} zones with the printed register: {names}.",
                "dewpond register sheet FILE",
            ),
            ("Find every valve box; write down what you find differently.", "dewpond register set"),
            ("Read why each zone gets water tonight, or none.", "dewpond plan"),
        ),
        cautions=("valve-box", "dig-locate", "dig-private"),
    )


def _hand(site: Site) -> Day:
    zone = site.zones[0]
    tasks = [
        (f"Water {zone.name} by hand for two minutes and look at every head.", f"dewpond water {zone.id} 2"),
        ("Hold the schedule until tomorrow, see it held, release it.", "dewpond hold, dewpond status, dewpond release"),
        ("Lock a zone as for a repair, see it refused, unlock it.", "dewpond lock, dewpond unlock"),
    ]
    if any(supply.meter for supply in site.supplies):
        tasks.append(("See what flow the meter shows while a zone runs.", "dewpond status"))
    return Day(
        title="Third day: by hand",
        tasks=tuple(tasks),
        cautions=("people-traffic", "heads-lift", "restrictions-win", "valve-supply-off"),
    )


def _walk(site: Site) -> Day:
    most = min(len(site.zones), 6)
    return Day(
        title="Fourth day: a walk-round",
        tasks=(
            (f"Walk round {most} zones, led step by step; interrupt it, and take it up again.", "dewpond walk begin"),
            ("Take one of the tasks in hand and finish it.", "dewpond tasks TASK --take, --done WHAT"),
            (
                "Read the findings of the last walks and of the technician's check.",
                "dewpond walk list, dewpond technician",
            ),
        ),
        cautions=("valve-snug", "valve-power-off", "lightning", *(("reclaimed-hands",) if _reclaimed(site) else ())),
    )


def _decide(site: Site) -> Day:
    rules = [rule.name for rule in site.restrictions if rule.name]
    told = f"Learn the rules of the place by heart: {', '.join(rules)}." if rules else "Ask which rules the place has."
    tasks = [
        (told, "dewpond stage, dewpond exempt"),
        ("Go through the handover sheet line by line, and sign it.", "dewpond handover sheet FILE"),
    ]
    if site.programs:
        names = ", ".join(program.name for program in site.programs)
        tasks.append((f"Say of each program what it waters, and when: {names}.", "dewpond percent"))
    tasks.append(("Say aloud what you would do when the meter shows flow at night with every valve shut.", ""))
    return Day(
        title="Fifth day: rules, programs, decisions", tasks=tuple(tasks), cautions=("restrictions-win", "broken-head")
    )


def _reclaimed(site: Site) -> tuple[str, ...]:
    """What goes with reclaimed water, where the site has it."""
    has = any(supply.source == "reclaimed" for supply in site.supplies)
    return ("reclaimed-signs", "reclaimed-apart", "reclaimed-hands") if has else ()


def first_week_sheet(site: Site, days: Sequence[Day], printed: str) -> str:
    """The week as a page with boxes to tick."""
    parts = []
    for day in days:
        rows = [(f"☐ {text}", typed) for text, typed in day.tasks]
        minds = paper.bullets([caution.text for caution in cautions(day.cautions)])
        parts.append(paper.section(day.title, paper.table(("do", "by"), rows), paper.section("Mind", minds, level=3)))
    under = (
        f"{site.name}, printed {printed}. Beside somebody who knows the site; {LAST_WORD[:1].lower()}{LAST_WORD[1:]}"
    )
    return paper.page("The first week", under, parts)
