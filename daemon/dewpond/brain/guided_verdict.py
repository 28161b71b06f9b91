"""What the counts and looks of a guided test prove, in words, and what they cannot.

A count is off by less than a pulse however long one waits: two pulses prove a flow, and less proves nothing. A leak
below the meter's least flow may pass without a pulse, so nothing here ever says that there is no leak.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from dewpond.brain.guided_state import AFTER, ISOLATE, OPEN, RUN, SHUT, Found
from dewpond.brain.pipes.settings import MeterSettings
from dewpond.science.change_detection import smallest_difference_l_min

CERTAIN, LIKELY, NOT_KNOWN = "certain", "likely", "not known"
STRONGEST = (CERTAIN, LIKELY, NOT_KNOWN)
# Water left in a lateral has run out of its lowest head after this long. [s] Common practice, no source.
DRAINED_S = 600.0
# A shut main that loses this much pressure in a test loses water. [kPa] Common practice, no source.
SAG_KPA = 20.0
# A pump's flow this share below what its open zone usually takes is worth a look. Common practice, no source.
WEAK_SHARE = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What a test came to, how far it can be relied on, and the smallest leak it could have shown. [L/min]"""

    text: str
    confidence: str
    smallest_l_min: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """What a verdict rests on. ``flows`` are the usual flows of zones, ``least`` and ``greatest`` a pump's. [L/min]"""

    found: Sequence[Found]
    meter: MeterSettings | None
    names: Mapping[str, str]
    flows: Mapping[str, float]
    least_l_min: float = 0.0
    greatest_l_min: float | None = None

    def of(self, name: str) -> Found | None:
        """The step of this name, the last where there are several."""
        return next((item for item in reversed(self.found) if item.step.name == name), None)


def judge(kind: str, facts: Facts) -> Verdict:
    """What a test of this kind came to."""
    verdict = KINDS[kind](facts)
    shared = facts.meter is not None and facts.meter.shared
    if shared and verdict.confidence == CERTAIN:
        text = f"{verdict.text} Others draw behind this meter too: make sure that nobody did."
        return Verdict(text=text, confidence=LIKELY, smallest_l_min=verdict.smallest_l_min)
    return verdict


def smallest_l_min(meter: MeterSettings, seconds: float) -> float:
    """Smallest leak that shows in a time: two pulses of it, and not below the meter's least flow. [L/min]"""
    if seconds <= 0.0:
        return float("inf")
    return max(meter.q1_l_min, float(smallest_difference_l_min(meter.pulse_l, seconds)))


def flows(meter: MeterSettings | None, found: Found | None) -> bool:
    """Whether a step's count proves that water passed."""
    return meter is not None and found is not None and (found.litres or 0.0) >= meter.verdict_l - 1e-9


def amount(value: float) -> str:
    """A number as people write it: two figures that matter, and no powers of ten."""
    return f"{value:.0f}" if abs(value) >= 9.95 else f"{value:.2g}"


def span(seconds: float) -> str:
    """A time as people say it."""
    return f"{seconds:.0f} s" if seconds < 120.0 else f"{seconds / 60.0:.0f} min"


def _rate_l_min(found: Found) -> float:
    return (found.litres or 0.0) * 60.0 / found.seconds if found.seconds > 0.0 else 0.0


def _counted(found: Found) -> str:
    return f"{amount(found.litres or 0.0)} L in {span(found.seconds)}, {amount(_rate_l_min(found))} L/min"


def _unseen(meter: MeterSettings, seconds: float) -> str:
    limit_l_min = smallest_l_min(meter, seconds)
    if limit_l_min == float("inf"):
        return "The meter said nothing in that time, which proves nothing."
    return f"A leak of less than {amount(limit_l_min)} L/min would not show in that time."


def _leak(facts: Facts) -> Verdict:
    meter, shut, opened = facts.meter, facts.of(SHUT), facts.of(OPEN)
    if meter is None:
        return _by_eye(facts.found)
    parts = [_before_master(meter, shut)] if shut is not None else []
    parts += [_behind_master(meter, shut, opened)] if opened is not None else []
    if not parts:
        return Verdict(text="Nothing was measured.", confidence=NOT_KNOWN)
    return Verdict(
        text=" ".join(item.text for item in parts),
        confidence=min((item.confidence for item in parts), key=STRONGEST.index),
        smallest_l_min=max(item.smallest_l_min or 0.0 for item in parts),
    )


def _before_master(meter: MeterSettings, shut: Found) -> Verdict:
    limit_l_min = smallest_l_min(meter, shut.seconds)
    if flows(meter, shut):
        text = (
            f"With the master valve shut water passed the meter ({_counted(shut)}): it leaves between meter and master "
            "valve, at a tap there, or the master valve does not shut."
        )
        return Verdict(text=text, confidence=CERTAIN, smallest_l_min=limit_l_min)
    text = f"From supply to master valve no flow was seen. {_unseen(meter, shut.seconds)}"
    return Verdict(text=text, confidence=NOT_KNOWN, smallest_l_min=limit_l_min)


def _behind_master(meter: MeterSettings, shut: Found | None, opened: Found) -> Verdict:
    """Beyond what passed with the master shut: each count is off by less than a pulse, scaled to the same time."""
    before_l, doubt_l = 0.0, meter.verdict_l
    if shut is not None and shut.seconds > 0.0:
        scale = opened.seconds / shut.seconds
        before_l, doubt_l = (shut.litres or 0.0) * scale, meter.pulse_l * (1.0 + scale)
    more_l = (opened.litres or 0.0) - before_l
    limit_l_min = smallest_l_min(meter, opened.seconds)
    if opened.seconds > 0.0 and more_l >= max(doubt_l, meter.verdict_l) - 1e-9:
        more_l_min = more_l * 60.0 / opened.seconds
        text = (
            f"With the master valve open and every zone shut {amount(more_l_min)} L/min more passed "
            f"({_counted(opened)}): the main leaks between master and zone valves, or a zone valve weeps. The test for "
            "a weeping valve tells them apart."
        )
        return Verdict(text=text, confidence=CERTAIN, smallest_l_min=limit_l_min)
    if opened.kpa_drop is not None and opened.kpa_drop >= SAG_KPA:
        text = (
            f"The main lost {opened.kpa_drop:.0f} kPa while every zone was shut, though the meter counted too little "
            "to prove a flow: it loses water, or the supply's own pressure fell."
        )
        return Verdict(text=text, confidence=LIKELY, smallest_l_min=limit_l_min)
    text = f"From master to zone valves no further flow was seen. {_unseen(meter, opened.seconds)}"
    return Verdict(text=text, confidence=NOT_KNOWN, smallest_l_min=limit_l_min)


def _by_eye(found: Sequence[Found]) -> Verdict:
    """Without a meter: what a person saw, and nothing beyond it."""
    where = {SHUT: "with the master valve shut", OPEN: "with the master valve open and every zone shut"}
    seen = [where[item.step.name] for item in found if item.saw == "yes"]
    if seen:
        text = f"Water was seen {' and '.join(seen)}. No meter says how much."
        return Verdict(text=text, confidence=LIKELY)
    text = "By eye nothing was seen; without a meter, water that soaks away under ground is not seen at all."
    return Verdict(text=text, confidence=NOT_KNOWN)


def _weeping(facts: Facts) -> Verdict:
    base = facts.of(OPEN)
    isolated = [item for item in facts.found if item.step.name == ISOLATE]
    if facts.meter is not None and base is not None and flows(facts.meter, base):
        return _isolated(facts, facts.meter, base, isolated)
    wet = [_name(facts, item) for item in isolated if item.saw == "yes"]
    unseen = "" if facts.meter is None or base is None else f" {_unseen(facts.meter, base.seconds)}"
    if wet:
        text = f"By eye water runs at {_listed(wet)} with every valve shut: its valve weeps, or its laterals drain."
        return Verdict(text=f"{text} The drainage test tells those apart.", confidence=LIKELY)
    looked = len([item for item in isolated if item.saw == "no"])
    text = f"By eye no water was seen at {looked} of {len(facts.names)} zones.{unseen}"
    limit = None if facts.meter is None or base is None else smallest_l_min(facts.meter, base.seconds)
    return Verdict(text=text, confidence=NOT_KNOWN, smallest_l_min=limit)


def _isolated(facts: Facts, meter: MeterSettings, base: Found, isolated: Sequence[Found]) -> Verdict:
    """Which zones' shutting took flow away: at least two pulses less than the flow before would have counted."""
    weeping: list[str] = []
    left_l_min = base_l_min = _rate_l_min(base)
    for item in isolated:
        missing_l = base_l_min * item.seconds / 60.0 - (item.litres or 0.0)
        if missing_l >= meter.pulse_l * (1.0 + item.seconds / base.seconds) - 1e-9:
            stopped_l_min = missing_l * 60.0 / item.seconds
            left_l_min -= stopped_l_min
            weeping.append(f"{_name(facts, item)} ({amount(stopped_l_min)} L/min)")
    limit_l_min = smallest_l_min(meter, base.seconds)
    text = f"With every zone valve shut {amount(base_l_min)} L/min flowed."
    if weeping:
        rest = max(left_l_min, 0.0)
        more = f" About {amount(rest)} L/min come from elsewhere." if rest >= limit_l_min else ""
        text += (
            f" Shut by hand, it stopped for {_listed(weeping)}: that valve weeps; clean or renew its diaphragm.{more}"
        )
        return Verdict(text=text, confidence=CERTAIN, smallest_l_min=limit_l_min)
    missing = [name for zone, name in facts.names.items() if zone not in {item.step.zone for item in isolated}]
    if missing:
        text += f" None of the zones tried so far took it away; {_listed(missing)} were not tried."
        return Verdict(text=text, confidence=NOT_KNOWN, smallest_l_min=limit_l_min)
    text += " No zone's shutting took it away: the main itself, or a zone valve that its hand valve did not cut off."
    return Verdict(text=text, confidence=LIKELY, smallest_l_min=limit_l_min)


def _drainage(facts: Facts) -> Verdict:
    """Drained water comes from the lateral and passes no meter; a weeping valve's does, and never stops."""
    after = facts.of(AFTER)
    if after is None:
        return Verdict(text="The minutes after the run were not watched.", confidence=NOT_KNOWN)
    name, passed = _name(facts, after), flows(facts.meter, after)
    counted = "" if facts.meter is None else f" The meter counted {_counted(after)}."
    if after.saw == "no" and not passed:
        text = (
            f"The lowest head of {name} stopped within {span(after.after_s)}: low-head drainage. A check valve in the "
            f"lowest heads, or in the lateral, keeps the water in the pipe.{counted}"
        )
        return Verdict(text=text, confidence=CERTAIN if after.after_s <= DRAINED_S else LIKELY)
    if after.saw == "no":
        text = f"The lowest head of {name} stopped, but water still passed the meter: look for a leak.{counted}"
        return Verdict(text=text, confidence=LIKELY)
    if after.saw == "yes" and (passed or after.after_s >= DRAINED_S):
        text = (
            f"The lowest head of {name} still ran {span(after.after_s)} after its valve shut: the valve weeps; clean "
            f"or renew its diaphragm, and look for grit in its seat.{counted}"
        )
        return Verdict(text=text, confidence=CERTAIN if passed and after.after_s >= DRAINED_S else LIKELY)
    text = f"Not watched until the end: drained laterals stop within about {span(DRAINED_S)}, a weeping valve never."
    return Verdict(text=f"{text}{counted}", confidence=NOT_KNOWN)


def _pump(facts: Facts) -> Verdict:
    run = facts.of(RUN)
    if run is None:
        return Verdict(text="The pump was not run.", confidence=NOT_KNOWN)
    seen = {"yes": " Something was wrong by eye or ear.", "no": " By eye and ear nothing was wrong."}.get(run.saw, "")
    if run.note:
        return Verdict(text=f"{run.note[:1].upper()}{run.note[1:]}.{seen}", confidence=LIKELY)
    if facts.meter is None or run.litres is None:
        return Verdict(text=f"The pump ran for {span(run.seconds)}; no meter saw it.{seen}", confidence=NOT_KNOWN)
    if run.seconds <= 0.0:
        return Verdict(text=f"The meter said nothing while the pump ran.{seen}", confidence=NOT_KNOWN)
    rate, usual = _rate_l_min(run), facts.flows.get(run.step.zone or "", 0.0)
    if rate < facts.least_l_min:
        what = f"less than the {amount(facts.least_l_min)} L/min it needs: look at suction, strainer and impeller"
    elif facts.greatest_l_min is not None and rate > facts.greatest_l_min:
        what = f"more than the {amount(facts.greatest_l_min)} L/min it may give: look for a broken pipe"
    elif rate < WEAK_SHARE * usual:
        what = f"the zone takes {amount(usual)} L/min: look at suction, strainer, impeller and a worn seal"
    else:
        what = "as it should be"
    resolved = run.litres >= 5.0 * facts.meter.verdict_l
    text = f"{amount(rate)} L/min flowed ({_counted(run)}), {what}.{seen}"
    return Verdict(text=text, confidence=CERTAIN if resolved else LIKELY)


def _name(facts: Facts, found: Found) -> str:
    return facts.names.get(found.step.zone or "", found.step.zone or "")


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


KINDS: Mapping[str, Callable[[Facts], Verdict]] = {
    "leak": _leak,
    "weeping": _weeping,
    "drainage": _drainage,
    "pump": _pump,
}
