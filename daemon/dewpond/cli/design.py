"""``dewpond design SITE``: the design review, with a plan of the heads, the hottest week, and a sketch to send on."""

from __future__ import annotations

from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING

import click

from dewpond.cli.answers import fail, json_option, print_json, service_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    import numpy as np
    from numpy.typing import NDArray
    from rich.text import Text

    from dewpond.model.site import Site
    from dewpond.upkeep.design import Finding, HotWeek, Plan, Regrouping

CAUTIONS = ("backflow-local", "dig-locate", "valve-supply-off")
HEADINGS = {
    "hazard": "Somebody or the water supply may come to harm",
    "harm": "Plants or pipes suffer",
    "waste": "Water is wasted",
    "note": "Worth knowing",
}
WIDTH = 100


@click.command()
@click.argument("site", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--heads", type=click.Path(path_type=Path, dir_okay=False), help="CSV of drawn heads, a row each.")
@click.option("--zones", type=click.Path(path_type=Path, dir_okay=False), help="CSV of drawn zones, a row each.")
@click.option("--season", type=click.Path(path_type=Path), help="Season folder whose hottest week is looked at.")
@click.option("--sketch", "sketch_svg", type=click.Path(path_type=Path, dir_okay=False), help="Write a sketch as SVG.")
@json_option
def design(
    site: Path, heads: Path | None, zones: Path | None, season: Path | None, sketch_svg: Path | None, as_json: bool
) -> None:
    """Review the pipes and heads of SITE: flow, pressure, spacing, rates, slopes, zones, hours, backflow.

    Every finding has its number, its limit and where the limit is from. The hottest week is that of --season, else of
    what was measured at SITE, else assumed. A plan has the columns zone, kind, x_m, y_m, radius_m, arc_deg,
    direction_deg, flow_l_min, rated_pressure_kpa, elevation_m, plants, sun, regulated, check_valve, as far as known
    (also _ft, _gpm, _psi).
    """
    from dewpond.settings.problems import SiteRefused  # noqa: PLC0415
    from dewpond.settings.site_file import require_site  # noqa: PLC0415
    from dewpond.upkeep.design import regroupings, review, review_shown, sketch  # noqa: PLC0415
    from dewpond.upkeep.design.plan import PlanRefused  # noqa: PLC0415

    try:
        ground = require_site(site)
        plan = _plan(heads, zones)
        week = _week(ground, site, season)
        found, regrouped = review(ground, plan=plan, week=week), regroupings(ground, plan)
        if sketch_svg is not None:
            drawn = sketch(plan or _no_plan(), found, title=ground.name, us=ground.units == "us")
            sketch_svg.write_text(drawn, encoding="utf-8")
    except (SiteRefused, PlanRefused) as refused:
        fail(str(refused))
    except OSError as fault:
        fail(f"{fault.filename}: cannot be used ({fault.strerror}); check the name and who may use it")
    if as_json:
        print_json(review_shown(ground, plan=plan, week=week))
        return
    _show(ground, week, found, regrouped)


def _no_plan() -> Plan:
    from dewpond.upkeep.design import Plan  # noqa: PLC0415

    return Plan()


def _plan(heads: Path | None, zones: Path | None) -> Plan | None:
    from dewpond.upkeep.design import Plan, read_heads, read_zones  # noqa: PLC0415

    if heads is None and zones is None:
        return None
    return Plan(
        heads=() if heads is None else read_heads(_text(heads), heads.name),
        zones=() if zones is None else read_zones(_text(zones), zones.name),
    )


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as fault:
        fail(f"{path}: byte {fault.start} is not UTF-8 text; a CSV table is text; save it as UTF-8")


def _week(site: Site, path: Path, season: Path | None) -> HotWeek:
    """The hottest week of a season folder, of the site's own record, or an assumed one."""
    from dewpond.upkeep.design import assumed_week, hottest_week  # noqa: PLC0415

    if season is not None:
        day, eto_mm, name = _of_season(season)
        found = hottest_week(day, eto_mm, name)
        if found is None:
            fail(f"{season}: no seven days on end have a reference ET; a hot week needs them; give a longer season")
        return found
    from dewpond.adapters.system_clock import SystemClock  # noqa: PLC0415
    from dewpond.bootstrap import Refused, record_without_daemon  # noqa: PLC0415

    try:
        soil = record_without_daemon(site, service_of(path), SystemClock().now())
    except Refused as refused:
        fail(str(refused))
    return hottest_week(soil.record_day, soil.record_eto_mm, "this site's own record") or assumed_week(site)


def _of_season(folder: Path) -> tuple[NDArray[np.float64], NDArray[np.float64], str]:
    """Days since 1970, their reference ET by pyet [mm/d], and the station's name."""
    import numpy as np  # noqa: PLC0415 - the review itself does without a season

    from dewpond.adapters.weather.reference_et import PyetReferenceEt  # noqa: PLC0415
    from dewpond.adapters.weather.season_files import SeasonFileError, read_season  # noqa: PLC0415

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
    return day, np.array([value.eto_mm for value in eto], dtype=float), station.name


def _show(site: Site, week: HotWeek, found: Sequence[Finding], regrouped: Sequence[Regrouping]) -> None:
    from rich.console import Console  # noqa: PLC0415
    from rich.padding import Padding  # noqa: PLC0415
    from rich.text import Text  # noqa: PLC0415

    from dewpond.upkeep.cautions import LAST_WORD, cautions  # noqa: PLC0415

    console = Console(width=WIDTH, highlight=False)
    console.print(f"{site.name}: design review, {len(found)} findings", style="bold", markup=False)
    console.print(f"Hot week: {week.eto_mm_d:.1f} mm of reference ET a day, {week.source}.", markup=False)
    sources = {source: n for n, source in enumerate(dict.fromkeys(each.source for each in found), start=1)}
    for weight, group in groupby(found, key=lambda finding: finding.weight):
        console.print()
        console.print(HEADINGS[weight], style="bold", markup=False)
        for alike in _alike(list(group)):
            for text, indent in _paragraphs(alike, sources):
                console.print(Padding(text, (0, 0, 0, indent), expand=False))
    if regrouped:
        console.print()
        console.print("Valves that would serve better", style="bold", markup=False)
        for way in regrouped:
            console.print(Padding(Text(way.sentence()), (0, 0, 0, 2), expand=False))
    console.print()
    for source, n in sources.items():
        console.print(Padding(Text(f"[{n}] {source}"), (0, 0, 0, 2), expand=False))
    console.print()
    for caution in cautions(CAUTIONS):
        console.print(f"! {caution.text} ({caution.source})", markup=False)
    console.print(f"! {LAST_WORD}", markup=False)


def _alike(found: list[Finding]) -> list[list[Finding]]:
    """Findings of one kind and limit together, in the order of the first of each."""
    groups: dict[tuple[str, str, str], list[Finding]] = {}
    for each in found:
        groups.setdefault((each.code, each.limit_said, each.source), []).append(each)
    return list(groups.values())


def _paragraphs(alike: list[Finding], sources: Mapping[str, int]) -> Iterator[tuple[Text, int]]:
    """What is seen place by place, then the limit and the remedy they share, with how far each is set in."""
    from rich.text import Text  # noqa: PLC0415

    first = alike[0]
    shared = all(each.remedy == first.remedy for each in alike)
    for each in alike:
        said = each.what if shared else f"{each.what}; {each.remedy}"
        yield Text.assemble((f"{each.id or each.table}: ", "bold"), said), 2
    parts = [f"{first.limit_said} [{sources[first.source]}]".strip(), first.remedy if shared else ""]
    yield Text("; ".join(part for part in parts if part), style="dim"), 6
