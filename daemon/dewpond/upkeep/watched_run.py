"""A zone's minute of water as read-back, meter and gauge showed it: came on, flow and pressure, went off.

A meter tells litres for a window that ended at its row's time. Only windows wholly within the steady part of the run
count, so that neither the filling of the pipes nor a row that began before the run spoils the flow.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from statistics import median
from typing import Any

SETTLED_S = 15.0  # pipes fill and air leaves before; common practice, no source
SHUT_S = 15.0  # by then a valve is shut, the master after it too; common practice, no source
SHUT_SHARE = 0.10  # of its flow while open, above which water still runs
LONGEST_ROW_S = 120.0  # a longer gap between two rows of a meter is silence, not a window
Rows = Sequence[tuple[float, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """What the daemon said at ``at``: the valve by its relay's read-back, and the end of the zone's last run."""

    at: datetime
    valve: str
    alone: bool  # no other zone of the supply was open
    last_run_end: datetime | None


def picture_of(status: Mapping[str, Any], zone: str, supply: str) -> Picture:
    """One picture out of the daemon's status."""
    zones = {item["id"]: item for item in status["zones"]}
    others = [item for item in zones.values() if item["supply"] == supply and item["id"] != zone]
    ended = zones[zone]["last_run_end"]
    return Picture(
        at=datetime.fromisoformat(status["at"]),
        valve=zones[zone]["valve"],
        alone=all(item["valve"] not in ("open", "opening", "closing") for item in others),
        last_run_end=datetime.fromisoformat(ended) if ended else None,
    )


def has_run(pictures: Sequence[Picture]) -> bool:
    """Whether the zone was seen open, or a run of it ended since the first picture."""
    ends = [one.last_run_end for one in pictures if one.last_run_end is not None]
    return any(one.valve == "open" for one in pictures) or any(end > pictures[0].at for end in ends)


def figures(opened_s: float, closed_s: float, meter: Rows, pressure: Rows, *, alone: bool) -> dict[str, Any]:
    """The figures of the step ``run``: flow in L/min, pressure in kPa; what was not seen is left out.

    ``meter`` are (time, litres) and ``pressure`` (time, kPa), oldest first, in seconds of the opening's own clock.
    ``counted`` are the litres that the flow was taken from.
    """
    seen: dict[str, Any] = {"came_on": True, "went_off": True}
    windows = [(before, at, litres) for (before, _), (at, litres) in pairwise(meter)]
    windows = [(begin, end, litres) for begin, end, litres in windows if 0.0 < end - begin <= LONGEST_ROW_S]
    steady = [one for one in windows if one[0] >= opened_s + SETTLED_S and one[1] <= closed_s]
    if steady and alone:
        seen |= {"flow": _flow_l_min(steady), "counted": sum(litres for _, _, litres in steady)}
        after = [one for one in windows if one[0] >= closed_s + SHUT_S]
        seen["went_off"] = not after or _flow_l_min(after) <= SHUT_SHARE * seen["flow"]
    kpa = [value for at, value in pressure if opened_s + SETTLED_S <= at <= closed_s]
    return seen | ({"pressure": float(median(kpa))} if kpa else {})


def _flow_l_min(windows: Sequence[tuple[float, float, float]]) -> float:
    return 60.0 * sum(litres for _, _, litres in windows) / sum(end - begin for begin, end, _ in windows)
