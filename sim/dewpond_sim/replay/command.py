"""``dewpond replay``: a recorded season through the daemon's own decisions, into four files."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

import click

BAD_INPUT, ALARMS = 2, 1
day = click.DateTime(formats=["%Y-%m-%d"])


class OutRefused(ValueError):
    """Raised when the results have no place."""


@click.command()
@click.argument("season", type=click.Path(path_type=Path))
@click.option("--site", "site_path", required=True, type=click.Path(path_type=Path, dir_okay=False))
@click.option("--from", "first", type=day, help="First date, in site time; the season's first by default.")
@click.option("--to", "last", type=day, help="Last date, included; the last by default.")
@click.option(
    "--rule",
    help="Rule for every zone instead of the site's own: lookahead, refill, calendar, or an installed plug-in's name.",
)
@click.option("--seed", type=click.IntRange(min=0), default=0, show_default=True, help="Seed of the simulated world.")
@click.option(
    "--forecast",
    type=click.Choice(["season", "synthetic", "none"]),
    default="season",
    show_default=True,
    help="The season's own forecast.csv, one made from its true weather with usual errors, or none.",
)
@click.option(
    "--faults",
    help="What goes wrong: a TOML file, or words such as 'probe-bed drifts -0.0007 from 2013-05-20; gauge never-tips'.",
)
@click.option("--out", required=True, type=click.Path(path_type=Path, file_okay=False), help="Folder for the results.")
@click.option("--json", "as_json", is_flag=True, help="Print the summary as JSON.")
def replay(
    season: Path,
    site_path: Path,
    first: datetime | None,
    last: datetime | None,
    rule: str | None,
    seed: int,
    forecast: str,
    faults: str | None,
    out: Path,
    as_json: bool,
) -> None:
    """Replay the season folder SEASON for a site: same brain, loop, timers and sequencing as the daemon.

    Writes runs.csv, days.csv, alarms.csv and summary.json into --out. Exits with 1 only if alarms.csv has rows.
    """
    from dewpond.adapters.weather.season_files import SeasonFileError, read_season  # noqa: PLC0415
    from dewpond.settings.problems import SiteRefused  # noqa: PLC0415
    from dewpond.settings.site_file import require_site  # noqa: PLC0415
    from dewpond_sim.faults import Faults, FaultsRefused, in_words, read_faults  # noqa: PLC0415
    from dewpond_sim.replay import run  # noqa: PLC0415
    from dewpond_sim.replay.results import write_results  # noqa: PLC0415
    from dewpond_sim.replay.world_ports import strangers  # noqa: PLC0415

    try:
        site, recorded = require_site(site_path), read_season(season)
        for notice in recorded.notices:
            click.echo(notice, err=True)
        unmeasured = sum(day.rain_mm is None for day in recorded.days)
        if unmeasured:
            click.echo(f"rain: {unmeasured} days of the season were not measured and count as none", err=True)
        for name, count in strangers(site, recorded.readings).items():
            click.echo(
                f"{season / 'readings.csv'}: {site_path.name} has no sensor {name}, so its {count} readings are "
                "left out; correct the name or describe it in a [[sensor]]",
                err=True,
            )
        wrong = Faults() if faults is None else read_faults(faults, site, seed)
        for line in in_words(wrong):
            click.echo(f"fault: {line}", err=True)
        with _results_folder(out):
            done = run.replay(
                site,
                recorded,
                first=first.date() if first else None,
                last=last.date() if last else None,
                rule=rule,
                seed=seed,
                forecast=forecast,
                truth=wrong.truth,
                sensor_faults=wrong.sensors,
                rain_feed=wrong.rain_feed,
            )
            for doubt in done.summary["sensor_doubts"]:
                click.echo(f"{doubt['time_utc']} {doubt['detail']}", err=True)
            with _writing(out):
                write_results(out, done.records, done.summary)
    except (SiteRefused, SeasonFileError, run.ReplayRefused, FaultsRefused, OutRefused, OSError) as refused:
        click.echo(str(refused), err=True)
        sys.exit(BAD_INPUT)
    if as_json:
        click.echo(json.dumps(done.summary, indent=2))
    else:
        _show(done.summary, out)
    sys.exit(ALARMS if done.records.alarms else 0)


@contextmanager
def _results_folder(out: Path) -> Iterator[None]:
    """Have the folder of the results before the work, which would be lost; a refusal leaves no empty one behind."""
    made = not out.exists()
    with _writing(out):
        out.mkdir(parents=True, exist_ok=True)
    try:
        yield
    except BaseException:
        if made and not any(out.iterdir()):
            out.rmdir()
        raise


@contextmanager
def _writing(out: Path) -> Iterator[None]:
    """Raises OutRefused where the folder of the results cannot be made or written to."""
    try:
        yield
    except OSError as fault:
        raise OutRefused(
            f"--out {out}: cannot be made or written ({fault.strerror or fault}); name a folder in a place "
            "that you may write to"
        ) from fault


def _show(summary: Mapping[str, Any], out: Path) -> None:
    from rich.console import Console  # noqa: PLC0415
    from rich.table import Table  # noqa: PLC0415

    console = Console()
    span = f"{summary['from']} to {summary['to']}"
    console.print(f"{summary['site']}, weather of {summary['season']}, {span}", style="bold")
    table = Table(box=None, pad_edge=False)
    titles = ("zone", "ETc mm", "rain used mm", "net mm", "runoff mm", "drained mm", "stress days", "openings", "m3")
    for title in titles:
        table.add_column(title, justify="left" if title == "zone" else "right")
    for zone, totals in summary["zones"].items():
        amounts = ("etc_mm", "effective_rain_mm", "net_irrigation_mm", "runoff_mm", "drainage_mm")
        cells = [f"{totals[name]:.0f}" for name in amounts]
        counts = (str(totals["stress_days"]), str(totals["openings"]))
        table.add_row(zone, *cells, *counts, f"{totals['litres'] / 1000:.1f}")
    console.print(table)
    console.print(f"forecast: {summary['forecast']}")
    console.print(f"{summary['elapsed_s']:.1f} s, {summary['flow_readings']} flow readings; files in {out}")
