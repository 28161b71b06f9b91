"""``dewpond tasks``: what came of findings, and what became of it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from dewpond.cli.answers import json_option, print_json, site_option
from dewpond.cli.upkeep_desk import at_desk, who_option
from dewpond.model.us_units import shown


@click.command()
@click.argument("task", required=False)
@click.option("--take", is_flag=True, help="You take TASK in hand.")
@click.option("--done", help="TASK is done: say what was done. The next walk proves it.")
@click.option("--leave", help="TASK is left as it is: say why.")
@click.option("--reopen", help="TASK is to be done after all: say why.")
@click.option("--version", type=int, help="The version you saw; without it, the newest.")
@click.option("--all", "all_of_them", is_flag=True, help="Also those that are done, proved, left or withdrawn.")
@who_option
@site_option
@json_option
def tasks(
    task: str | None,
    take: bool,
    done: str | None,
    leave: str | None,
    reopen: str | None,
    version: int | None,
    all_of_them: bool,
    who: str,
    site: Path | None,
    as_json: bool,
) -> None:
    """The tasks that stand, most urgent first; or what becomes of TASK."""
    wishes = {"in hand": "" if take else None, "done": done, "left": leave, "open": reopen}
    wanted = {state: why for state, why in wishes.items() if why is not None}
    if len(wanted) > 1 or (wanted and task is None):
        raise click.UsageError("name one TASK, and one of --take, --done, --leave and --reopen")
    at = at_desk(site, who)
    if wanted:
        ((state, why),) = wanted.items()
        told = at.do("task-move", task=task, state=state, why=why, version=version)
        print_json(told) if as_json else _show(told, at.site.units, whole=True)
        return
    found = at.do("tasks", all=all_of_them or task is not None)["tasks"]
    chosen = [one for one in found if task is None or one["task"].startswith(task)]
    if as_json:
        print_json({"tasks": chosen})
        return
    for one in chosen:
        _show(one, at.site.units, whole=task is not None)
    if not chosen:
        click.echo(f"No task {task!r} here." if task else "Nothing is to be done.")


def _show(task: dict[str, Any], units: str, *, whole: bool) -> None:
    click.echo(shown(f"{task['task']}  {task['urgency']}, {task['state']}: {task['words']}", units))
    cause = task["causes"][0]
    if not whole:
        click.echo(f"    likely {cause['text']}: {cause['remedy']}")
        return
    for cause in task["causes"]:
        because = f" - because {'; '.join(cause['because'])}" if cause["because"] else ""
        click.echo(f"    {cause['text']}: {cause['remedy']}{because}")
    for caution in task["cautions"]:
        click.echo(f"    ! {caution['text']}")
    if task["cautions"]:
        click.echo(f"    {task['last_word']}")
    for one in task["seen"]:
        click.echo(f"    seen on the walk {one['walk']} by {one['who']}")
    for one in task["history"]:
        click.echo(f"    {one['state']}, {one['who']}{': ' + one['why'] if one['why'] else ''} ({one['at'][:10]})")
    click.echo(f"    source: {task['source']}")
