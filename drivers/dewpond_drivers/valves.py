"""What hangs on the relays: valves that shut without current, or latching ones that need a pulse to shut.

Reads ``valves``, ``valve_pulse`` and ``stored_energy`` of ``[relays]``, ``valve`` and ``close_output`` of each zone,
``master_valve`` and ``master_close_output`` of each supply; nothing else.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from dewpond_drivers.layout import entries, output_number
from dewpond_drivers.site_text import short

NORMALLY_CLOSED, LATCHING, TWO_WIRE = "normally closed", "latching", "two-wire"
KINDS = (NORMALLY_CLOSED, LATCHING, TWO_WIRE)
KEYS = ("valves", "valve_pulse", "stored_energy")
USUAL_PULSE_S = 0.1  # makers of latching coils ask for 20 to 150 ms. Common practice, no source.
SHORTEST_PULSE_S, LONGEST_PULSE_S = 0.02, 0.5  # a coil that is made for pulses burns out on a steady current
SWITCHING_S = 0.1  # telling a relay twice and looking at it once takes most boards no longer
MOST_CLOSING_S = 4.0  # all close pulses together; the keeper waits 5 s for its relays
_TIME = re.compile(r"\s*([0-9]+(?:\.[0-9]+)?)\s*(ms|s)\s*")


@dataclass(frozen=True, slots=True)
class Valves:
    """What ``[relays]`` says of the valves. ``stored_energy``: an actuator closes them by itself at power loss."""

    kind: str = NORMALLY_CLOSED
    pulse_s: float = USUAL_PULSE_S
    stored_energy: bool = False


def take_valves(relays: dict[str, Any]) -> tuple[Valves, list[str]]:
    """Take the keys about valves out of the table, for the rest is the driver's own; what is wrong with them."""
    kind, pulse, stored = (relays.pop(key, None) for key in KEYS)
    faults = []
    known = next((each for each in KINDS if kind is not None and _plain(kind) == _plain(each)), None)
    if kind is not None and known is None:
        faults.append(f"valves ({short(kind)}) must be one of {_listed(KINDS)}; say what hangs on the relays")
    pulse_s = USUAL_PULSE_S if pulse is None else _seconds(pulse)
    if pulse_s is None or not SHORTEST_PULSE_S <= pulse_s <= LONGEST_PULSE_S:
        faults.append(
            f"valve_pulse ({short(pulse)}) must be a time of "
            f"{SHORTEST_PULSE_S * 1000:.0f} to {LONGEST_PULSE_S * 1000:.0f} ms; "
            'write for instance "100 ms", as the maker of the coils asks for'
        )
    if stored not in (None, True, False):
        faults.append(
            f"stored_energy ({short(stored)}) must be true or false; true where an actuator closes at power loss"
        )
    return Valves(known or NORMALLY_CLOSED, pulse_s or USUAL_PULSE_S, stored is True), faults


def closing_pairs(tables: Mapping[str, Any], valves: Valves, outputs: int) -> tuple[dict[int, int], list[str]]:
    """Closing output by opening output of every latching valve, and what is wrong with them."""
    pairs: dict[int, int] = {}
    faults: list[str] = []
    taken = {number for _, number, _, _ in _valves(tables) if number is not None}
    for place, number, kind, written in _valves(tables):
        latching = _plain(valves.kind if kind is None else kind) == LATCHING
        closing = output_number(written)
        if number is None or (not latching and written is None):
            continue
        if not latching:
            faults.append(f'{place}: a closing output belongs to a latching valve; write valve = "latching" or none')
        elif closing is None or not 1 <= closing <= outputs:
            faults.append(f"{place}: a latching valve needs a closing output from 1 to {outputs}; give its relay")
        elif closing in taken:
            faults.append(f"{place}: output {closing} is used twice; give the closing pulse a relay of its own")
        else:
            taken.add(closing)
            pairs[number] = closing
    most = most_latching(valves.pulse_s)
    if len(pairs) > most:
        faults.append(
            f"{len(pairs)} latching valves cannot be closed within {MOST_CLOSING_S:.0f} s with pulses of "
            f"{valves.pulse_s * 1000:.0f} ms, {most} can; shorten valve_pulse, or give part of them a site of their own"
        )
    return pairs, faults


def most_latching(pulse_s: float) -> int:
    """How many valves can be pulsed shut one after the other in the time the keeper has."""
    return int(MOST_CLOSING_S / (pulse_s + SWITCHING_S))


def two_wire_fault(driver: object, valves: Valves) -> str:
    """Why decoders on a two-wire path may not be driven by this driver, or ""."""
    made_for_it = bool(getattr(driver, "two_wire", False))
    if valves.kind == TWO_WIRE and not made_for_it:
        return (
            'valves "two-wire" needs a driver made for such decoders, and this one is not; install a package whose '
            "driver says that it is and how its decoders close by themselves, or give each valve a relay of its own"
        )
    guarantee = str(getattr(driver, "close_guarantee", "") or "").strip()
    closes = getattr(driver, "holds_when_cut_off", None) is False or bool(getattr(driver, "timed_on", False))
    if made_for_it and not (guarantee and closes):
        return (
            "the driver is for two-wire decoders and does not guarantee that they close when they hear nothing; "
            "take one with a close guarantee of its own, or give each valve a relay of its own"
        )
    return ""


def _valves(tables: Mapping[str, Any]) -> Iterator[tuple[str, int | None, Any, Any]]:
    """(place, opening output, kind or None, closing output as written) of every zone and master valve."""
    for entry in entries(tables, "zone"):
        place = f'zone "{entry.get("id", "?")}"'
        yield place, output_number(entry.get("output")), entry.get("valve"), entry.get("close_output")
    for entry in entries(tables, "supply"):
        place = f'supply "{entry.get("id", "?")}", master'
        closing = entry.get("master_close_output")
        yield place, output_number(entry.get("master")), entry.get("master_valve"), closing


def _seconds(written: Any) -> float | None:
    """A pulse as written: "100 ms", "0.1 s", or a bare number of milliseconds."""
    if isinstance(written, int | float) and not isinstance(written, bool):
        return written / 1000.0 if abs(written) < 10**300 else None
    found = _TIME.fullmatch(written) if isinstance(written, str) else None
    return None if found is None else float(found[1]) / (1000.0 if found[2] == "ms" else 1.0)


def _plain(word: Any) -> str:
    return str(word).strip().lower().replace("_", " ").replace("-", " ")


def _listed(words: tuple[str, ...]) -> str:
    return ", ".join(f'"{word}"' for word in words)
