"""A walk as a person reads it at the terminal."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import click

from dewpond.cli.upkeep_desk import AtDesk, Plain
from dewpond.model.us_units import shown

# What to type at the steps that want more than a finding.
_TO_REPORT = {
    "leak-test": "dewpond walk leak-test SUPPLY, or by the dial: dewpond walk note --litres N --minutes M",
    "repair": "Mended: dewpond walk note --note WHAT    else: dewpond walk leave-out ZONE repair --why WHY",
    "run": "dewpond walk run ZONE, or by hand: dewpond walk note --flow F --pressure P --at-head --waters WHAT",
}
_TO_SAY = "All right: dewpond walk note    else: dewpond walk note --found FAULT@SPOT"


def _units(at: AtDesk, text: str) -> str:
    return shown(text, at.site.units)


def show_look(at: AtDesk, told: Plain) -> None:
    body = told["look"]
    click.echo(f"{body['place']}, {body['step']}: {body['result']}")
    for sentence in body["sentences"]:
        click.echo(f"  {_units(at, sentence)}")
    for task in told["tasks"]:
        if task["task"] in told["touched"]:
            _show_task(at, task)


def _show_task(at: AtDesk, task: Plain) -> None:
    click.echo(f"  task {task['task']} ({task['urgency']}, {task['state']}): {task['words']}")
    for cause in task["causes"]:
        because = f" - because {'; '.join(cause['because'])}" if cause["because"] else ""
        click.echo(_units(at, f"      {cause['text']}: {cause['remedy']}{because}"))
    for caution in task["cautions"]:
        click.echo(f"      ! {caution['text']}")


def show_next(told: Plain) -> None:
    due = told["next"]
    if due is None:
        click.echo("This walk has ended." if told["ended"] else "All is looked at. End it: dewpond walk end")
        return
    left = told["outstanding_count"]
    click.echo(f"Next ({due['letter']}) {due['title']}: {due['name']} [{due['place']} {due['step']}], {left} to go")
    for line in due["how"]:
        click.echo(f"  {line}")
    ticked = [caution["key"] for caution in due["cautions"] if caution["ticked"]]
    if ticked:
        click.echo(f"  [x] {', '.join(ticked)}")
    for caution in due["cautions"]:
        if not caution["ticked"]:
            click.echo(f"  [ ] {caution['key']}: {caution['text']}")
    open_yet = [caution["key"] for caution in due["cautions"] if not caution["ticked"]]
    if open_yet:
        click.echo(f"  {told['last_word']} When read: dewpond walk tick {' '.join(open_yet)}")
    if due["faults"]:
        click.echo(f"  May be found: {', '.join(fault['fault'] for fault in due['faults'])}")
    click.echo(f"  {_TO_REPORT.get(due['step'], _TO_SAY)}")


def show_walk(at: AtDesk, told: Plain) -> None:
    zone = ZoneInfo(at.site.timezone)
    began = datetime.fromisoformat(told["began"]).astimezone(zone)
    click.echo(f"Walk {told['walk']} of {told['site']}, begun {began:%Y-%m-%d %H:%M} by {told['by']}")
    if told["note"]:
        click.echo(f"  {told['note']}")
    for look in told["looks"]:
        found = "; ".join(one["words"] for one in look["findings"]) or look["why"] or look["waters"] or look["note"]
        text = f"  ({look['letter']}) {look['place']} {look['step']}: {look['result']}{f', {found}' if found else ''}"
        click.echo(_units(at, f"{text} (version {look['version']}, {look['who']})"))
        for sentence in look["sentences"]:
            click.echo(_units(at, f"      {sentence}"))
    click.echo(f"{len(told['tasks'])} tasks")
    for task in told["tasks"]:
        _show_task(at, task)
    if told["compared"] is not None:
        _show_compared(at, told["compared"])
    if told["outstanding_count"]:
        click.echo(f"{told['outstanding_count']} steps were not looked at")


def _show_compared(at: AtDesk, told: Plain) -> None:
    click.echo(f"Since the walk {told['walk']}")
    titles = {"new": "new", "still": "still there", "gone": "gone", "not_looked_at": "not looked at again"}
    for name, title in titles.items():
        for one in told[name]:
            click.echo(f"  {title}: {one['words']}")
    for row in told["flows"]:
        change = "" if row["change_pct"] is None else f" ({row['change_pct']:+.0f} %)"
        click.echo(
            _units(at, f"  {row['zone']}: {row['then_l_min']:.1f} L/min then, {row['now_l_min']:.1f} L/min now{change}")
        )
