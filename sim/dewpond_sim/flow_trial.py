"""Tries the pipe watch on a fresh log: what it said, when, and whether that was right."""

from __future__ import annotations

from dataclasses import dataclass

from dewpond.brain.pipes import MeterSettings, Verdict, WatchSettings, first, rows_of_log, step
from dewpond_sim.flow_logs import ACCEPTED, OF_A_ZONE, FlowLog


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """How one log came out; ``delay_s`` counts from the row that shows the fault to somebody who knows the twin."""

    kind: str
    false_alarms: tuple[Verdict, ...]
    wrong: tuple[Verdict, ...]
    hit: Verdict | None
    wrong_zone: bool
    delay_s: float | None


def settings_of(log: FlowLog) -> WatchSettings:
    """What the site's owner would have configured."""
    place = log.place
    meter = MeterSettings(
        pulse_l=place.pulse_l,
        q1_l_min=place.q1_l_min,
        q3_l_min=place.q3_l_min,
        shared=place.shared,
        row_s=place.row_s,
    )
    return WatchSettings(meter=meter)


def verdicts_on(log: FlowLog) -> tuple[Verdict, ...]:
    """Everything the watch tells, in order, of incidents that begin."""
    settings = settings_of(log)
    rows = rows_of_log(log.rows, log.place.pulse_l, log.place.row_s)
    _, verdicts = step(settings, first(settings), rows)
    return tuple(verdict for verdict in verdicts if not verdict.over)


def outcome(log: FlowLog) -> Outcome:
    """Score one log."""
    told = verdicts_on(log)
    before = tuple(verdict for verdict in told if verdict.time_s < log.phys_s)
    if log.fault is None:
        return Outcome(kind="none", false_alarms=told, wrong=(), hit=None, wrong_zone=False, delay_s=None)
    after = [verdict for verdict in told if verdict.time_s >= log.phys_s]
    right = [verdict for verdict in after if verdict.kind in ACCEPTED[log.fault.kind]]
    hit = right[0] if right else None
    return Outcome(
        kind=log.fault.kind,
        false_alarms=before,
        wrong=tuple(verdict for verdict in after if verdict not in right),
        hit=hit,
        wrong_zone=hit is not None and hit.zone not in _right_zones(log, hit),
        delay_s=None if hit is None else hit.time_s - log.phys_s,
    )


def _right_zones(log: FlowLog, hit: Verdict) -> tuple[str | None, ...]:
    """Zones that a hit may name; any where none can be known."""
    fault = log.fault
    if fault is None or (
        fault.kind not in OF_A_ZONE and not fault.kind.startswith("wiring") and fault.kind != "stuck_open"
    ):
        return (hit.zone,)
    pair = (str(fault.zone + 1), str(fault.other + 1))
    return pair if fault.kind.startswith("wiring") else pair[:1]
