"""What the watch says: one verdict an incident, with what it rests on and what a person should do next."""

from __future__ import annotations

from dataclasses import dataclass

# Kinds that concern one zone, water that flows with every valve closed, and the whole supply.
ZONE_KINDS = frozenset({"lateral_break", "high_flow", "low_flow", "no_flow", "wrong_zone"})
IDLE_KINDS = frozenset({"idle_flow", "stuck_open", "main_break"})
SUPPLY_KINDS = frozenset({"meter_fault", "no_supply", "low_pressure"})

# What the daemon should do at once; a suspicion never leaves the plants dry.
NOTHING_DONE = "none"
STOP_ZONE = "stop zone"
GO_ON = "go on with the next zone"
CLOSE_AGAIN = "close the valve again, then the master valve"
CLOSE_MASTER = "close the master valve"
STOP_SUPPLY = "stop the pump and all openings"


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """A fault told (``over`` False) or an incident that has ended (``over`` True; ``what`` says why, else by evidence).

    ``again``: what was told already was tried once more and still fails; what was done is to be done again.

    ``zone`` is None where one meter cannot know it, ``zones`` all zones concerned. ``lost_l`` are litres beyond usual
    up to ``time_s``. ``sure`` is False where another cause would look the same; ``what`` then names it.
    """

    time_s: float
    kind: str
    zone: str | None = None
    zones: tuple[str, ...] = ()
    lost_l: float = 0.0
    expected_l_min: float | None = None
    seen_l_min: float | None = None
    sure: bool = True
    action: str = NOTHING_DONE
    what: str = ""
    next_step: str = ""
    over: bool = False
    again: bool = False
