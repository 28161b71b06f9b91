"""The truth of a fresh log: when its fault could first be seen, when it must have been told, and what it cost.

Fields, their meaning and the latest times are those of the developer logs of the pipe watch, so that one scorer reads
both: times in seconds by the log's own clock, flows in L/min, zones from 1.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dewpond_sim.flow_faults import ACCEPTED, GRADUAL, OF_A_ZONE, Fault
from dewpond_sim.flow_logs import Dense, FlowLog
from dewpond_sim.flow_sites import DAY_S, FloatArray, Run

VISIBLE_PULSES, VISIBLE_KPA = 2.0, 30.0
EFFECT_SHARE, GRADUAL_SHARE = 0.02, 0.1
AFTER_RUN_S = 60.0
KNOT_ROWS = 30
# Kind -> seconds to the latest right alarm, and pulses of the difference where those take longer.
SOON = {
    "main_break": (30.0, 0.0),
    "supply_lost": (30.0, 0.0),
    "lateral_break": (60.0, 3.0),
    "missing_head": (60.0, 3.0),
    "wiring_double": (60.0, 3.0),
    "stuck_open": (45.0, 3.0),
    "stuck_closed": (60.0, 0.0),
    "weep": (900.0, 4.0),
    "main_leak": (900.0, 4.0),
}
TOO_MUCH = ("lateral_break", "missing_head", "wiring_double")


def case_of(log: FlowLog) -> dict[str, Any]:
    """What the site's owner would have configured."""
    place = log.place
    return {
        "case": name_of(log),
        "site": f"seed-{log.seed}",
        "zones": place.zones,
        "pulse_l": place.pulse_l,
        "q1_lpm": place.q1_l_min,
        "q3_lpm": place.q3_l_min,
        "row_s": place.row_s,
        "days": log.scenario.days,
        "shared_meter": place.shared,
        "pressure_sensor": place.pressure,
        "rows": len(log.rows),
    }


def name_of(log: FlowLog) -> str:
    """A name that says how to make the log again."""
    return f"{log.seed}-{'calm' if log.fault is None else log.fault.kind}"


def truth_of(log: FlowLog) -> dict[str, Any]:
    """The truth for the scorer alone."""
    jump, clock_s = log.scenario.jump, log.clock_s
    return {
        "case": name_of(log),
        "event": None if log.fault is None else _event(log, log.fault),
        "clock_jump": None if jump is None else [jump[0] + jump[1], jump[1]],
        "hand_use": [[clock_s(use[0]), clock_s(use[1]), use[2]] for use in log.scenario.hand],
        "runs": [{"zone": run[2] + 1, "t0": clock_s(run[0]), "t1": clock_s(run[1])} for run in log.scenario.runs],
    }


def _event(log: FlowLog, fault: Fault) -> dict[str, Any]:
    dense, twin = _both(log)
    acting = (dense.time_s > fault.on_s) & (_odd(dense.true_l_min, twin.true_l_min) | _odd_count(dense, twin))
    phys_s = _phys_s(log, fault)
    visible = bool(ACCEPTED[fault.kind]) and phys_s < math.inf
    dq_l_min = float(np.median(np.abs(dense.counted_l_min - twin.counted_l_min)[acting])) if acting.any() else 0.0
    of_zone = fault.kind in OF_A_ZONE or fault.kind == "stuck_open" or fault.kind.startswith("wiring")
    effect_s = float(dense.time_s[int(acting.argmax())]) if acting.any() else None
    tenth_s = _tenth_s(log, fault) if fault.kind in GRADUAL else None
    due_s = _due_s(log, fault, phys_s, dq_l_min, tenth_s) if visible else None
    wires = sorted((fault.zone + 1, fault.other + 1)) if fault.kind.startswith("wiring") else None
    return {
        "kind": GRADUAL.get(fault.kind, fault.kind),
        "zone": fault.zone + 1 if of_zone else None,
        "true_zone": fault.zone + 1 if of_zone or fault.kind == "weep" else None,
        "zones": wires,
        "t_on_s": log.clock_s(fault.on_s),
        "t_off_s": None if fault.off_s == math.inf else log.clock_s(fault.off_s),
        "t_first_effect_s": None if effect_s is None else log.clock_s(effect_s),
        "t_phys_s": log.clock_s(phys_s) if visible else None,
        "accept_kinds": _accepted(log, fault),
        "visible": visible,
        "gradual": fault.kind in GRADUAL,
        "t_10pct_s": None if tenth_s is None else log.clock_s(tenth_s),
        "dq_lpm": dq_l_min,
        "t_due_s": None if due_s is None else log.clock_s(due_s),
        "loss_curve_l": _loss_curve(log, fault),
    }


def _accepted(log: FlowLog, fault: Fault) -> list[str]:
    """Without a pressure sensor a low supply is low flow everywhere, and a meter that slips looks like a low supply."""
    blind = {"supply_low": ("low_flow",), "meter_low": ("low_pressure",)}
    return [*ACCEPTED[fault.kind], *(() if log.place.pressure else blind.get(fault.kind, ()))]


def _both(log: FlowLog) -> tuple[Dense, Dense]:
    if log.dense is None or log.twin is None:
        message = f"seed {log.seed}: the log holds no dense readings; make it with make_log"
        raise ValueError(message)
    return log.dense, log.twin


def _odd(seen: FloatArray, sound: FloatArray) -> NDArray[np.bool_]:
    off: NDArray[np.bool_] = np.abs(seen - sound) > EFFECT_SHARE * np.maximum(sound, 1e-6)
    return off


def _odd_count(dense: Dense, twin: Dense) -> NDArray[np.bool_]:
    return _odd(dense.counted_l_min, twin.counted_l_min)


def _phys_s(log: FlowLog, fault: Fault) -> float:
    """The first row sent that shows the fault to somebody who knows the twin."""
    dense, twin = _both(log)
    off_l = np.abs(np.cumsum(dense.litres - twin.litres)) >= VISIBLE_PULSES * log.place.pulse_l - 1e-6
    seen = off_l | (np.abs(dense.pressure_kpa - twin.pressure_kpa) >= VISIBLE_KPA) & log.place.pressure
    sent = log.sent[(dense.time_s[log.sent] >= fault.on_s) & seen[log.sent]]
    return float(dense.time_s[sent[0]]) if len(sent) else math.inf


def _tenth_s(log: FlowLog, fault: Fault) -> float | None:
    """The end of the first run of the zone that is a tenth off."""
    dense, twin = _both(log)
    for from_s, to_s, zone in log.scenario.runs:
        inside = (dense.time_s > from_s + AFTER_RUN_S) & (dense.time_s <= to_s)
        if zone == fault.zone and from_s > fault.on_s and inside.any():
            sound = float(twin.true_l_min[inside].mean())
            if abs(float(dense.true_l_min[inside].mean()) - sound) >= GRADUAL_SHARE * sound:
                return to_s
    return None


def _due_s(log: FlowLog, fault: Fault, phys_s: float, dq_l_min: float, tenth_s: float | None) -> float:
    """The latest right alarm that still is in time."""
    pulse_s = 60.0 * log.place.pulse_l / max(dq_l_min, 1e-9)
    kind = "main_break" if fault.kind == "main_break_in_run" else fault.kind
    if kind in ("weep", "main_leak") and log.place.shared:
        return (math.floor(phys_s / DAY_S) + 1.0) * DAY_S + 6.0 * 3600.0
    if log.place.shared and kind in TOO_MUCH:  # until its run is over it may be somebody else's water
        ends = [run[1] for run in log.scenario.runs if run[2] == fault.zone and run[1] >= phys_s]
        return ends[0] + AFTER_RUN_S
    if kind in SOON:
        soon_s, pulses = SOON[kind]
        return phys_s + max(soon_s, pulses * pulse_s)
    if kind in ("lateral_crack", "clogged", *GRADUAL):
        from_s = phys_s if tenth_s is None else tenth_s
        left = [run for run in log.scenario.runs if run[2] == fault.zone and run[1] >= from_s]
        first_s = left[0][1] - max(left[0][0], fault.on_s)
        number = 0 if kind not in GRADUAL and first_s >= 2.0 * pulse_s else 2
        return left[min(number, len(left) - 1)][1] + AFTER_RUN_S
    return _second_zone_s(log.scenario.runs, fault, phys_s) + AFTER_RUN_S


def _second_zone_s(runs: tuple[Run, ...], fault: Fault, phys_s: float) -> float:
    """The end of the run of the second zone concerned."""
    seen: list[int] = []
    for _, to_s, zone in sorted(runs):
        concerned = zone in (fault.zone, fault.other) or fault.kind != "wiring_swap"
        if to_s >= phys_s and concerned and zone not in seen:
            seen.append(zone)
            if len(seen) == 2:
                return to_s
    return math.inf


def _loss_curve(log: FlowLog, fault: Fault) -> list[list[float]]:
    """True litres beyond the twin's, a knot every few rows."""
    dense, twin = _both(log)
    excess_l = np.cumsum((dense.true_l_min - twin.true_l_min) * log.place.row_s / 60.0)
    first = int(np.searchsorted(dense.time_s, fault.on_s))
    knots = [*range(first, len(excess_l), KNOT_ROWS), len(excess_l) - 1]
    return [[log.clock_s(float(dense.time_s[knot])), round(float(excess_l[knot]), 1)] for knot in knots]
