"""What a technician's figures say: good, worth a look, or a fault, each with limit, remedy and source."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from dewpond.brain.pipes.state import UsualFlow
from dewpond.model.site import Heads, Site, Supply, Zone
from dewpond.science.wiring import COIL_OHM, parallel_ohm
from dewpond.upkeep import judging
from dewpond.upkeep.cautions import MEMORY, PRACTICE

GOOD, LOOK, FAULT = "good", "look", "fault"
FAR_ABOVE = 2.0  # times the highest good reading of a coil. Common practice, no source.
STATIC_SHARE = 0.10  # of the site file's static pressure, and between the hours. Common practice, no source.
HOURS_WANTED = 3  # readings of static pressure. Common practice, no source, for "several times of day".
VOLTS, HOLDING_A, INRUSH_A = 24.0, 0.3, 0.5  # upper ends of the usual ranges; from memory
JARRETT = "Jarrett, Water Management, 2nd ed. 2000, pp. 336-337"
LIKE_HEADS = {
    "flow-high": "look for a broken head, a cracked pipe, or nozzles larger than the list",
    "flow-low": "look for clogged nozzles or filter, a valve half open, or a leak before the zone",
    "pressure-high": "fit regulated heads or a regulator",
    "pressure-low": "look for a half-shut valve or a leak; else fewer heads on this zone",
}


@dataclass(frozen=True, slots=True)
class Word:
    """One judgement. ``text`` is a sentence, ``remedy`` what to do, "" where nothing is to be done."""

    state: str
    text: str
    remedy: str = ""
    source: str = PRACTICE


def coil(ohm: float | None, coils: int = 1) -> Word:
    """The resistance of a zone's circuit, power off; None is an open loop. ``coils`` hang on it in parallel. [ohm]"""
    low = float(parallel_ohm([COIL_OHM[0]] * coils))
    high = float(parallel_ohm([COIL_OHM[1]] * coils))
    of = "a sound coil" if coils == 1 else f"{coils} sound coils on one output"
    limit = f"{of} {'reads' if coils == 1 else 'read'} {low:g} to {high:g} ohm"
    if ohm is None:
        return Word(FAULT, f"The loop is open: {limit}.", "look for a broken wire, splice or coil, from the box back")
    if ohm < low:
        pair = (float(parallel_ohm([COIL_OHM[0]] * (coils + 1))), float(parallel_ohm([COIL_OHM[1]] * (coils + 1))))
        more = f"; {coils + 1} coils on one output would read {pair[0]:g} to {pair[1]:g} ohm" if ohm >= pair[0] else ""
        remedy = "measure at the coil itself; renew a shorted coil, mend bare wire"
        remedy += ", and see whether another valve opens with it" if more else ""
        return Word(FAULT, f"{ohm:g} ohm is a short: {limit}{more}.", remedy)
    if ohm > FAR_ABOVE * high:
        return Word(FAULT, f"{ohm:g} ohm is far above: {limit}.", "renew the splices, then the coil, and measure again")
    if ohm > high:
        return Word(LOOK, f"{ohm:g} ohm is above: {limit}.", "measure at the coil itself; the rest is wire and splices")
    return Word(GOOD, f"{ohm:g} ohm: {limit}.")


def static(readings: Mapping[str, float], supply: Supply) -> tuple[Word, ...]:
    """Static pressure by the hour of the day ("07:30"), against the site file and against itself. [kPa]"""
    low, high = min(readings.values()), max(readings.values())
    told = [Word(GOOD, f"{len(readings)} readings, from {low:.0f} to {high:.0f} kPa.")]
    if len(readings) < HOURS_WANTED:
        text = f"{len(readings)} of {HOURS_WANTED} hours are read; pressure goes with what the neighbours draw."
        told = [Word(LOOK, text, "read it again early, at noon and in the evening")]
    elif high - low > STATIC_SHARE * high:
        text = f"It falls by {high - low:.0f} kPa, from {high:.0f} to {low:.0f} kPa, over the day."
        told.append(Word(LOOK, text, "let zones run when pressure is high; design for the lowest"))
    stated = supply.static_pressure_kpa
    if stated is not None and low < (1.0 - STATIC_SHARE) * stated:
        text = f"The lowest, {low:.0f} kPa, is below the site file's {stated:.0f} kPa."
        told.append(
            Word(LOOK, text, "look for a half-shut valve, a regulator, a filter; then put it into the site file")
        )
    return tuple(told)


def dynamic(first_kpa: float, last_kpa: float, zone: Zone, heads: Sequence[Heads]) -> tuple[Word, ...]:
    """Pressure at the first and last head of a zone that runs. [kPa]"""
    lost = (first_kpa - last_kpa) / first_kpa
    text = f"{first_kpa:.0f} kPa at the first head, {last_kpa:.0f} kPa at the last: {abs(lost) * 100:.0f} %"
    text += " lost on the way" if lost >= 0.0 else " more at the last"
    if lost > judging.PRESSURE_SHARE:
        limit = f"{text}; more than {judging.PRESSURE_SHARE * 100:.0f} % is uneven water."
        told = [Word(LOOK, limit, "look for a leak or a pinched lateral; else a larger pipe or fewer heads", JARRETT)]
    else:
        told = [Word(GOOD, f"{text}.", source=JARRETT)]
    for where, kpa in (("first", first_kpa), ("last", last_kpa)):
        seen = judging.judge(judging.Seen(pressure_kpa=kpa, at_head=True), zone, heads, None)
        told += [
            Word(LOOK, f"At the {where} head: {seen.sentences[-1]}", LIKE_HEADS[fault], JARRETT)
            for fault in seen.faults
        ]
    return tuple(told)


def flow(l_min: float, zone: Zone, heads: Sequence[Heads], usual: UsualFlow | None) -> tuple[Word, ...]:
    """A zone's flow against its usual flow, or its list of heads. [L/min]"""
    seen = judging.judge(judging.Seen(flow_l_min=l_min), zone, heads, usual)
    state = LOOK if seen.faults else GOOD
    return (Word(state, seen.sentences[0], "; ".join(LIKE_HEADS[fault] for fault in seen.faults)),)


def output(zone: Zone, waters: str) -> Word:
    """Whether the output of a zone waters that zone."""
    if waters == zone.id:
        return Word(GOOD, f"Output {zone.output} waters {zone.id}, as the site file says.")
    if waters == "nothing":
        return Word(FAULT, f"Output {zone.output} waters nothing.", "measure its coil; look at wire and flow control")
    remedy = "swap the wires, or correct output in the site file for both zones"
    return Word(FAULT, f"Output {zone.output} waters {waters}, not {zone.id}.", remedy)


SPLICES: Mapping[str, Word] = {
    "sound": Word(GOOD, "Every splice is sound."),
    "loose": Word(FAULT, "A splice is loose.", "make it anew in a waterproof cap"),
    "wet": Word(FAULT, "A splice stands in water.", "dry it, make it anew in a waterproof cap, and raise it"),
    "corroded": Word(FAULT, "A splice is corroded.", "cut back to bright copper and make it anew"),
    "not found": Word(LOOK, "A splice was not found.", "trace the wire, and write into the register where it lies"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """What may hang on the transformer at once, by name of the coil, and what that takes."""

    coils: tuple[str, ...]
    starting_va: float
    holding_va: float


def load(
    site: Site, coils_on: Mapping[str, int], *, volts: float = VOLTS, holding_a: float = HOLDING_A,
    inrush_a: float = INRUSH_A,
) -> Load:  # fmt: skip
    """The greatest load: ``max_open`` zones of every supply, those with most coils first, its master and pump relay.

    All but one hold, and the last one pulls in. ``coils_on`` says of zones with more than one coil.
    """
    names: list[str] = []
    for supply in site.supplies:
        mine = sorted((z for z in site.zones if z.supply == supply.id), key=lambda z: -coils_on.get(z.id, 1))
        for zone in mine[: site.watering.max_open]:
            names += [zone.id] * coils_on.get(zone.id, 1)
        names += [f"master of {supply.id}"] if supply.master_output is not None and mine else []
        names += [f"pump relay of {supply.id}"] if supply.pump is not None and mine else []
    count = len(names)
    return Load(
        coils=tuple(names),
        starting_va=volts * (holding_a * max(0, count - 1) + inrush_a * min(1, count)),
        holding_va=volts * holding_a * count,
    )


def transformer(va: float, found: Load) -> Word:
    """Whether a transformer carries what may be on at once. [VA]"""
    text = f"{len(found.coils)} coils at once ({', '.join(found.coils)}) take {found.holding_va:.0f} VA"
    text += f", {found.starting_va:.0f} VA while the last one pulls in; it gives {va:.0f} VA."
    source = f"inrush and holding currents {MEMORY}"
    if found.starting_va > va:
        return Word(FAULT, text, "lower max_open, or have a qualified person fit a larger one", source)
    return Word(GOOD, text, source=source)
