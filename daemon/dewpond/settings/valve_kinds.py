"""What the site file says of valves: latching ones with their closing outputs, and decoders on a two-wire path."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from dewpond.model.site import Site
from dewpond.model.valve_kinds import LATCHING, NORMALLY_CLOSED, TWO_WIRE, is_latching, power_loss, unguarded
from dewpond.settings.problems import Place, Report
from dewpond.settings.tables import Tables

RELAYS = Place("relays", ("relays",))


@dataclass(frozen=True, slots=True)
class WrittenValve:
    """A zone's or a master valve as written; keys are where to point at."""

    place: Place
    kind_key: str
    close_key: str
    is_there: bool
    kind: str | None
    close_output: int | None


def check(tables: Tables, report: Report) -> None:
    """Report latching valves without a closing output, closing outputs without a latching valve, and mixed buses."""
    board = tables.relays.valves if tables.relays is not None else NORMALLY_CLOSED
    for valve in _written(tables):
        if not valve.is_there:
            _none(valve, "there is no master valve", "it belongs to one", "give master", report)
        elif board == TWO_WIRE:
            _none(valve, "given for a decoder", "the valve is on a two-wire path", "take it out", report)
        else:
            _closing_output(valve, valve.kind or board, report)


def _none(valve: WrittenValve, what: str, limit: str, remedy: str, report: Report) -> None:
    """Refuse every key of a valve that may have none."""
    for key, value in ((valve.kind_key, valve.kind), (valve.close_key, valve.close_output)):
        if value is not None:
            report.error(valve.place, key, what, limit, remedy)


def _closing_output(valve: WrittenValve, kind: str, report: Report) -> None:
    if kind == LATCHING and valve.close_output is None:
        limit = "one output gives the opening pulse, another the closing one"
        remedy = f'write {valve.close_key}, or {valve.kind_key} = "{NORMALLY_CLOSED}"'
        report.error(valve.place, valve.close_key, "missing for a latching valve", limit, remedy)
    if kind != LATCHING and valve.close_output is not None:
        limit = f"only a latching valve has a closing output, and this one is {kind}"
        remedy = f'write {valve.kind_key} = "{LATCHING}", or take it out'
        report.error(valve.place, valve.close_key, f"output {valve.close_output} closes nothing", limit, remedy)


def find(site: Site, report: Report) -> None:
    """Report what power loss means for latching valves."""
    if not is_latching(site):
        return
    sentence = power_loss(site)
    if not sentence:
        what, remedy = "latching valves are closed from stored energy when power fails", "pull the plug once and look"
        report.finding(RELAYS, "stored_energy", what, "dewpond cannot see whether they are", remedy)
        return
    what = f"{sentence[:1].lower()}{sentence[1:].rstrip('.')}"
    names = ", ".join(unguarded(site))
    limit = f"this concerns supply {names}" if names else "dewpond cannot see whether it does"
    remedy = "put a normally-closed master valve above them, or an actuator that closes them from stored energy"
    report.finding(RELAYS, "valves", what, limit, remedy if names else "pull the plug once and look")


def _written(tables: Tables) -> Iterator[WrittenValve]:
    """Every valve whose table could be read."""
    for zone in tables.zones:
        if zone.table is not None and not zone.dropped & {"valve", "close_output"}:
            yield WrittenValve(zone.place, "valve", "close_output", True, zone.table.valve, zone.table.close_output)
    for entry in tables.supplies:
        supply: Any = entry.table
        if supply is not None and not entry.dropped & {"master", "master_valve", "master_close_output"}:
            yield WrittenValve(
                entry.place,
                "master_valve",
                "master_close_output",
                supply.master is not None,
                supply.master_valve,
                supply.master_close_output,
            )
