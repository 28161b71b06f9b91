"""What the brain remembers of a supply's pump."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class PumpState:
    """One pump. ``run_id`` is "" while it is off; ``closing`` says why it was told to stop, "" while it may run.

    Times are of the elapsed clock: ``starts_s`` of the last hour's starts, ``free_s`` the earliest next one,
    ``thin_since_s`` since when less than the pump's least flow is taken.
    """

    run_id: str = ""
    on: bool = False  # the keeper holds it open
    closing: str = ""
    number: int = 0  # of its last run
    asked_s: float = 0.0
    until_s: float = 0.0
    starts_s: tuple[float, ...] = ()
    free_s: float = float("-inf")
    thin_since_s: float = float("inf")
