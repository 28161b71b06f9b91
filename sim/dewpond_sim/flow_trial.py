"""Tries the pipe watch on fresh logs: what it said, when, whether that was right, and a table of it by kind.

``python -m dewpond_sim.flow_trial --seeds 1000-1299 --calm-zone-years 60``: every seed is one log of a new site with
one fault; the kinds take turns. A log that comes out wrong is named with the command that makes it again.
"""

from __future__ import annotations

import csv
import gzip
import json
import math
import sys
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click
import numpy as np

from dewpond.brain.pipes import MeterSettings, Verdict, WatchSettings, first, rows_of_log, step, step_block
from dewpond.brain.pipes.columns import Columns
from dewpond_sim.flow_faults import KINDS
from dewpond_sim.flow_logs import FlowLog, make_log
from dewpond_sim.flow_sites import DAY_S
from dewpond_sim.flow_truth import case_of, name_of, truth_of

AFTER_HAND_S = 900.0  # a person may be told of use by hand until this long after it
PRESSURE_SHARE, SHARED_SHARE = 0.65, 0.15
CALM_DAYS = 120
CALM = "calm"


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """How one log came out; ``delay_s`` counts from the row that shows the fault to somebody who knows the twin."""

    name: str
    kind: str
    shared: bool
    zone_years: float
    visible: bool = False
    gradual: bool = False
    false_alarms: tuple[Verdict, ...] = ()
    wrong: tuple[Verdict, ...] = ()
    hit: Verdict | None = None
    wrong_zone: bool = False
    late: bool = False
    delay_s: float | None = None
    lost_l: float = 0.0

    @property
    def missed(self) -> bool:
        """Whether a fault that could be seen was never told."""
        return self.visible and self.hit is None

    @property
    def sound(self) -> bool:
        """Whether nothing at all was wrong with what the watch said."""
        return not (self.missed or self.false_alarms or self.wrong or self.wrong_zone or self.late)


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
    """Everything the watch tells, in order, of incidents that begin; in blocks as the daemon does, save at a leap."""
    settings, place = settings_of(log), log.place
    if log.scenario.jump is not None:
        _, verdicts = step(settings, first(settings), rows_of_log(log.rows, place.pulse_l, place.row_s))
    else:
        time_s, pulses, kpa = (np.array(column, dtype=np.float64) for column in list(zip(*log.rows, strict=True))[:3])
        window_s = np.diff(time_s, prepend=time_s[0] - place.row_s)
        block = Columns(time_s, pulses * place.pulse_l, window_s, kpa)
        _, verdicts = step_block(settings, first(settings), block, _openings(log))
    return tuple(verdict for verdict in verdicts if not (verdict.over or verdict.again))


def _openings(log: FlowLog) -> list[tuple[str, float, float]]:
    """(zone, from, to) of all runs, as the rows show them: a row belongs to the zones open at its end."""
    time_s, mask = np.array([(row[0], row[3]) for row in log.rows]).T
    found = []
    for zone in range(log.place.zones):
        steps = np.diff((mask.astype(np.int64) >> zone) & 1, prepend=0)
        ends = [*np.flatnonzero(steps < 0).tolist(), len(time_s)]
        for begin, end in zip(np.flatnonzero(steps > 0).tolist(), ends, strict=False):
            found.append((str(zone + 1), float(time_s[begin - 1]) if begin else -math.inf, float(time_s[end - 1])))
    return found


def log_of(seed: int, kind: str | None = None) -> FlowLog:
    """The log of a seed: kinds take turns, and the seed says whether there is a pressure sensor and a shared meter."""
    rng = np.random.default_rng([seed, 5])
    pressure, shared = bool(rng.random() < PRESSURE_SHARE), bool(rng.random() < SHARED_SHARE)
    kind = KINDS[seed % len(KINDS)] if kind is None else kind
    return make_log(seed, None if kind == CALM else kind, pressure=pressure, shared=shared, days=CALM_DAYS)


def outcome(log: FlowLog) -> Outcome:
    """Score one log, by the rules of the developer logs' scorer."""
    truth = truth_of(log)
    told = [verdict for verdict in verdicts_on(log) if not _excused(truth, verdict)]
    event, end_s = truth["event"], log.scenario.days * DAY_S
    kind = CALM if log.fault is None else log.fault.kind
    about: dict[str, Any] = {"name": name_of(log), "kind": kind, "shared": log.place.shared}
    if event is None:
        years = log.place.zones * log.scenario.days / 365.0
        return Outcome(**about, zone_years=years, false_alarms=tuple(told))
    begin_s = event["t_phys_s"] if event["visible"] else event["t_on_s"]
    after = [verdict for verdict in told if verdict.time_s >= begin_s]
    right = [verdict for verdict in after if verdict.kind in event["accept_kinds"]]
    hit = right[0] if right and event["visible"] else None
    since_s = begin_s if not event["gradual"] else event["t_10pct_s"] or math.inf
    return Outcome(
        **about,
        zone_years=log.place.zones * begin_s / DAY_S / 365.0,
        visible=event["visible"],
        gradual=event["gradual"],
        false_alarms=tuple(verdict for verdict in told if verdict.time_s < begin_s),
        wrong=tuple(verdict for verdict in after if verdict not in right or hit is None),
        hit=hit,
        wrong_zone=hit is not None and not _right_zone(event, hit),
        late=hit is not None and hit.time_s > event["t_due_s"],
        delay_s=None if hit is None else max(0.0, hit.time_s - since_s),
        lost_l=_lost_l(event, end_s if hit is None else hit.time_s) if event["visible"] else 0.0,
    )


def _excused(truth: dict[str, Any], verdict: Verdict) -> bool:
    if verdict.kind == "clock_jump" and truth["clock_jump"] is not None:
        return True
    return any(from_s <= verdict.time_s <= to_s + AFTER_HAND_S for from_s, to_s, _ in truth["hand_use"])


def _right_zone(event: dict[str, Any], hit: Verdict) -> bool:
    named = None if hit.zone is None else int(hit.zone)
    return event["zone"] is None or named in (event["zones"] or [event["zone"]])


def _lost_l(event: dict[str, Any], at_s: float) -> float:
    knots = np.array(event["loss_curve_l"])
    return max(0.0, float(np.interp(at_s, knots[:, 0], knots[:, 1])))


HEADER = ("kind", "n", "missed", "wrong kind", "wrong zone", "false", "late", "median s", "p90 s", "zone-years")


def table(outcomes: Iterable[Outcome]) -> list[tuple[str, ...]]:
    """A line a kind, then those of shared meters and the total, as text."""
    told = list(outcomes)
    kinds = [kind for kind in (CALM, *KINDS) if any(item.kind == kind for item in told)]
    lines = [_line(kind, [item for item in told if item.kind == kind]) for kind in kinds]
    shared = [item for item in told if item.shared]
    return [HEADER, *lines, _line("of these on shared meters", shared), _line("all", told)]


def _line(name: str, told: list[Outcome]) -> tuple[str, ...]:
    delays_s = sorted(item.delay_s for item in told if item.delay_s is not None and not item.gradual)
    counts = (
        len(told),
        sum(item.missed for item in told),
        sum(len(item.wrong) for item in told),
        sum(item.wrong_zone for item in told),
        sum(len(item.false_alarms) for item in told),
        sum(item.late for item in told),
    )
    places = (len(delays_s) // 2, int(0.9 * (len(delays_s) - 1)))
    spread = tuple(f"{delays_s[place]:.0f}" if delays_s else "" for place in places)
    return (name, *(str(count) for count in counts), *spread, f"{sum(item.zone_years for item in told):.1f}")


def repeats(item: Outcome) -> str:
    """The command that makes a log again."""
    seed, kind = item.name.split("-", 1)
    return f"python -m dewpond_sim.flow_trial --seeds {seed} --kind {kind}"


def remarks(item: Outcome) -> str:
    """What was wrong with one log, in one line."""
    said = [
        "missed" if item.missed else "",
        f"late by {item.delay_s:.0f} s" if item.late and item.delay_s is not None else "",
        f"zone {item.hit.zone}" if item.wrong_zone and item.hit is not None else "",
        *(f"false {verdict.kind} at {verdict.time_s:.0f} s" for verdict in item.false_alarms),
        *(f"wrong {verdict.kind} of {verdict.zone} at {verdict.time_s:.0f} s" for verdict in item.wrong),
    ]
    return "; ".join(part for part in said if part)


def write(folder: Path, logs: Iterable[FlowLog]) -> None:
    """Logs, cases and truth as files that the developer logs' scorer and ``dewpond flow`` read."""
    folder.mkdir(parents=True, exist_ok=True)
    cases, truths = [], []
    for log in logs:
        cases.append(case_of(log))
        truths.append(truth_of(log))
        with gzip.open(folder / f"{name_of(log)}.csv.gz", "wt", newline="", encoding="utf-8") as text:
            lines = csv.writer(text)
            lines.writerow(("t_s", "pulses", "p_kpa", "cmd"))
            for at_s, pulses, kpa, mask in log.rows:
                lines.writerow((f"{at_s:g}", f"{pulses:g}", "" if kpa is None else kpa, mask))
    (folder / "cases.json").write_text(json.dumps(cases, indent=1), encoding="utf-8")
    (folder / "truth.json").write_text(json.dumps(truths), encoding="utf-8")


def _seeds(text: str) -> range:
    low, _, high = text.partition("-")
    try:
        return range(int(low), int(high or low) + 1)
    except ValueError as problem:
        message = f"--seeds is {text!r}; give one number or two with a dash between, such as 1000-1299"
        raise click.BadParameter(message) from problem


def _tried(seeds: range, kind: str | None, calm_zone_years: float) -> Iterator[Outcome]:
    for seed in seeds:
        yield outcome(log_of(seed, kind))
    years, seed = 0.0, seeds.stop
    while years < calm_zone_years:
        item = outcome(log_of(seed, CALM))
        years, seed = years + item.zone_years, seed + 1
        yield item


@click.command()
@click.option("--seeds", required=True, help="one seed, or the first and last such as 1000-1299")
@click.option("--kind", type=click.Choice([CALM, *KINDS]), default=None, help="this fault in every log, or none (calm)")
@click.option("--calm-zone-years", type=float, default=0.0, help="sound logs of so many zone-years more")
@click.option("--write", "folder", type=click.Path(path_type=Path), default=None, help="write the logs instead")
def main(seeds: str, kind: str | None, calm_zone_years: float, folder: Path | None) -> None:
    """Try the pipe watch on fresh logs. Exit 0 when all went well, 1 when anything was missed, wrong, false or late."""
    if folder is not None:
        write(folder, (log_of(seed, kind) for seed in _seeds(seeds)))
        return
    told = []
    for item in _tried(_seeds(seeds), kind, calm_zone_years):
        told.append(item)
        if not item.sound:
            click.echo(f"{remarks(item)}: {repeats(item)}")
    for line in table(told):
        click.echo(f"{line[0]:26}" + "".join(f"{cell:>12}" for cell in line[1:]))
    sys.exit(0 if all(item.sound for item in told) else 1)


if __name__ == "__main__":
    main()
