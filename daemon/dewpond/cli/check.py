"""``dewpond check SITE``: every error and design finding of a site file, before anything is opened."""

from __future__ import annotations

import json
from collections.abc import Sequence
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING

import click
from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from dewpond.settings.problems import Problem
from dewpond.settings.site_file import LoadedSite, load_site

if TYPE_CHECKING:
    from dewpond.upkeep.design import Finding

BAD_INPUT = 2
WIDTH = 80
MOST_NAMED = 6  # further zones with a design finding of one kind


@click.command()
@click.argument("site", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print errors and findings as JSON.")
@click.pass_context
def check(context: click.Context, site: Path, *, as_json: bool) -> None:
    """Check the site file SITE.

    Errors keep the site from running and end with exit code 2. Findings are worth knowing; the site runs all the same,
    and the exit code is 0.
    """
    loaded = load_site(site, look_at_relays=True)
    if as_json:
        click.echo(json.dumps(as_plain(site, loaded), indent=2, ensure_ascii=False))
    else:
        show(site.name, loaded, Console(width=WIDTH, highlight=False))
    context.exit(BAD_INPUT if loaded.errors else 0)


def as_plain(site: Path, loaded: LoadedSite) -> dict[str, object]:
    """The result as JSON-ready data."""
    return {
        "site": str(site),
        "errors": [problem.as_plain() for problem in loaded.errors],
        "findings": [problem.as_plain() for problem in loaded.findings],
        "design": [finding.as_plain() for finding in _design(loaded)],
    }


def _design(loaded: LoadedSite) -> tuple[Finding, ...]:
    """What the design review adds; nothing while the file has errors."""
    if loaded.site is None:
        return ()
    from dewpond.upkeep.design import for_check  # noqa: PLC0415 - a site with errors needs no review

    return for_check(loaded.site)


def show(file: str, loaded: LoadedSite, console: Console) -> None:
    """The result for people: errors first, each group under its table."""
    if len(loaded.errors) == 1 and not loaded.errors[0].table:
        console.print(loaded.errors[0].sentence(), style="bold red", markup=False, soft_wrap=True)
    elif loaded.errors:
        console.print(
            f"{file}: {_counted(loaded.errors, 'error')}, the site cannot run", style="bold red", markup=False
        )
        _show_groups(loaded.errors, console)
    if loaded.findings:
        console.print(f"{file}: {_counted(loaded.findings, 'finding')} worth knowing", style="bold", markup=False)
        _show_groups(loaded.findings, console)
    _show_design(file, _design(loaded), console)
    if loaded.site is not None:
        zones, supplies = _counted(loaded.site.zones, "zone"), len(loaded.site.supplies)
        on = f"{zones} on {supplies} {'supply' if supplies == 1 else 'supplies'}"
        console.print(f"{file}: {loaded.site.name}, {on}, no errors", markup=False)


def _counted(items: Sequence[object], noun: str) -> str:
    return f"{len(items)} {noun}{'' if len(items) == 1 else 's'}"


def _show_design(file: str, found: Sequence[Finding], console: Console) -> None:
    """One line for each kind of design finding, with an example; the review itself tells all of them."""
    by_code: dict[str, list[Finding]] = {}
    for finding in found:
        by_code.setdefault(finding.code, []).append(finding)
    if not by_code:
        return
    console.print(f"{file}: {_counted(found, 'finding')} of the design review", style="bold", markup=False)
    for alike in by_code.values():
        first, more = alike[0], [each.id for each in alike[1 : MOST_NAMED + 1]]
        beyond = len(alike) - 1 - len(more)
        also = f"; also {', '.join(more)}{f' and {beyond} more' if beyond else ''}" if more else ""
        limit = f"; {first.limit_said}" if first.limit_said else ""
        body = Text.assemble((f"{first.id or first.table}: ", "bold"), f"{first.what}{limit}{also}")
        console.print(Padding(body, (0, 0, 0, 2), expand=False))
    console.print(f"  Limits, sources and remedies: dewpond design {file}", markup=False)
    console.print()


def _show_groups(problems: Sequence[Problem], console: Console) -> None:
    for table, group in groupby(problems, key=lambda problem: problem.table):
        if table:
            console.print(f"  {table}", markup=False)
        for problem in group:
            console.print(Padding(_row(problem), (0, 0, 0, 4), expand=False))
    console.print()


def _row(problem: Problem) -> Text:
    line = f"line {problem.line}" if problem.line is not None else ""
    place = ", ".join(part for part in (line, problem.key) if part)
    return Text.assemble((f"{place}: " if place else "", "bold"), problem.said)
