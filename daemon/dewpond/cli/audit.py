"""``dewpond audit``: set out cups, run the zone for them, judge what they held, and agree to the numbers they give."""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import click

from dewpond.cli.answers import fail, json_option, print_json
from dewpond.cli.audit_run import run_for_cups
from dewpond.settings.quantities import LENGTH_MM, QuantityError, number_and_unit

if TYPE_CHECKING:
    from dewpond.model.site import Site, Zone
    from dewpond.upkeep.cups import Audit, CupTest, DripAudit, Effect, Outline

site_argument = click.argument("site", type=click.Path(path_type=Path, dir_okay=False))
zone_argument = click.argument("zone")
cups_argument = click.argument("cups_csv", type=click.Path(path_type=Path, dir_okay=False))
UNITS = click.Choice(["mL", "mm", "in", "mm/h", "in/h"])


@click.group()
def audit() -> None:
    """Audits on the ground: cups under sprinklers, timed catch under drip.

    First `plan`, then `run` and read the cups, then `cups` to judge them, and `accept` when you agree. `drip` judges
    emitters.
    """


audit.add_command(run_for_cups)


@audit.command("plan")
@site_argument
@zone_argument
@click.option("--shape", type=click.Path(path_type=Path, dir_okay=False), help="CSV of its corners: x_m, y_m.")
@click.option("--size", help='Width and length instead, such as "8 m x 12 m".')
@click.option("--owned", type=int, help="How many like cups you have; fewer than 24 make several placements.")
@click.option("--turn", "turn_min", type=float, help="Minutes the slowest rotor takes for one turn.")
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), help="Write the table to fill in.")
@json_option
def plan_cups(
    site: Path,
    zone: str,
    shape: Path | None,
    size: str | None,
    owned: int | None,
    turn_min: float | None,
    out: Path | None,
    as_json: bool,
) -> None:
    """Where the cups of ZONE go and how many minutes to run it."""
    from dewpond.upkeep.cups import CAUTIONS, AuditRefused, plan_shown  # noqa: PLC0415

    found = _zone(_site(site), zone)
    ground, told = _shape(found, shape, size)
    try:
        body = {"shape": told, **plan_shown(found, ground, owned=owned, turn_min=turn_min)}
    except AuditRefused as refused:
        fail(str(refused))
    if out is not None:
        _write_table(out, body["places"])
    if as_json:
        print_json(body)
        return
    _show_plan(found, body, out)
    _show_cautions(CAUTIONS)


@audit.command("cups")
@site_argument
@zone_argument
@cups_argument
@click.option("--unit", type=UNITS, default="mL", show_default=True, help="Of value.")
@click.option("--minutes", type=float, help="How long each placement ran.")
@click.option("--cup-mouth", help='Across the rim, such as "11 cm", or its area, such as "95 cm2"; needed for mL.')
@click.option("--wind", "wind_m_s", type=float, help="The strongest wind noted, in m/s.")
@click.option("--shape", type=click.Path(path_type=Path, dir_okay=False), help="CSV of the zone's corners, for --map.")
@click.option("--map", "map_svg", type=click.Path(path_type=Path, dir_okay=False), help="Write the map as SVG.")
@click.option("--before", type=click.Path(path_type=Path, dir_okay=False), help="An earlier table, same unit and cups.")
@json_option
def judge_cups(
    site: Path,
    zone: str,
    cups_csv: Path,
    unit: str,
    minutes: float | None,
    cup_mouth: str | None,
    wind_m_s: float | None,
    shape: Path | None,
    map_svg: Path | None,
    before: Path | None,
    as_json: bool,
) -> None:
    """What the cups of ZONE say, and what accepting it would change; nothing is written but the map."""
    from dewpond.upkeep.cups import audit_shown, cup_map, judge  # noqa: PLC0415

    whole = _site(site)
    found, mouth = _zone(whole, zone), mouth_cm2(cup_mouth)
    test = _test(cups_csv, unit, minutes, mouth, wind_m_s)
    earlier = None if before is None else _test(before, unit, minutes, mouth, None)
    body = audit_shown(test, found, earlier)
    if map_svg is not None:
        ground = None if shape is None else _shape(found, shape, None)[0]
        drawn = cup_map(test, judge(test, found), title=f"{found.name}, cups", shape=ground, us=whole.units == "us")
        _write(map_svg, drawn)
    print_json(body) if as_json else _show_judged(found, test, body)


@audit.command("accept")
@site_argument
@zone_argument
@cups_argument
@click.option("--unit", type=UNITS, default="mL", show_default=True, help="Of value.")
@click.option("--minutes", type=float, help="How long each placement ran.")
@click.option("--cup-mouth", help='Across the rim, such as "11 cm", or its area, such as "95 cm2"; needed for mL.')
@click.option("--wind", "wind_m_s", type=float, help="The strongest wind noted, in m/s.")
@click.option("--agree", is_flag=True, help="You agree to the change; at a terminal you are asked.")
def accept(
    site: Path,
    zone: str,
    cups_csv: Path,
    unit: str,
    minutes: float | None,
    cup_mouth: str | None,
    wind_m_s: float | None,
    agree: bool,
) -> None:
    """Write rate and efficiency of ZONE, together, into the site file, once you agree."""
    from dewpond.cli.operator import at_terminal  # noqa: PLC0415
    from dewpond.settings.zone_edit import NotWritten, with_zone_values  # noqa: PLC0415
    from dewpond.upkeep.cups import AuditRefused, effect_of, judge  # noqa: PLC0415

    text = _text(site)
    found = _zone(_site(site), zone)
    result = judge(_test(cups_csv, unit, minutes, mouth_cm2(cup_mouth), wind_m_s), found)
    try:
        effect = effect_of(result, found)
    except AuditRefused as refused:
        fail(str(refused))
    _show_effect(effect)
    values = {
        "application_rate": f'"{effect.after.rate_mm_h:.1f} mm/h" # from {result.cups} cups, {cups_csv.name}',
        "efficiency": f"{effect.after.efficiency:.3f} # 0.4 + 0.6 x {result.du_lq:.2f}",
    }
    try:
        edited = with_zone_values(text, zone, values, drop=("distribution_uniformity",))
    except NotWritten as refused:
        fail(f"{site}: {refused}")
    if not agree and not at_terminal():
        fail("nothing was written: numbers change only when a person agrees; add --agree")
    if not agree:
        click.confirm(f"Write both into {site}", abort=True, err=True)
    if _text(site) != text:
        fail(f"{site}: changed meanwhile by somebody else; nothing was written; look at it and ask again")
    _write(site, edited)
    click.echo(
        f"Written. The daemon goes by it once it is started again; dewpond check {site} shows what it makes of it."
    )


@audit.command("drip")
@click.argument("emitters_csv", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--seconds", type=float, required=True, help="How long each emitter was caught.")
@click.option("--start-kpa", type=float, help="Pressure where the lines begin.")
@click.option("--end-kpa", type=float, help="Pressure at the end of a line.")
@click.option("--rated-kpa", type=float, help="Rated pressure of the emitters.")
@click.option("--rated-l-h", type=float, help="Rated flow of one emitter, L/h.")
@click.option("--filter-kpa", type=(float, float), help="Pressure before and after the filter.")
@click.option("--flush", type=click.Choice(["clear", "dirty"]), help="How the first water from a line end looked.")
@json_option
def judge_emitters(
    emitters_csv: Path,
    seconds: float,
    start_kpa: float | None,
    end_kpa: float | None,
    rated_kpa: float | None,
    rated_l_h: float | None,
    filter_kpa: tuple[float, float] | None,
    flush: str | None,
    as_json: bool,
) -> None:
    """Emission uniformity of drip from the timed catch in EMITTERS_CSV, twelve emitters or more.

    Its columns are line, place (start, middle, end) and ml.
    """
    from dewpond.upkeep.cups import AuditRefused, DripRound, judge_drip, read_emitters  # noqa: PLC0415

    seen = DripRound(
        start_kpa=start_kpa,
        end_kpa=end_kpa,
        rated_kpa=rated_kpa,
        rated_l_h=rated_l_h,
        filter_before_kpa=filter_kpa[0] if filter_kpa else None,
        filter_after_kpa=filter_kpa[1] if filter_kpa else None,
        flush=flush,
    )
    try:
        result = judge_drip(read_emitters(_text(emitters_csv), emitters_csv.name), seconds, seen)
    except AuditRefused as refused:
        fail(str(refused))
    print_json(asdict(result)) if as_json else _show_drip(result)


def _site(path: Path) -> Site:
    from dewpond.settings.problems import SiteRefused  # noqa: PLC0415
    from dewpond.settings.site_file import require_site  # noqa: PLC0415

    try:
        return require_site(path)
    except SiteRefused as refused:
        fail(str(refused))


def _zone(site: Site, wanted: str) -> Zone:
    found = next((zone for zone in site.zones if zone.id == wanted), None)
    if found is None:
        known = ", ".join(zone.id for zone in site.zones) or "none"
        fail(f'zone: there is no "{wanted}"; known are {known}; write its id')
    return found


def _shape(zone: Zone, shape: Path | None, size: str | None) -> tuple[Outline, str]:
    """The zone's ground and where it is known from."""
    from dewpond.upkeep.cups import AuditRefused, outline, rectangle, square_of  # noqa: PLC0415

    try:
        if shape is not None:
            return outline(_corners(shape)), f"shape from {shape.name}"
        if size is not None:
            width_m, length_m = _sides(size)
            return rectangle(width_m, length_m), f"a rectangle of {width_m:g} by {length_m:g} m"
        told = f"its shape is not known, a square of {zone.area_m2:g} m2 is assumed; give --size or --shape"
        return square_of(zone.area_m2), told
    except AuditRefused as refused:
        fail(str(refused))


def _corners(path: Path) -> list[tuple[float, float]]:
    corners = []
    for line, row in enumerate(csv.DictReader(_text(path).splitlines()), start=2):
        try:
            corners.append((float(row["x_m"]), float(row["y_m"])))
        except (KeyError, TypeError, ValueError):
            fail(f"{path}, line {line}: no corner; columns are x_m and y_m, in metres; correct the line")
    return corners


def _sides(size: str) -> tuple[float, float]:
    try:
        width, length = (LENGTH_MM.read(part.strip()) / 1000.0 for part in size.split("x"))
    except (QuantityError, ValueError):
        width = length = math.nan
    if not (0.0 < width < math.inf and 0.0 < length < math.inf) or any(
        not (number_and_unit(part.strip()) or (0.0, ""))[1] for part in size.split("x")
    ):
        fail(f'--size "{size}" is no size; two lengths with their units; write for instance "8 m x 12 m"')
    return width, length


def mouth_cm2(text: str | None) -> float | None:
    """Area of a cup's mouth from its diameter or its area; exits with one line for anything else."""
    from dewpond.upkeep.cups import AuditRefused, read_mouth  # noqa: PLC0415

    try:
        return None if text is None else read_mouth(text)
    except AuditRefused as refused:
        fail(str(refused))


def _test(path: Path, unit: str, minutes: float | None, mouth: float | None, wind_m_s: float | None) -> CupTest:
    from dewpond.upkeep.cups import AuditRefused, cup_test, read_cups  # noqa: PLC0415

    try:
        cups = read_cups(_text(path), path.name)
        return cup_test(cups, unit=unit, minutes=minutes, mouth_cm2=mouth, wind_m_s=wind_m_s)
    except AuditRefused as refused:
        fail(str(refused))


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except (OSError, ValueError) as fault:
        _unusable(path, "cannot be read", fault)


def _write(path: Path, text: str) -> None:
    """Whole or not at all, so that no reader ever meets half a file."""
    beside = path.with_name(f".{path.name}.new")
    try:
        beside.write_text(text, encoding="utf-8")
        if path.exists():
            beside.chmod(path.stat().st_mode)
        beside.replace(path)
    except OSError as fault:
        beside.unlink(missing_ok=True)
        _unusable(path, "cannot be written", fault)


def _unusable(path: Path, what: str, fault: Exception) -> NoReturn:
    fail(f"{path}: {what} ({fault}); check the name and who may use it")


def _write_table(path: Path, places: Sequence[Mapping[str, Any]]) -> None:
    lines = [f"{cup['x_m']},{cup['y_m']},,{cup['placement']}" for cup in places]
    _write(path, "\n".join(["x_m,y_m,value,placement", *lines]) + "\n")


def _show_plan(zone: Zone, body: Mapping[str, Any], out: Path | None) -> None:
    rounds = f" in {body['placements']} placements" if body["placements"] > 1 else ""
    click.echo(f"{zone.name}: {body['shape']}")
    apart, inset = f"{body['spacing_m']:.1f} m apart", f"{body['inset_m']:g} m inside the edge"
    click.echo(f"{len(body['places'])} cups, {apart}, {inset}{rounds}")
    click.echo(f"run {body['minutes']} min for each placement ({', '.join(body['why'])})")
    for note in body["notes"]:
        click.echo(note)
    for cup in body["places"] if out is None else ():
        place = f"x {cup['x_m']:6.1f} m  y {cup['y_m']:6.1f} m"
        click.echo(f"  cup {cup['number']:3d}  {place}  placement {cup['placement']}")
    if out is not None:
        click.echo(f"Fill in {out}: what each cup shows goes under value.")


def _show_judged(zone: Zone, test: CupTest, body: Mapping[str, Any]) -> None:
    from dewpond.upkeep.cups import AuditRefused, effect_of, judge  # noqa: PLC0415

    result = judge(test, zone)
    _show_audit(zone, result)
    if body["change"]:
        click.echo(body["change"]["said"])
    try:
        _show_effect(effect_of(result, zone))
    except AuditRefused as refused:
        click.echo(str(refused))
    else:
        click.echo("To write both numbers into the site file: dewpond audit accept, with the same options.")


def _show_cautions(keys: Sequence[str]) -> None:
    from dewpond.upkeep.cautions import LAST_WORD, cautions  # noqa: PLC0415

    for caution in cautions(keys):
        click.echo(f"! {caution.text} ({caution.source})")
    click.echo(f"! {LAST_WORD}")


def _show_audit(zone: Zone, result: Audit) -> None:
    rounds = f" in {result.placements} placements" if result.placements > 1 else ""
    click.echo(f"{zone.name}: {result.cups} cups{rounds}, mean {result.mean:.3g} {result.unit}")
    grade = f", {result.grade} for {zone.method} heads" if result.graded else "; too few cups for a grade"
    click.echo(f"  low-quarter uniformity       {result.du_lq:5.0%}{grade}")
    click.echo(f"  low-half uniformity          {result.du_lh:5.0%}")
    click.echo(f"  Christiansen's coefficient   {result.cu:5.0%}")
    if result.graded:
        click.echo(f"  run-time multiplier          {result.run_time_multiplier:5.2f}")
    if result.rate_mm_h is not None:
        click.echo(f"  net application rate         {result.rate_mm_h:5.1f} mm/h ({result.rate_mm_h / 25.4:.2f} in/h)")
    click.echo(f"  confidence {result.confidence}")
    if result.verdict:
        click.echo(f"  {result.verdict}")
    for name, cups in (("dry", result.dry), ("wet", result.wet)):
        if cups:
            click.echo(f"  {name} cups: {', '.join(map(str, cups))}")
    for cause in result.causes:
        click.echo(f"  likely: {cause.what}; {cause.seen}; {cause.remedy}")
    for note in result.notes:
        click.echo(f"  {note}")


def _show_effect(effect: Effect) -> None:
    click.echo(f"Accepting it changes one refill of {effect.zone} ({effect.before.net_mm:.1f} mm net):")
    for name, each in (("now", effect.before), ("then", effect.after)):
        split = f" in {each.openings} openings, {each.rest_min:.0f} min of rest" if each.openings > 1 else ""
        click.echo(
            f"  {name:<5} {each.rate_mm_h:5.1f} mm/h, efficiency {each.efficiency:.2f}: {each.minutes:.0f} min{split}, "
            f"{each.litres:.0f} L"
        )
    click.echo(f"  run time {effect.minutes_change:+.0%}, water {effect.litres_change:+.0%}")
    for note in effect.notes:
        click.echo(f"  {note}")


def _show_drip(result: DripAudit) -> None:
    click.echo(f"{result.emitters} emitters, mean {result.mean_l_h:.2f} L/h")
    click.echo(f"  emission uniformity       {result.emission_uniformity:4.0%}, {result.word}")
    click.echo(f"  coefficient of variation  {result.variation:4.2f}")
    for place, l_h in result.by_place_l_h.items():
        click.echo(f"  {place + ' of lines':<24}  {l_h:.2f} L/h")
    for found in result.findings:
        click.echo(f"  {found.what}; limit {found.limit}; {found.remedy}")
    for note in result.notes:
        click.echo(f"  {note}")
