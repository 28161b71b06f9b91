"""The one table of cautions for work on foot: shown at the step, ticked by the person, with where each was read.

Local code and licensed practice come before every line of it. ``OPENED`` sources were read in the text named,
``MEMORY`` ones were not looked up, ``PRACTICE`` has no published source.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

MEMORY = "from memory"
PRACTICE = "common practice, no source"
LAST_WORD = "Local code and licensed practice come first."


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """One caution: a key that steps name, what it is about, what the person reads and ticks, and its source."""

    key: str
    topic: str
    text: str
    source: str


_TABLE = (
    Caution(
        key="backflow-local",
        topic="backflow",
        text="Which backflow device is needed, and who may test or open it, the local code says; leave it to them.",
        source="US EPA, safe drinking water FAQ: hazard class and device are left to the state",
    ),
    Caution(
        key="backflow-hazard",
        topic="backflow",
        text="Irrigation on a public supply counts as high hazard: air gap or reduced-pressure assembly; a pressure "
        "vacuum breaker must see no flooding, back pressure, elevated piping or compressed air.",
        source="water-utility notice citing AWWA",
    ),
    Caution(
        key="backflow-shut-off",
        topic="backflow",
        text="Know the hand shut-off: it stands as near as possible to the connection, with the backflow device.",
        source="Yolo County code s. 8-3.109",
    ),
    Caution(
        key="dig-locate",
        topic="digging",
        text="Before digging have utilities located (811 in the US, 2 to 3 working days before). Blue marks water, "
        "purple reclaimed water.",
        source="City of Lenexa notice; gas utility page",
    ),
    Caution(
        key="dig-private",
        topic="digging",
        text="Private lines, such as this irrigation, its wires and garden lights, are not marked by that service.",
        source="City of Lenexa notice; gas utility page",
    ),
    Caution(
        key="dig-by-hand",
        topic="digging",
        text="Dig by hand near pipe and wire, with water and power off.",
        source=PRACTICE,
    ),
    Caution(
        key="valve-supply-off",
        topic="valve work",
        text="Before a valve is opened up or a pipe cut: shut the supply by hand and let the pressure out through a "
        "zone; a lock in the program is no isolation.",
        source="general home-repair pages only, no agency text found",
    ),
    Caution(
        key="valve-power-off",
        topic="valve work",
        text="Cut the power of the valves before a wire or a coil is touched.",
        source="general home-repair pages only, no agency text found",
    ),
    Caution(
        key="valve-box",
        topic="valve work",
        text="Gloves on; look for insects and snakes before a hand goes into the box; put the lid back on.",
        source=PRACTICE,
    ),
    Caution(
        key="valve-snug",
        topic="valve work",
        text="Turn the solenoid about a quarter to open and back until snug; never force it.",
        source=PRACTICE,
    ),
    Caution(
        key="pressure-live",
        topic="pressure",
        text="The main is under full pressure: open slowly, stand clear of fittings, keep faces away.",
        source=PRACTICE,
    ),
    Caution(
        key="water-hammer",
        topic="pressure",
        text="Open and shut slowly: quick valve moves and fast air release cause water hammer.",
        source="Clark & Haman, Water Hammer in Irrigation Systems, UF/IFAS AE066",
    ),
    Caution(
        key="people-traffic",
        topic="running water",
        text="See that nobody stands or walks where water will come, and that none reaches traffic.",
        source=PRACTICE,
    ),
    Caution(
        key="heads-lift",
        topic="running water",
        text="Do not bend over a head that may rise, and do not put a hand into a running rotor.",
        source=PRACTICE,
    ),
    Caution(
        key="mains-qualified",
        topic="electrical",
        text="The mains side is for a qualified person: disconnect and GFCI; keep 24 V and mains apart.",
        source=f"NEC article 725 class 2, {MEMORY}",
    ),
    Caution(
        key="lightning",
        topic="electrical",
        text="No work on field wires while thunder is about; long wiring wants surge protection and an earth ground.",
        source=MEMORY,
    ),
    Caution(
        key="blow-out-pressure",
        topic="blow-out",
        text="Air: at most 50 psi (345 kPa) in polyethylene, 80 psi (552 kPa) in PVC, 30 psi (207 kPa) in drip; "
        "volume, not pressure; short turns, since air friction heats pipe.",
        source="general pages only, no agency text found; limits agree with memory",
    ),
    Caution(
        key="blow-out-eyes",
        topic="blow-out",
        text="Eye protection; never stand over heads or valves; shut the water first.",
        source="general pages only, no agency text found",
    ),
    Caution(
        key="blow-out-backflow",
        topic="blow-out",
        text="Drive no air through the backflow assembly; leave its ball valves at 45 degrees after draining.",
        source="general pages; water-utility notice for the vacuum breaker",
    ),
    Caution(
        key="blow-out-open-end",
        topic="blow-out",
        text="Open the next zone before the last one shuts; never shut all with the compressor on.",
        source=PRACTICE,
    ),
    Caution(
        key="reclaimed-signs",
        topic="reclaimed water",
        text='Signs "Reclaimed water, do not drink" and purple pipe must be in place and legible.',
        source="City of Austin; 314 CMR 20.04; Alabama 335-6-20-.13; El Paso Water",
    ),
    Caution(
        key="reclaimed-apart",
        topic="reclaimed water",
        text="Never connect it to another source, no pools, no hoses; keep spray off dwellings and eating areas.",
        source="Stuart and Oldsmar, Florida; El Paso Water",
    ),
    Caution(
        key="reclaimed-hands",
        topic="reclaimed water",
        text="Gloves on; wash hands before eating or drinking.",
        source=PRACTICE,
    ),
    Caution(
        key="pump-dry",
        topic="pump",
        text="Never run a pump dry or against shut valves: that ruins it in minutes; open a valve before or with it.",
        source="trade pages only",
    ),
    Caution(
        key="pump-wiring",
        topic="pump",
        text="A pump's mains wiring and cut-outs are a licensed electrician's; keep clear of its shaft.",
        source=PRACTICE,
    ),
    Caution(
        key="restrictions-win",
        topic="restrictions",
        text="The stricter local rule wins, also over an inspection; many allow running a zone for maintenance.",
        source="23 CCR 492.10; FAC 40D-22.201; SFWMD 2011",
    ),
    Caution(
        key="broken-head",
        topic="restrictions",
        text="Letting water run from a broken head after notice can be a prohibited use: leave that zone off.",
        source="FAC 40D-22.201(2)(e)",
    ),
    Caution(
        key="audit-footing",
        topic="running water",
        text="Wet grass is slippery: mind steps, slopes and the cups.",
        source=PRACTICE,
    ),
)
CAUTIONS: Mapping[str, Caution] = {caution.key: caution for caution in _TABLE}


def cautions(keys: Iterable[str]) -> tuple[Caution, ...]:
    """The cautions of these keys, each once, in the order named. Raises KeyError for an unknown key."""
    return tuple(CAUTIONS[key] for key in dict.fromkeys(keys))


def not_ticked(keys: Iterable[str], ticked: Iterable[str]) -> tuple[Caution, ...]:
    """Those that a step shows and the person has not ticked yet."""
    have = set(ticked)
    return tuple(caution for caution in cautions(keys) if caution.key not in have)


def tick_fault(keys: Sequence[str], ticked: Sequence[str]) -> str:
    """Why a step cannot be reported yet, with the remedy, or ""."""
    unknown = sorted(set(ticked) - CAUTIONS.keys())
    if unknown:
        return f"cautions: {', '.join(unknown)} is no caution here; tick {', '.join(keys) or 'none'}"
    missing = not_ticked(keys, ticked)
    if not missing:
        return ""
    texts = "; ".join(f"{caution.key}: {caution.text}" for caution in missing)
    return f"cautions: {len(missing)} not ticked; read and tick them first. {texts} {LAST_WORD}"
