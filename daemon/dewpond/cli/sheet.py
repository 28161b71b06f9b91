"""``dewpond sheet SITE``: minutes and interval of every zone by month, to set a plain timer by hand."""

from __future__ import annotations

import calendar
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from dewpond.cli.answers import fail, json_option, print_json, service_of

if TYPE_CHECKING:
    from dewpond.model.site import Site
    from dewpond.upkeep.month_sheet import MonthRow, MonthWeather, TimerSetting, ZoneSheet

WIDTH = 80
MM_PER_IN, L_PER_GAL, L_PER_M3 = 25.4, 3.785411784, 1000.0
CAUTION = (
    "A plain timer knows neither rain nor heat: look at the plants, change the minutes, turn it off in rain. "
    "Local watering rules win over this sheet."
)


@click.command()
@click.argument("site", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--season", type=click.Path(path_type=Path), help="Season folder whose mean months are used.")
@json_option
def sheet(site: Path, season: Path | None, as_json: bool) -> None:
    """Minutes for each watering and days between two, by zone and month, for a plain timer.

    From the mean months of --season, else of what was measured at SITE, else of assumed mild days; it says which.
    """
    from dewpond.settings.problems import SiteRefused  # noqa: PLC0415
    from dewpond.settings.site_file import require_site  # noqa: PLC0415
    from dewpond.upkeep.month_sheet import month_sheet  # noqa: PLC0415

    try:
        ground = require_site(site)
    except SiteRefused as refused:
        fail(str(refused))
    months = _of_season(ground, season) if season is not None else _of_record(ground, site)
    zones = month_sheet(ground, months)
    if as_json:
        body = {"site": ground.name, "weather": [asdict(month) for month in months]}
        print_json({**body, "zones": [asdict(zone) for zone in zones]})
    else:
        _show(ground, months, zones)


def _of_season(site: Site, folder: Path) -> list[MonthWeather]:
    import numpy as np  # noqa: PLC0415

    from dewpond.adapters.weather.reference_et import PyetReferenceEt  # noqa: PLC0415
    from dewpond.adapters.weather.season_files import SeasonFileError, read_season  # noqa: PLC0415
    from dewpond.upkeep.month_sheet import month_means  # noqa: PLC0415

    try:
        season = read_season(folder)
    except (SeasonFileError, OSError) as fault:
        fail(str(fault))
    station = season.station
    eto = PyetReferenceEt().days(
        season.days,
        latitude_deg=station.latitude_deg,
        elevation_m=station.elevation_m,
        wind_height_m=station.wind_height_m or 2.0,
    )
    day = np.array([np.datetime64(value.date).astype(int) for value in eto], dtype=float)
    eto_mm = np.array([value.eto_mm for value in eto], dtype=float)
    rain_mm = np.array([value.rain_mm for value in season.days], dtype=float)
    return month_means(day, eto_mm, rain_mm, site, station.name)


def _of_record(site: Site, path: Path) -> list[MonthWeather]:
    """What the running daemon has measured; a site that never ran has an empty record."""
    from dewpond.adapters.system_clock import SystemClock  # noqa: PLC0415
    from dewpond.bootstrap import Refused, record_without_daemon  # noqa: PLC0415
    from dewpond.upkeep.month_sheet import month_means  # noqa: PLC0415

    try:
        soil = record_without_daemon(site, service_of(path), SystemClock().now())
    except Refused as refused:
        fail(str(refused))
    # A site that never heard of rain has zeros in its record, which are no measurement.
    rain_mm = soil.record_rain_mm if soil.rain_days else soil.record_rain_mm * float("nan")
    return month_means(soil.record_day, soil.record_eto_mm, rain_mm, site, "this site's own record")


def _show(site: Site, months: list[MonthWeather], zones: list[ZoneSheet]) -> None:
    from rich.console import Console  # noqa: PLC0415

    console = Console(width=WIDTH, highlight=False)
    console.print(f"{site.name}: minutes and interval for a plain timer", style="bold", markup=False)
    rain = any(month.rain_mm_d is not None for month in months)
    for source in dict.fromkeys(month.source for month in months if month.source.startswith("assumed")):
        names = [calendar.month_abbr[month.month] for month in months if month.source == source]
        console.print(f"{', '.join(names)} {source}.", markup=False)
    measured = [month for month in months if not month.source.startswith("assumed")]
    if measured:
        record = measured[0].source.split(" days of ")[-1]
        console.print(f"Weather: mean months of {record}, {_of_months(measured)}.", markup=False)
    for zone in zones:
        console.print()
        console.print(zone.name, style="bold", markup=False)
        console.print(_table(zone, rain=rain, us=site.units == "us"))
        for note in zone.notes:
            console.print(note, markup=False)
    console.print()
    console.print(
        "* the month of highest use. 3 x 8/32: three openings of 8 min, 32 min of rest between.", markup=False
    )
    if rain:
        console.print("With average rain: less 80 % of the month's mean rain.", markup=False)
    console.print(CAUTION, markup=False)


def _of_months(months: list[MonthWeather]) -> str:
    return "all twelve" if len(months) == 12 else ", ".join(calendar.month_abbr[month.month] for month in months)


def _table(zone: ZoneSheet, *, rain: bool, us: bool) -> Any:
    from rich.table import Table  # noqa: PLC0415

    depth, volume = ("in/d", "gal") if us else ("mm/d", "m3")
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column("month")
    for title in (f"use {depth}", "every", "min", "h", volume):
        table.add_column(title, justify="right")
    if rain:
        for title in ("with rain: every", "min", volume):
            table.add_column(title, justify="right")
    for row in zone.rows:
        table.add_row(*_cells(row, rain=rain, us=us))
    return table


def _cells(row: MonthRow, *, rain: bool, us: bool) -> list[str]:
    name = calendar.month_abbr[row.month] + (" *" if row.peak else "")
    use = f"{row.etc_mm_d / MM_PER_IN:.2f}" if us else f"{row.etc_mm_d:.1f}"
    plain = row.before_rain
    cells = [name, use, _every(plain), _minutes(plain), f"{plain.total_min / 60:.1f}", _volume(plain, us=us)]
    if rain and row.with_rain is None:
        return [*cells, "not known", "", ""]
    if rain and row.with_rain is not None:
        cells += [_every(row.with_rain), _minutes(row.with_rain), _volume(row.with_rain, us=us)]
    return cells


def _every(setting: TimerSetting) -> str:
    return f"{setting.interval_days} d" if setting.interval_days else "-"


def _minutes(setting: TimerSetting) -> str:
    if not setting.interval_days:
        return "none"
    if setting.openings == 1:
        return str(setting.minutes)
    return f"{setting.openings} x {setting.minutes}/{setting.rest_min}"


def _volume(setting: TimerSetting, *, us: bool) -> str:
    return f"{setting.total_l / L_PER_GAL:.0f}" if us else f"{setting.total_l / L_PER_M3:.1f}"
