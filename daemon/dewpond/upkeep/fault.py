"""What a fault found on foot is made of: where it is looked for, its urgency, likely causes, remedies, cautions."""

from __future__ import annotations

from dataclasses import dataclass

from dewpond.upkeep.cautions import PRACTICE

AT_ONCE, WEEK, MONTH, SEASON = "at once", "this week", "within a month", "this season"
URGENCIES = (AT_ONCE, WEEK, MONTH, SEASON)
DIG = ("dig-locate", "dig-private", "dig-by-hand")
OPEN_UP = ("valve-supply-off", "valve-power-off")


@dataclass(frozen=True, slots=True)
class Cause:
    """One likely cause and what mends it. Any of ``when`` seen in the same zone puts it before the others.

    Signs are other faults' keys, or what was judged: "pressure-high", "pressure-low", "flow-high", "flow-low",
    "mixed-kinds", "several" (the fault at three heads or more), "slope", "opens-by-hand".
    """

    text: str
    remedy: str
    when: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing that can be wrong. ``on`` is what it is found on: "overhead", "drip", "any", "supply" or "site"."""

    key: str
    step: str
    words: str
    urgency: str
    causes: tuple[Cause, ...]
    cautions: tuple[str, ...] = ()
    on: str = "any"
    source: str = PRACTICE
    repair: bool = False  # step (c) can mend it on the spot
    judged: bool = False  # the program finds it itself; a person may too


# What a broken or missing head loses, for the faults of several tables.
EPA_HEAD = "up to 25,000 gal in a 6-month season: US EPA WaterSense via Facility Executive"
