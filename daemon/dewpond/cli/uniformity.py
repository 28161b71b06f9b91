"""``dewpond uniformity``: what a catch-can audit's cups say of a zone."""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click
import numpy as np
from numpy.typing import NDArray

from dewpond.cli.answers import fail, json_option, print_json
from dewpond.science.application import efficiency_from_uniformity
from dewpond.science.uniformity import (
    catch_rate_mm_h,
    christiansen_uniformity,
    distribution_uniformity,
    run_time_multiplier,
)
from dewpond.settings.quantities import QuantityError, number_and_unit

COLUMNS = ("x_m", "y_m", "value")
# Fewer cups show dry spots but give no grade: at least 24 (audit guidelines of the Irrigation Association).
CUPS_FOR_A_GRADE = 24
FEWEST_CUPS = 2  # one cup has no uniformity
MOST_RATE_MM_H = 400.0  # above this a unit was mixed up; a spray head gives about 30 mm/h
CM2 = {"cm2": 1.0, "cm²": 1.0, "mm2": 0.01, "in2": 6.4516, "m2": 10_000.0}


@click.command()
@click.argument("cups_csv", type=click.Path(path_type=Path, dir_okay=False))
@click.option(
    "--unit", type=click.Choice(["in/h", "mm/h", "mL", "mm"]), default="mL", show_default=True, help="Of value."
)
@click.option("--minutes", type=float, help="How long the zone ran; needed for mL and mm.")
@click.option("--cup-area", help='Throat area of one cup, such as "95 cm2"; needed for mL.')
@json_option
def uniformity(cups_csv: Path, unit: str, minutes: float | None, cup_area: str | None, as_json: bool) -> None:
    """Distribution uniformity, application rate and advice from the cups in CUPS_CSV (columns x_m, y_m, value)."""
    value = _cups(cups_csv)
    du_lq = float(distribution_uniformity(value))
    rates = _rates(cups_csv, value, unit, minutes, _cm2(cup_area))
    found = {
        "cups": len(value),
        "mean": float(np.mean(value)),
        "unit": unit,
        "du_lq": du_lq,
        "cu": float(christiansen_uniformity(value)),
        "run_time_multiplier": float(run_time_multiplier(du_lq)),
        "efficiency": float(efficiency_from_uniformity(du_lq)),
        "application_rate_mm_h": None if rates is None else float(np.mean(rates)),
        "advice": _advice(len(value), du_lq),
    }
    print_json(found) if as_json else _show(found)


def _cups(path: Path) -> NDArray[np.float64]:
    """What the cups caught; exits with one line at the first row that cannot be used."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.DictReader(file))
    except (OSError, ValueError, csv.Error) as fault:
        fail(f"{path}: cannot be read ({fault}); give a CSV file with the columns {', '.join(COLUMNS)}")
    if not rows or "value" not in rows[0]:
        fail(f"{path}: no column value; the columns are {', '.join(COLUMNS)}, a row a cup")
    found = np.array([_number(path, line, row["value"]) for line, row in enumerate(rows, start=2)])
    if len(found) < FEWEST_CUPS or not found.sum() > 0.0:
        fail(
            f"{path}: {len(found)} cups with {found.sum():g} in all; "
            f"at least {FEWEST_CUPS} cups and some water are needed"
        )
    return found


def _number(path: Path, line: int, text: str | None) -> float:
    try:
        value = float(text or "")
    except ValueError:
        value = math.nan
    if not 0.0 <= value < math.inf:
        fail(f"{path}, line {line}: value {text!r} is no catch; write a number of 0 or more")
    return value


def _cm2(text: str | None) -> float | None:
    if text is None:
        return None
    try:
        number, unit = number_and_unit(text) or (math.nan, "cm2")
        area_cm2 = number * CM2[unit or "cm2"]
    except (QuantityError, KeyError, ValueError):
        area_cm2 = math.nan
    if not 0.0 < area_cm2 < 100_000.0:
        fail(f"--cup-area {text!r} is no area of a cup; write for instance 95 cm2 (units {', '.join(CM2)})")
    return area_cm2


def _rates(
    path: Path, value: NDArray[np.float64], unit: str, minutes: float | None, cup_cm2: float | None
) -> NDArray[np.float64] | None:
    """Catch rates in mm/h, or None where minutes or cup area were not told."""
    if minutes is not None and not 0.0 < minutes <= 1440.0:
        fail(f"--minutes {minutes:g} is no run time; write minutes above 0 and at most 1440")
    if (unit in ("mL", "mm") and minutes is None) or (unit == "mL" and cup_cm2 is None):
        return None
    rates = np.asarray(catch_rate_mm_h(value, unit, minutes, cup_cm2))
    if rates.mean() > MOST_RATE_MM_H:
        fail(
            f"{path}: {rates.mean():.0f} mm/h on average; at most {MOST_RATE_MM_H:g} can be; "
            "check unit, minutes and cup area"
        )
    return rates


def _advice(cups: int, du_lq: float) -> str:
    if cups < CUPS_FOR_A_GRADE:
        return f"{cups} cups show dry spots but earn no grade; set out at least {CUPS_FOR_A_GRADE}."
    if du_lq < 0.60:
        return (
            "Below 60 %: repair before watering longer; look for mixed nozzles, tilt, clogging, spacing and pressure."
        )
    if du_lq < 0.75:
        return "Usable; levelling heads and matching nozzles would save water."
    return "Good; watch it with a few cups each season."


def _show(found: Mapping[str, Any]) -> None:
    click.echo(f"{found['cups']} cups, mean {found['mean']:.3g} {found['unit']}")
    click.echo(f"low-quarter distribution uniformity  {found['du_lq'] * 100:.0f} %")
    click.echo(f"Christiansen's coefficient           {found['cu'] * 100:.0f} %")
    click.echo(f"run-time multiplier                  {found['run_time_multiplier']:.2f}")
    click.echo(f"efficiency for the site file         {found['efficiency']:.2f}")
    if found["application_rate_mm_h"] is not None:
        click.echo(f"application rate for the site file   {found['application_rate_mm_h']:.1f} mm/h")
    else:
        click.echo("application rate: tell --minutes (and --cup-area for mL) to have it")
    click.echo(found["advice"])
