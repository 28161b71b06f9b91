"""Holds what the daemon has on record against what the relays did: nothing lost, nothing doubled, nothing unbooked."""

from __future__ import annotations

from datetime import date
from itertools import pairwise

from dewpond.adapters.store.memory_store import MemoryStore
from dewpond.model.commands import RecordPlan, RecordRun
from dewpond_sim.ordeal.draw import DAY_S, Ordeal
from dewpond_sim.ordeal.watch import BY_HAND, CLOCKS, REMAINDER, TOLERANCE_S, Watch

SPARE = 1.5
NIGHT_TOLERANCE_S = 60.0  # caps are whole seconds, and an opening that passes midnight is counted where it began
OPEN_STATES = ("planned", "running")


def compare(store: MemoryStore, watch: Watch, ordeal: Ordeal, end_s: float) -> None:
    """Tell ``watch`` of every run that broke I4 or I7, and of a night that did not recover (I6)."""
    booked: dict[str, list[RecordRun]] = {}
    for run in {run.run_id: run for run in store.recorded(RecordRun)}.values():
        booked.setdefault(run.run_id.removesuffix(REMAINDER), []).append(run)
    zones = {zone.output for zone in ordeal.site.zones}
    liars = {fault.target for fault in ordeal.faults if fault.kind == "liar"}
    bases = {item.base for item in watch.opened if item.output in zones}
    for base in sorted(bases):
        _run(base, booked.get(base, []), watch, end_s)
    for base in sorted(watch.asked_first.keys() - bases):
        if booked.get(base) and not liars:
            gave_s = sum(run.seconds for run in booked[base])
            if gave_s > TOLERANCE_S and "master" not in base and "pump" not in base:
                watch.say(end_s, f"I4: {base} is booked with {gave_s:.0f} s and its relay never was on")
    _caps(watch, ordeal, end_s)
    _steps(store, watch, end_s)
    _healed(store, watch, ordeal, end_s)


def _run(base: str, rows: list[RecordRun], watch: Watch, end_s: float) -> None:
    given_s, asked_s = watch.seconds(base, end_s), watch.asked_first.get(base)
    still_on = any(item.base == base and item.off_s > end_s for item in watch.opened)
    if asked_s is None or still_on:
        return
    booked_s = sum(row.seconds for row in rows)
    stuck = any(item.base == base and item.off_s > item.until_s + TOLERANCE_S for item in watch.opened)
    if given_s > asked_s + TOLERANCE_S and not stuck:
        watch.say(end_s, f"I4: {base} was given {given_s:.0f} s, {asked_s:.0f} s were asked")
    if booked_s < given_s - TOLERANCE_S and not stuck:
        watch.say(end_s, f"I7: {base} was given {given_s:.0f} s, and {booked_s:.0f} s are on record")
    if given_s < asked_s - TOLERANCE_S and not any(row.note for row in rows):
        watch.say(end_s, f"I4: {base} was given {given_s:.0f} s of {asked_s:.0f} s, and no reason is on record")


def _caps(watch: Watch, ordeal: Ordeal, end_s: float) -> None:
    """No zone runs by schedule longer in a site date than 1.5 times what refills its readily available water."""
    if any(fault.kind in CLOCKS for fault in ordeal.faults):
        return
    for zone in ordeal.site.zones:
        most_s = SPARE * zone.raw_mm / zone.efficiency / zone.application_rate_mm_h * 3600.0
        by_date: dict[date, float] = {}
        for item in watch.opened:
            if item.output == zone.output and not item.run.startswith(BY_HAND):
                day = watch.local(item.on_s).date()
                by_date[day] = by_date.get(day, 0.0) + min(item.off_s, end_s) - item.on_s
        for day, given_s in by_date.items():
            if given_s > most_s + NIGHT_TOLERANCE_S and not watch.hindered(zone.output):
                watch.say(end_s, f"I2: {zone.id} was on for {given_s:.0f} s on {day}, {most_s:.0f} s are its cap")


def _steps(store: MemoryStore, watch: Watch, end_s: float) -> None:
    numbers = [number for number, _, _ in store.steps]
    if any(after <= before for before, after in pairwise(numbers)):
        watch.say(end_s, "I7: the journal's steps are not numbered upwards")


def _healed(store: MemoryStore, watch: Watch, ordeal: Ordeal, end_s: float) -> None:
    """The night that opens a day after the last fault is planned, and every opening of it is given or accounted for."""
    first = watch.local(ordeal.storm_days * DAY_S + DAY_S).date()
    last = watch.local(end_s).date()
    rows = {(row.zone, row.source, row.window_date, row.start_no): row for row in store.recorded(RecordPlan)}
    for row in rows.values():
        over = row.window_date < last and (row.start.timestamp() + row.seconds) < watch.start.timestamp() + end_s
        if over and row.state in OPEN_STATES and row.window_date >= first:
            watch.say(end_s, f"I6: {row.zone} on {row.window_date} is left {row.state}, a day after all was healed")
