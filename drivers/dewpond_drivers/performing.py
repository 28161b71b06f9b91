"""What each request does to the keeper's core. Called in the relay thread alone."""

from __future__ import annotations

from collections.abc import Sequence

from dewpond_drivers.keeper_core import KeeperCore
from dewpond_drivers.keeper_facts import Answer
from dewpond_drivers.layout import SITE, Layout
from dewpond_drivers.locks import Done
from dewpond_drivers.wire import Request

CLICK_S = 1.0  # long enough to be heard, too short to move much water


def perform(core: KeeperCore, layout: Layout, request: Request | None, now_s: float) -> Answer:
    """Carry out one request; without one, do what is due."""
    match request:
        case None:
            return Answer(True, "", core.expire(now_s))
        case Request(op="open"):
            return core.open(request.output, request.run or "", request.lease_s, request.planned_s, now_s)
        case Request(op="renew"):
            return core.renew(request.output, request.run or "", request.lease_s, now_s)
        case Request(op="close"):
            return _close(core, layout, request, now_s)
        case Request(op="click"):
            return _click(core, layout, request.output, now_s)
        case _:
            if request.wish:
                core.wished(range(1, core.outputs + 1))
            return core.close_all(now_s, request.who or "everything was closed on request")


def shut_for(core: KeeperCore, done: Done, now_s: float) -> Answer:
    """Shut what a new lock covers, and a master that is left without a running zone. ``done.lock`` must be there."""
    lock = done.lock
    assert lock is not None  # noqa: S101 - only a new lock is shut for
    why = f"stopped: {lock.words()}"
    covered = [output for output in range(1, core.outputs + 1) if lock.covers(output)]
    core.wished(covered)
    if lock.target == SITE:
        return core.close_all(now_s, why)
    return _shut(core, done.layout, covered, now_s, why)


def _close(core: KeeperCore, layout: Layout, request: Request, now_s: float) -> Answer:
    """A run's own closing; a person's closing shuts an idle master as well, since the daemon may be dead."""
    why = request.who or "closed on request"
    if request.target:
        if request.target not in layout.zones:
            return Answer(False, f"no zone {request.target!r} here; zones are {', '.join(sorted(layout.zones))}")
        output = layout.zones[request.target][0]
        core.wished([output] if request.wish else ())
        return _shut(core, layout, [output], now_s, why)
    if request.run is not None:
        return core.close(request.output, request.run, now_s, why)
    core.wished([request.output] if request.wish else ())
    return _shut(core, layout, [request.output], now_s, why)


def _click(core: KeeperCore, layout: Layout, output: int, now_s: float) -> Answer:
    """Open one output for a second, to be heard: alone, and never where a pump could feed it."""
    if core.openings:
        return Answer(False, f"output {core.openings[0].output} is open; a relay is clicked while all others are off")
    supplies = dict(layout.zones.values()) | {master: supply for supply, master in layout.masters.items()}
    if output in layout.pumps.values() or supplies.get(output) in layout.pumps:
        return Answer(False, f"output {output} belongs to a supply with a pump; nothing there is clicked")
    return core.open(output, f"click/{output}/{now_s:.3f}", CLICK_S, CLICK_S, now_s)


def _shut(core: KeeperCore, layout: Layout, outputs: Sequence[int], now_s: float, why: str) -> Answer:
    """Close outputs whoever holds them, then masters that are left without a running zone."""
    running = {opening.output for opening in core.openings}.difference(outputs)
    answers = [core.close(output, None, now_s, why) for output in outputs]
    answers += [core.close(output, None, now_s, why) for output in layout.idle_masters(outputs, running)]
    failed = [answer.why for answer in answers if not answer.ok]
    closings = tuple(closing for answer in answers for closing in answer.closings)
    return Answer(not failed, failed[0] if failed else "", closings)
