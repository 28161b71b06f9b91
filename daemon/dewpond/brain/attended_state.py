"""What the brain remembers of attended tests: a main kept under water by a person who stands beside it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime


@dataclass(frozen=True, kw_only=True)
class Attended:
    """One supply's test. ``runs`` are output and run id of the master valve and the pump, in order of opening.

    Times ending in ``_s`` are of the elapsed clock. ``held`` are the runs that are, or may be, open. ``break_l_min`` is
    the flow above which it closes, and ``above_s`` how long the meter has seen more just now. ``pump_from_s`` is when
    the pump starts, once the master is open, and ``drawn_s`` when enough was last drawn for it.
    """

    who: str
    reason: str
    began_at: datetime
    began_s: float
    until_s: float
    runs: tuple[tuple[int, str], ...]
    held: frozenset[str] = frozenset()
    asked_s: float = 0.0
    closing: str = ""  # why it ends, "" while it goes on
    break_l_min: float = float("inf")
    above_s: float = 0.0
    litres: float = 0.0
    least_l_min: float = 0.0  # of the pump
    pump_from_s: float = float("inf")
    drawn_s: float = float("inf")
    opened_s: float | None = None  # when its main came under water; None: when it began


@dataclass(frozen=True, kw_only=True)
class AttendedState:
    """Tests by supply id, and the spans of those that are over, for meter rows that come late. [s since 1970]"""

    tests: Mapping[str, Attended] = field(default_factory=dict)
    spans: Mapping[str, tuple[tuple[float, float], ...]] = field(default_factory=dict)
    ended: Mapping[str, str] = field(default_factory=dict)  # why the last test of a supply ended
