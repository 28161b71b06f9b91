"""One night's openings placed in time: programs forwards, needs backwards from the end, short starts by day."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from dewpond.brain import establishment, timetable
from dewpond.brain.establishment import Starts
from dewpond.brain.ground import Ground
from dewpond.brain.state import Opening
from dewpond.brain.timetable import Chain, Limits, Placed, pack_backward, pack_forward
from dewpond.brain.water_need import Need
from dewpond.model.copying import replace
from dewpond.model.site import Zone

SEARCH = 2000  # openings placed while looking for a timetable that holds everything
SLACK_S = 1800.0  # left free at the window's end where the night has room, for openings that start late


@dataclass(frozen=True, slots=True)
class Decided:
    """One zone's decision before packing; ``decision`` and ``summary`` are set where the usual words do not fit."""

    zone: Zone
    need: Need
    chains: tuple[Chain, ...] = ()
    sources: tuple[str, ...] = ()
    decision: str | None = None
    summary: str | None = None
    starts: Starts | None = None  # by day, of new plants


@dataclass(frozen=True, slots=True)
class Piece:
    """One placed opening of one zone and where it comes from."""

    placed: Placed
    source: str


def pack_all(ground: Ground, decided: Sequence[Decided], kept: Sequence[Opening]) -> dict[str, list[Piece]]:
    """Place every chain, supply by supply: programs forwards from their starts, then needs backwards from the end."""
    pieces: dict[str, list[Piece]] = {}
    for supply, limits in ground.limits.items():
        taken = [_as_taken(item) for item in kept if item.supply == supply and not item.by_hand]
        here = [item for item in decided if item.zone.supply == supply and item.chains]
        timed = [(c, s) for item in here for c, s in zip(item.chains, item.sources, strict=True) if c.release_s > 0.0]
        for chain, source in sorted(timed, key=lambda pair: pair[0].release_s):
            placed = pack_forward((chain,), limits, taken)
            taken += placed
            pieces.setdefault(chain.zone, []).extend(Piece(item, source) for item in placed)
        needed = [item for item in here if item.zone.rule != "calendar"]
        by_need = _pack_needs(needed, limits, taken)
        for placed_item in by_need:
            source = ground.zones[placed_item.zone].rule
            pieces.setdefault(placed_item.zone, []).append(Piece(placed_item, source))
        _pack_starts([item for item in decided if item.zone.supply == supply], limits, [*taken, *by_need], pieces)
    return pieces


def _pack_starts(
    decided: Sequence[Decided], limits: Limits, taken: list[Placed], pieces: dict[str, list[Piece]]
) -> None:
    """Short starts of new plants, one after the other in order of time, around all that is placed already."""
    chains = (chain for item in decided if item.starts is not None for chain in item.starts.chains)
    for chain in sorted(chains, key=lambda each: (each.release_s, each.zone)):
        placed = pack_forward((chain,), limits, taken)
        taken += placed
        pieces.setdefault(chain.zone, []).extend(Piece(item, establishment.SOURCE) for item in placed)


def _pack_needs(needed: Sequence[Decided], limits: Limits, taken: Sequence[Placed]) -> list[Placed]:
    """All needs at once; where the window is too small, zones nearest to stress go first and the rest is carried."""
    chains = [chain for item in needed for chain in item.chains]
    wanted = sum(len(chain.openings_s) for chain in chains)
    hopeless = timetable.bound_s(chains, limits) > max((_open_s(chain) for chain in chains), default=0.0)
    for slack_s, search in ((SLACK_S, 0), (0.0, 0), *(() if hopeless else ((0.0, SEARCH),))):
        placed = pack_backward([_ending_earlier(chain, slack_s) for chain in chains], limits, taken, search=search)
        if len(placed) == wanted:
            return placed
    urgent = sorted(needed, key=lambda item: (-item.need.depletion_mm / item.need.raw_mm, item.zone.id))
    placed = []
    for item in urgent:
        placed += pack_backward(item.chains, limits, [*taken, *placed])
    return placed


def _open_s(chain: Chain) -> float:
    return sum(end_s - start_s for start_s, end_s in chain.allowed)


def _ending_earlier(chain: Chain, slack_s: float) -> Chain:
    """The chain with its last allowed interval ending earlier, so that a late opening still keeps the window."""
    start_s, end_s = chain.allowed[-1]
    return replace(chain, allowed=(*chain.allowed[:-1], (start_s, max(start_s, end_s - slack_s))))


def _as_taken(item: Opening) -> Placed:
    return Placed(item.zone, item.start_no, item.start_s, item.seconds, item.flow_l_min, item.latest_end_s)
