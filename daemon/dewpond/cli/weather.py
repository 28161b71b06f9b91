"""``dewpond eto`` and ``dewpond feed``: daily reference ET of a weather file, and what a saved weather answer says."""

from __future__ import annotations

import csv
import json
import sys
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from dewpond.adapters.weather.feeds.intervals import FeedAnswer
    from dewpond.adapters.weather.season_files import Daily, Station
    from dewpond.ports import EtoValue

FEED_KINDS = ("open-meteo", "met-norway", "csv")


class BadInputError(click.ClickException):
    """Raised when what the person gave cannot be used: one line on stderr, exit 2."""

    exit_code = 2

    def show(self, file: IO[Any] | None = None) -> None:
        """The message as a single line."""
        click.echo(f"error: {' '.join(self.message.split())}", file=file or sys.stderr)


@click.command()
@click.argument("daily_csv", type=click.Path(path_type=Path))
@click.option(
    "--station", required=True, type=click.Path(path_type=Path), help="station.json with position and elevation"
)
@click.option("--out", type=click.Path(path_type=Path), help="write columns date, eto_mm, method to this CSV file")
@click.option("--json", "as_json", is_flag=True, help="print the days as JSON")
def eto(daily_csv: Path, station: Path, out: Path | None, as_json: bool) -> None:
    """Daily reference ET of a weather file by FAO-56 Penman-Monteith.

    Where wind, radiation or humidity is missing the procedures of FAO-56 chapter 3 stand in, and the method of the day
    says so; with temperatures alone Hargreaves is used.
    """
    place, daily = _read_weather(daily_csv, station)
    doubts = (*_unit_mix_ups(daily_csv, place, daily), *_refused_values(daily_csv, place, daily))
    for notice in (*place.assumed, *daily.notices, *doubts):
        click.echo(f"note: {notice}", err=True)
    values = _reference_et(place, daily)
    if out is not None:
        _write_csv(out, values)
    if as_json:
        click.echo(json.dumps([_plain(value) for value in values], indent=1))
    elif out is None:
        _print(values)
    for line in _account(values):
        click.echo(line, err=True)


@click.command()
@click.argument("kind", type=click.Choice(FEED_KINDS))
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="print everything as JSON")
@click.option("--received-at", help="when the answer came (ISO 8601); dates far from it are then rejected")
@click.option("--zone", default="UTC", show_default=True, help="csv: time zone of times without offset")
@click.option("--delimiter", default=",", show_default=True, help="csv: sign between cells")
@click.option("--decimal", default=".", show_default=True, help="csv: decimal sign")
@click.option("--header-lines", type=int, default=1, show_default=True, help="csv: lines before the first row")
@click.option("--names-row", type=int, default=1, show_default=True, help="csv: line with the column names")
@click.option("--units-row", type=int, help="csv: line with the units")
@click.option("--sentinel", "sentinels", multiple=True, help="csv: mark of a missing value (repeatable)")
@click.option("--time-column", help="csv: column of the time stamps")
@click.option("--time-format", help="csv: form of the time stamps, as %Y-%m-%d %H:%M")
@click.option("--rain-column", help="csv: column of the rain")
@click.option("--et0-column", help="csv: column of reference ET")
@click.option(
    "--stamp",
    type=click.Choice(["end", "start"]),
    default="end",
    show_default=True,
    help="csv: what a stamp marks of its interval",
)
@click.option("--step-s", type=float, help="csv: seconds that one row stands for")
def feed(
    kind: str, file: Path, as_json: bool, received_at: str | None, sentinels: tuple[str, ...], **layout: Any
) -> None:
    """What a saved weather answer says: intervals of rain, probability, reference ET."""
    from dewpond.adapters.weather.feeds.intervals import summary, within_bounds  # noqa: PLC0415 - only this command

    if sentinels:
        layout["sentinels"] = ("", *sentinels)
    answer = within_bounds(_parse(kind, file, layout), _instant(received_at))
    found = summary(answer, file.name)
    for rejected in found["rejected"]:
        click.echo(f"note: {rejected['start']}: {rejected['value']:g} rejected, {rejected['why']}", err=True)
    if as_json:
        click.echo(json.dumps(found, indent=1))
    else:
        _print_feed(found)


def _read_weather(daily_csv: Path, station: Path) -> tuple[Station, Daily]:
    from dewpond.adapters.weather.season_files import SeasonFileError, read_daily, read_station  # noqa: PLC0415

    try:
        return read_station(station), read_daily(daily_csv)
    except SeasonFileError as error:
        raise BadInputError(str(error)) from None


def _unit_mix_ups(path: Path, place: Station, daily: Daily) -> list[str]:
    """Columns that cannot be in their unit, with the remedy; their values count as missing."""
    import numpy as np  # noqa: PLC0415 - pulled in only where days are computed

    from dewpond.adapters.weather.season_files import DAY_COLUMNS  # noqa: PLC0415
    from dewpond.science.weather_guards import weather_faults  # noqa: PLC0415

    columns = {
        name: np.array([np.nan if (v := getattr(day, name)) is None else v for day in daily.days])
        for name in DAY_COLUMNS
    }
    return weather_faults(
        where=str(path),
        labels=[day.date for day in daily.days],
        latitude_deg=place.latitude_deg,
        day_of_year=np.array([day.date.timetuple().tm_yday for day in daily.days]),
        **columns,
    )


def _refused_values(path: Path, place: Station, daily: Daily) -> Sequence[str]:
    """Each day with a value that is not taken, or turned, and why."""
    from dewpond.adapters.weather.season_doubts import refused_values  # noqa: PLC0415 - pulls numpy

    return refused_values(path, daily.days, place.latitude_deg)


def _reference_et(place: Station, daily: Daily) -> Sequence[EtoValue]:
    from dewpond.adapters.weather.reference_et import PyetReferenceEt  # noqa: PLC0415 - pulls numpy

    try:
        return PyetReferenceEt().days(
            daily.days,
            latitude_deg=place.latitude_deg,
            elevation_m=place.elevation_m,
            wind_height_m=place.wind_height_m or 2.0,
        )
    except ValueError as error:
        raise BadInputError(str(error)) from None


def _parse(kind: str, file: Path, layout: Mapping[str, Any]) -> FeedAnswer:
    from dewpond.adapters.weather.feeds import logger_csv, met_norway, openmeteo  # noqa: PLC0415
    from dewpond.adapters.weather.feeds.intervals import AnswerError  # noqa: PLC0415

    parsers: dict[str, Callable[[str], FeedAnswer]] = {
        "open-meteo": lambda text: openmeteo.parse(json.loads(text)),
        "met-norway": lambda text: met_norway.parse(json.loads(text)),
        "csv": lambda text: logger_csv.parse(text, logger_csv.Layout(**layout)),
    }
    try:
        return parsers[kind](file.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise BadInputError(f"{file}: cannot be read ({error.strerror}); check the path and its rights") from None
    except AnswerError as error:
        raise BadInputError(f"{file}: {error}") from None
    except ValueError as error:
        raise BadInputError(f"{file}: not the form of {kind} ({error}); save the answer unchanged") from None


def _instant(text: str | None) -> datetime | None:
    if text is None:
        return None
    try:
        read = datetime.fromisoformat(text)
    except ValueError:
        read = None
    if read is None or read.tzinfo is None:
        raise BadInputError(f"--received-at {text!r}: not a time with offset; write 2027-05-14T06:00:00Z")
    return read


def _write_csv(out: Path, values: Sequence[EtoValue]) -> None:
    try:
        with out.open("w", encoding="utf-8", newline="") as file:
            _rows_to(file, values)
    except OSError as error:
        raise BadInputError(f"{out}: cannot be written ({error.strerror}); name a file in a writable folder") from None


def _rows_to(file: IO[str], values: Sequence[EtoValue]) -> None:
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(("date", "eto_mm", "method"))
    writer.writerows((value.date.isoformat(), _mm(value.eto_mm), value.method) for value in values)


def _mm(value: float | None) -> str:
    return "" if value is None else f"{value:.3f}"


def _plain(value: EtoValue) -> dict[str, Any]:
    return {
        "date": value.date.isoformat(),
        "eto_mm": None if value.eto_mm is None else round(value.eto_mm, 4),
        "method": value.method,
        "sd_mm": value.sd_mm,
    }


def _print(values: Sequence[EtoValue]) -> None:
    """A table for people; the plain CSV where the output goes on to a program."""
    if not sys.stdout.isatty():
        _rows_to(sys.stdout, values)
        return
    rows = [(v.date.isoformat(), "" if v.eto_mm is None else f"{v.eto_mm:.2f}", v.method) for v in values]
    _table(("date", "ETo mm", "method"), rows)


def _table(columns: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    from rich.console import Console  # noqa: PLC0415 - only where a table is shown
    from rich.table import Table  # noqa: PLC0415

    table = Table(*columns)
    for row in rows:
        table.add_row(*row)
    Console().print(table)


def _account(values: Sequence[EtoValue]) -> list[str]:
    """How many days, their sum, and by which methods."""
    known = [value.eto_mm for value in values if value.eto_mm is not None]
    counts: dict[str, int] = {}
    for value in values:
        method = value.method.partition(";")[0]
        counts[method] = counts.get(method, 0) + 1
    lines = [f"{len(known)} of {len(values)} days, {sum(known):.1f} mm"]
    return lines + [f"  {count} days: {method}" for method, count in sorted(counts.items(), key=lambda c: -c[1])]


def _print_feed(found: Mapping[str, Any]) -> None:
    click.echo(f"{found['feed']}: {found['semantics']}")
    click.echo(f"covers {found['covered_from']} to {found['covered_to']}")
    rows = [
        (r["start"], r["end"], f"{r['rain_mm']:.2f}", "" if r["probability"] is None else f"{r['probability']:g}")
        for r in found["rain_intervals_utc"]
    ]
    _table(("from (UTC)", "to (UTC)", "rain mm", "probability %"), rows)
    click.echo(f"rain {found['rain_total_mm']:g} mm, not known for {found['rain_missing_hours']} intervals")
    if found["has_et0"] and "et0_total_mm_of_known_hours" in found:
        total, missing = found["et0_total_mm_of_known_hours"], found["et0_missing_hours"]
        click.echo(f"reference ET {total:g} mm, not known for {missing} intervals")
