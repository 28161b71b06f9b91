"""The ``[relays]`` table of a site file: which driver, how many outputs, and that driver's own settings.

Nothing else of the site file is looked at. Every fault is found at once and names file, table, key, limit and remedy.
"""

from __future__ import annotations

import dataclasses
import os
import types
import typing
from collections.abc import Mapping
from dataclasses import MISSING, dataclass
from importlib.metadata import entry_points
from pathlib import Path
from typing import Any

from dewpond_drivers.driver import ValveDriver
from dewpond_drivers.site_text import SiteUnreadable, cut, read_tables, short
from dewpond_drivers.valves import KEYS, Valves, closing_pairs, take_valves, two_wire_fault

GROUP = "dewpond.valve_drivers"
MOST_OUTPUTS = 1024


class TableRefused(ValueError):
    """Raised when ``[relays]`` cannot be used; the text lists every fault, a line each."""


@dataclass(frozen=True, slots=True)
class RelaysTable:
    """``[relays]`` as written: ``options`` are the keys of the driver itself, ``valves`` what hangs on the relays."""

    site_file: Path
    driver: str
    outputs: int
    options: Mapping[str, Any]
    valves: Valves


@dataclass(frozen=True, slots=True)
class Examined:
    """What a look at ``[relays]`` tells without touching hardware: its faults, and what a cut cable would mean."""

    faults: tuple[str, ...]
    holds_when_cut_off: bool | None = None
    timed_on: bool = False


def read_relays(site_file: Path) -> RelaysTable:
    """Read the table. Raises TableRefused for a missing or broken file, and for a missing driver or output count."""
    site_file = site_file.absolute()
    try:
        table = read_tables(site_file).get("relays")
    except SiteUnreadable as fault:
        raise TableRefused(str(fault)) from None
    if not isinstance(table, dict):
        raise TableRefused(f"{site_file.name}: there is no [relays] table; add one with driver and outputs")
    driver, outputs = table.pop("driver", None), table.pop("outputs", None)
    valves, about_valves = take_valves(table)
    faults = [f"{_place(site_file)} {fault}" for fault in about_valves]
    if not isinstance(driver, str) or not driver:
        faults.append(
            f'{_place(site_file)} driver ({short(driver)}) must be a driver\'s name; write driver = "simulated"'
        )
    if type(outputs) is not int or not 1 <= outputs <= MOST_OUTPUTS:
        faults.append(
            f"{_place(site_file)} outputs ({short(outputs)}) must be a whole number from 1 to {MOST_OUTPUTS}; "
            "write how many relays the board has"
        )
    if faults:
        raise TableRefused("\n".join(faults))
    return RelaysTable(site_file, str(driver), int(str(outputs)), table, valves)


def build_driver(kind: type[ValveDriver], settings: Any, table: RelaysTable, **extra: Any) -> ValveDriver:
    """The driver, without touching hardware. Raises TableRefused where it may not drive what hangs on the relays."""
    driver = kind(settings, table.outputs, **extra)
    fault = two_wire_fault(driver, table.valves)
    if fault:
        raise TableRefused(f'{_place(table.site_file)} driver "{table.driver}": {fault}')
    return driver


def read_pairs(table: RelaysTable) -> dict[int, int]:
    """Closing output by opening output of the latching valves. Raises TableRefused, naming zone or supply."""
    try:
        tables = read_tables(table.site_file)
    except SiteUnreadable as fault:
        raise TableRefused(str(fault)) from None
    pairs, faults = closing_pairs(tables, table.valves, table.outputs)
    if faults:
        raise TableRefused("\n".join(f"{table.site_file.name}, {fault}" for fault in faults))
    return pairs


def find_driver(table: RelaysTable) -> type[ValveDriver]:
    """Import the named driver, and no other. Raises TableRefused with the known names for an unknown one."""
    known = entry_points(group=GROUP)
    for entry in known:
        if entry.name == table.driver:
            try:
                return typing.cast(type[ValveDriver], entry.load())
            except (ImportError, AttributeError) as fault:
                raise TableRefused(
                    f'{_place(table.site_file)} driver "{cut(table.driver)}" cannot be loaded: {fault}; '
                    "repair its package"
                ) from fault
    names = ", ".join(sorted(known.names))
    raise TableRefused(
        f'{_place(table.site_file)} driver "{cut(table.driver)}" is not installed; known are: {names}; '
        "correct the name or install the package that brings it"
    )


def settings_for(kind: type[ValveDriver], table: RelaysTable) -> Any:
    """Build the driver's settings. Raises TableRefused with every unknown, missing, mistyped or contradicting key."""
    hints = typing.get_type_hints(kind.Settings)
    fields = {field.name: field for field in dataclasses.fields(kind.Settings)}
    faults = [_unknown(table, key, fields) for key in table.options if key not in fields]
    values: dict[str, Any] = {}
    for name, field in fields.items():
        if name in table.options:
            try:
                values[name] = _fit(hints[name], table.options[name], table.site_file.parent)
            except TypeError as fault:
                faults.append(f"{_place(table.site_file)} {name} ({short(table.options[name])}) {fault}")
        elif field.default is MISSING and field.default_factory is MISSING:
            faults.append(f'{_place(table.site_file)} driver "{table.driver}" needs the key {name}; add it')
    if not faults:
        settings = kind.Settings(**values)
        check = getattr(settings, "problems", None)
        faults = [f"{_place(table.site_file)} {problem}" for problem in check(table.outputs)] if check else []
        if not faults:
            return settings
    raise TableRefused("\n".join(faults))


def examine(site_file: Path) -> Examined:
    """Look at the relays of a site file for ``check``, without touching any hardware. Never raises for a bad file."""
    try:
        table = read_relays(site_file)
        kind = find_driver(table)
        driver = build_driver(kind, settings_for(kind, table), table)
    except TableRefused as refused:
        return Examined(tuple(str(refused).splitlines()))
    return Examined((), driver.holds_when_cut_off, driver.timed_on)


def _place(site_file: Path) -> str:
    return f"{site_file.name}, [relays]:"


def _unknown(table: RelaysTable, key: str, fields: Mapping[str, Any]) -> str:
    known = ", ".join(["driver", "outputs", *KEYS, *fields])
    fault = f'{cut(key)} is not a key of driver "{table.driver}"; its keys are: {known}; correct or remove it'
    return f"{_place(table.site_file)} {fault}"


def _fit(hint: Any, value: Any, folder: Path) -> Any:
    """``value`` as ``hint`` wants it; a Path counts from the site file. Raises TypeError with what is wanted."""
    origin, args = typing.get_origin(hint), typing.get_args(hint)
    if origin is types.UnionType or origin is typing.Union:
        return _fit(next(arg for arg in args if arg is not type(None)), value, folder)
    if origin is tuple:
        if not isinstance(value, list):
            raise TypeError("must be a list; put it in brackets")
        return tuple(_fit(args[0], item, folder) for item in value)
    if origin is dict:
        if not isinstance(value, dict):
            raise TypeError("must be a table of text")
        return {key: _fit(args[1], item, folder) for key, item in value.items()}
    if hint is Path:
        return Path(os.path.normpath(folder / _fit(str, value, folder)))  # links stay: a device may come back elsewhere
    if hint is float and type(value) is int and abs(value) < 10**300:
        return float(value)
    if type(value) is not hint:
        words = {str: "text in quotes", int: "a whole number", float: "a number", bool: "true or false"}
        raise TypeError(f"must be {words[hint]}")
    return value
