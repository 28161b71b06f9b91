"""A technician's figures as they are entered: what cannot be true is refused with what, where, limit and remedy."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

from dewpond.model.site import Site
from dewpond.upkeep.judging import MOST_KPA, MOST_L_MIN
from dewpond.upkeep.refusal import Refused
from dewpond.upkeep.steps import Step
from dewpond.upkeep.technician.judged import SPLICES
from dewpond.upkeep.technician.steps import COIL, DYNAMIC, FLOW, OUTPUT, STATIC, TRANSFORMER
from dewpond.upkeep.technician.steps import SPLICES as SPLICE_STEP

MOST_OHM, MOST_COILS = 10_000_000.0, 4
LEAST_FILL_S = 5.0  # a shorter filling is timed to a tenth at best. Common practice, no source.
CLOCK = re.compile(r"([01]\d|2[0-3]):[0-5]\d")
Plain = dict[str, Any]


def seen_of(site: Site, step: Step, place: str, form: Mapping[str, Any], local: datetime) -> Plain:
    """What is kept of a report. ``local`` is site time. Raises Refused."""
    where = f"{place}, {step.key}"
    missing = [name for name in step.needs if form.get(name) in (None, "")]
    if missing:
        raise Refused(f"{where}: {' and '.join(missing)} is missing; {step.how[0]}")
    body = _READ[step.key](site, form, where, local)
    return {**body, "note": form.get("note", "")}


def _static(_site: Site, form: Mapping[str, Any], where: str, local: datetime) -> Plain:
    clock = form.get("clock", f"{local:%H:%M}")
    if not CLOCK.fullmatch(clock):
        raise Refused(f"{where}: {clock!r} is no time of the day; write it as 07:30")
    return {"pressure": _within(form["pressure"], where, "pressure", 0.0, MOST_KPA, "kPa"), "clock": clock}


def _dynamic(_site: Site, form: Mapping[str, Any], where: str, _local: datetime) -> Plain:
    return {name: _within(form[name], where, name, 1.0, MOST_KPA, "kPa") for name in ("first", "last")}


def _flow(_site: Site, form: Mapping[str, Any], where: str, _local: datetime) -> Plain:
    flow, volume, seconds = (form.get(name) for name in ("flow", "volume", "seconds"))
    if (flow is None) == (volume is None or seconds is None):
        raise Refused(f"{where}: give either the flow, or volume and seconds of the meter or the bucket")
    if flow is None:
        _within(volume, where, "volume", 0.1, 100_000.0, "L")
        _within(seconds, where, "seconds", LEAST_FILL_S, 86_400.0, "s")
        flow = 60.0 * float(volume or 0.0) / float(seconds or 1.0)
    return {"flow": _within(flow, where, "flow", 0.0, MOST_L_MIN, "L/min"), "volume": volume, "seconds": seconds}


def _output(site: Site, form: Mapping[str, Any], where: str, _local: datetime) -> Plain:
    known = [zone.id for zone in site.zones]
    if form["waters"] not in (*known, "nothing"):
        raise Refused(f"{where}: {form['waters']!r} is no zone here; it is one of {', '.join(known)}, or nothing")
    return {"waters": form["waters"]}


def _coil(_site: Site, form: Mapping[str, Any], where: str, _local: datetime) -> Plain:
    if form.get("power_off") is not True:
        raise Refused(f"{where}: a coil is measured with the power off only; see that it is off, then say power off")
    is_open, ohm, coils = bool(form.get("open")), form.get("ohm"), form.get("coils", 1)
    if is_open == (ohm is not None):
        raise Refused(f"{where}: give either ohm, or open where the meter shows no circuit")
    if not 1 <= coils <= MOST_COILS:
        raise Refused(
            f"{where}: {coils} coils on one output is not from 1 to {MOST_COILS}; count the valves on its wire"
        )
    value = None if ohm is None else _within(ohm, where, "ohm", 0.0, MOST_OHM, "ohm")
    return {"ohm": value, "open": is_open, "coils": coils}


def _splices(_site: Site, form: Mapping[str, Any], where: str, _local: datetime) -> Plain:
    if form["splice"] not in SPLICES:
        raise Refused(f"{where}: {form['splice']!r} is not known; the worst splice is {', '.join(SPLICES)}")
    return {"splice": form["splice"]}


def _transformer(_site: Site, form: Mapping[str, Any], where: str, _local: datetime) -> Plain:
    limits = {
        "va": (1.0, 5000.0, "VA"),
        "volts": (6.0, 60.0, "V"),
        "holding": (0.01, 5.0, "A"),
        "inrush": (0.01, 10.0, "A"),
    }
    return {
        name: None if form.get(name) is None else _within(form[name], where, name, *limit)
        for name, limit in limits.items()
    }


def _within(value: Any, where: str, name: str, least: float, most: float, unit: str) -> float:
    if not (math.isfinite(value) and least <= value <= most):
        raise Refused(
            f"{where}, {name}: {value:g} {unit} is not from {least:g} to {most:g} {unit}; check number and unit"
        )
    return float(value)


_READ: Mapping[str, Callable[[Site, Mapping[str, Any], str, datetime], Plain]] = {
    STATIC: _static,
    DYNAMIC: _dynamic,
    FLOW: _flow,
    OUTPUT: _output,
    COIL: _coil,
    SPLICE_STEP: _splices,
    TRANSFORMER: _transformer,
}
