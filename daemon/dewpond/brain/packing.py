"""One night's openings placed in time: programs forwards, needs backwards from the end, short starts by day."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from dewpond.brain import establishment, timetable
from dewpond.brain.company import with_company
from dewpond.brain.establishment import Starts
from dewpond.brain.ground import Ground
from dewpond.brain.pump_gaps import spaced
from dewpond.brain.state import Opening
from dewpond.brain.supply_bounds import least_flow_l_min
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
    """Place every chain, supply by supply: programs forwards from their starts, then needs backwards from the end.

    Zones below the least flow of their supply's pump are placed last, in company.
    """
    pieces: dict[str, list[Piece]] = {}
    for supply in ground.site.supplies:
        limits, least_l_min = ground.limits[supply.id], least_flow_l_min(supply)
        here = [_bounded(item, limits) for item in decided if item.zone.supply == supply.id]
        taken = [_as_taken(item, limits) for item in kept if item.supply == supply.id and not item.by_hand]
        runs = _runs(item for item in here if item.chains)
        timed = sorted((run for run in runs if run.timed), key=lambda run: run.chain.release_s)
        for run in timed:
            if run.chain.flow_l_min >= least_l_min:
                _keep(run, pack_forward((run.chain,), limits, taken), taken, pieces)
        needed = [item for item in here if item.chains and item.zone.rule != "calendar"]
        by_need = _pack_needs([item for item in needed if item.zone.flow_l_min >= least_l_min], limits, taken)
        if supply.pump is not None:
            by_need = spaced(by_need, taken, supply.pump, {item.zone.id: item.chains[0].allowed for item in needed})
        sources = {item.zone.id: item.sources[0] for item in needed}
        _keep_all([(placed, sources[placed.zone]) for placed in by_need], taken, pieces)
        if least_l_min:
            _pack_small(
                [run for run in timed if run.chain.flow_l_min < least_l_min], limits, taken, pieces, least_l_min
            )
            urgent = _runs(item for item in _urgent_first(needed) if item.zone.flow_l_min < least_l_min)
            _pack_small(urgent, limits, taken, pieces, least_l_min, late=True)
        _pack_starts(here, limits, taken, pieces, least_l_min)
    return {zone: found for zone, found in pieces.items() if not _too_short(ground.zones[zone], found)}


@dataclass(frozen=True, slots=True)
class _Run:
    """One chain and where it comes from; ``timed`` by a program."""

    chain: Chain
    source: str

    @property
    def timed(self) -> bool:
        return self.chain.release_s > 0.0


def _runs(items: Iterable[Decided]) -> list[_Run]:
    return [_Run(chain, source) for item in items for chain, source in zip(item.chains, item.sources, strict=True)]


def _keep(run: _Run, placed: Iterable[Placed], taken: list[Placed], pieces: dict[str, list[Piece]]) -> None:
    _keep_all([(item, run.source) for item in placed], taken, pieces)


def _keep_all(found: Iterable[tuple[Placed, str]], taken: list[Placed], pieces: dict[str, list[Piece]]) -> None:
    for placed, source in found:
        taken.append(placed)
        pieces.setdefault(placed.zone, []).append(Piece(placed, source))


def _pack_small(
    runs: Sequence[_Run],
    limits: Limits,
    taken: list[Placed],
    pieces: dict[str, list[Piece]],
    least_l_min: float,
    *,
    late: bool = False,
) -> None:
    """Zones below the pump's least flow, beside others and together; programs from their starts on."""
    chains = [timetable.released(run.chain) for run in runs]
    found = with_company(chains, limits, taken, least_l_min, late=late)
    _keep_all([(placed, runs[index].source) for index, placed in found], taken, pieces)


def _pack_starts(
    decided: Sequence[Decided],
    limits: Limits,
    taken: list[Placed],
    pieces: dict[str, list[Piece]],
    least_l_min: float,
) -> None:
    """Short starts of new plants, one after the other in order of time, around all that is placed already."""
    chains = (chain for item in decided if item.starts is not None for chain in item.starts.chains)
    runs = [_Run(chain, establishment.SOURCE) for chain in sorted(chains, key=lambda each: (each.release_s, each.zone))]
    for run in runs:
        if run.chain.flow_l_min >= least_l_min:
            _keep(run, pack_forward((run.chain,), limits, taken), taken, pieces)
    _pack_small([run for run in runs if run.chain.flow_l_min < least_l_min], limits, taken, pieces, least_l_min)


def _too_short(zone: Zone, found: Sequence[Piece]) -> bool:
    """Whether what fits is below the zone's minimum run, so that it waits for the next night."""
    if zone.rule == "calendar" or any(piece.source == establishment.SOURCE for piece in found):
        return False
    return sum(piece.placed.seconds for piece in found) < zone.minimum_run_s


def _pack_needs(needed: Sequence[Decided], limits: Limits, taken: Sequence[Placed]) -> list[Placed]:
    """All needs at once; where the window is too small, zones nearest to stress go first and the rest is carried."""
    chains = [chain for item in needed for chain in item.chains]
    wanted = sum(len(chain.openings_s) for chain in chains)
    for slack_s, search in ((SLACK_S, 0), (0.0, 0), (0.0, SEARCH)):
        if search and timetable.bound_s(chains, limits) > max((_open_s(chain) for chain in chains), default=0.0):
            break  # no search finds room for all
        earlier = [_ending_earlier(chain, slack_s) for chain in chains] if slack_s else chains
        placed = pack_backward(earlier, limits, taken, search=search)
        if len(placed) == wanted:
            return _leaves_last(needed, earlier, limits, taken, placed)
    placed = []
    for item in _urgent_first(needed):
        placed += pack_backward(item.chains, limits, [*taken, *placed])
    return placed


def _leaves_last(
    needed: Sequence[Decided], chains: Sequence[Chain], limits: Limits, taken: Sequence[Placed], placed: list[Placed]
) -> list[Placed]:
    """The same night with what wets leaves at its end and drip before it, where that begins no earlier.

    Leaves that dry soon after the last opening are wet for fewer hours (common practice, no source).
    """
    wetting = {item.zone.id for item in needed if item.zone.overhead}
    if not 0 < len(wetting) < len(needed):
        return placed
    found = pack_backward(chains, limits, taken, last=wetting)
    begins_s = min(item.start_s for item in placed)
    kept = len(found) == len(placed) and min(item.start_s for item in found) >= begins_s
    return found if kept else placed


def _urgent_first(needed: Sequence[Decided]) -> list[Decided]:
    """Zones nearest to stress lead."""
    return sorted(needed, key=lambda item: (-item.need.depletion_mm / item.need.raw_mm, item.zone.id))


def _open_s(chain: Chain) -> float:
    return sum(end_s - start_s for start_s, end_s in chain.allowed)


def _ending_earlier(chain: Chain, slack_s: float) -> Chain:
    """The chain with its last allowed interval ending earlier, so that a late opening still keeps the window."""
    start_s, end_s = chain.allowed[-1]
    return replace(chain, allowed=(*chain.allowed[:-1], (start_s, max(start_s, end_s - slack_s))))


def _bounded(item: Decided, limits: Limits) -> Decided:
    """The decision with no chain above what its supply gives at once: a zone that takes more runs alone."""
    most_l_min = limits.capacity_l_min
    if most_l_min is None or item.zone.flow_l_min <= most_l_min:
        return item
    chains = tuple(replace(chain, flow_l_min=most_l_min) for chain in item.chains)
    starts = item.starts
    if starts is not None:
        by_day = tuple(replace(chain, flow_l_min=most_l_min) for chain in starts.chains)
        starts = replace(starts, chains=by_day)
    return replace(item, chains=chains, starts=starts)


def _as_taken(item: Opening, limits: Limits) -> Placed:
    flow_l_min = item.flow_l_min if limits.capacity_l_min is None else min(item.flow_l_min, limits.capacity_l_min)
    return Placed(item.zone, item.start_no, item.start_s, item.seconds, flow_l_min, item.latest_end_s)
