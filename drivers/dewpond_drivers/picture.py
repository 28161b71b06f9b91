"""What clients of the keeper are told: the relay thread's last picture of the relays, as lines of JSON."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from dewpond_drivers.keeper_core import KeeperCore
from dewpond_drivers.keeper_facts import Answer, Closing, Opening
from dewpond_drivers.locks import Done, LockBook, plain
from dewpond_drivers.stops import StopBook
from dewpond_drivers.wire import reply


@dataclass(frozen=True, slots=True)
class Picture:
    """What the relay thread last left behind, for the loop to read."""

    ready: bool
    alarm: str
    deadline_s: float
    repeat_s: float
    all_off_s: float
    moves: int
    openings: tuple[Opening, ...]
    closings: dict[str, Closing]

    def holds(self, run: str) -> bool:
        """Whether this run holds an output."""
        return any(opening.run == run for opening in self.openings)


def look(core: KeeperCore) -> Picture:
    """The picture of a core; only the thread that uses the core may take it."""
    return Picture(
        ready=core.ready,
        alarm=core.alarm,
        deadline_s=core.next_deadline_s(),
        repeat_s=core.next_repeat_s(),
        all_off_s=core.all_off_s,
        moves=core.moves,
        openings=core.openings,
        closings=dict(core.closings),
    )


class Replies:
    """Lines of answer. ``now_s`` is the elapsed time of answering, ``ready`` whether outputs may open just then."""

    def __init__(self, session: str, locks: LockBook, stops: StopBook, outputs: int) -> None:
        self._session = session
        self._locks = locks
        self._stops = stops
        self._outputs = outputs

    def answer(self, picture: Picture, answer: Answer, now_s: float, *, ready: bool, run: str | None = None) -> bytes:
        """The answer with all closings that came of it, and the earlier one of a ``run`` that is no longer open."""
        closings = {closing.run: closing for closing in answer.closings}
        if run is not None and run in picture.closings and not picture.holds(run):
            closings[run] = picture.closings[run]
        return reply(ok=answer.ok, why=answer.why, closings=_closings(closings, now_s), **self._head(ready))

    def locked(self, done: Done, answer: Answer, now_s: float, *, ready: bool) -> bytes:
        """The answer to a change of locks: it stands, whatever came of shutting what it covers."""
        closings = _closings({closing.run: closing for closing in answer.closings}, now_s)
        return reply(ok=True, why=answer.why, told=done.told, closings=closings, **self._head(ready))

    def status(self, picture: Picture, now_s: float, *, ready: bool, trouble: str) -> bytes:
        """Everything there is to know."""
        off_ago_s = round(now_s - picture.all_off_s, 3) if math.isfinite(picture.all_off_s) else None
        return reply(
            ok=True,
            why="",
            alarm=trouble,
            outputs={opening.output: _opening(opening, now_s) for opening in picture.openings},
            count=self._outputs,
            off_ago_s=off_ago_s,
            closings=_closings(picture.closings, now_s),
            locks=plain(self._locks.standing),
            stops=self._stops.plain(now_s),
            **self._head(ready),
        )

    def _head(self, ready: bool) -> dict[str, Any]:
        marks = {"lock_mark": self._locks.mark(), "stop_mark": self._stops.mark()}
        return {"session": self._session, "ready": ready, **marks}


def _opening(opening: Opening, now_s: float) -> dict[str, Any]:
    return {
        "run": opening.run,
        "open_s": round(now_s - opening.opened_s, 3),
        "left_s": round(max(0.0, opening.lease_end_s - now_s), 3),
        "planned_left_s": round(max(0.0, opening.planned_end_s - now_s), 3),
        "closing": opening.closing,
    }


def _closings(closings: dict[str, Closing], now_s: float) -> dict[str, dict[str, Any]]:
    return {
        run: {
            "output": closing.output,
            "open_s": round(closing.open_s, 3),
            "ago_s": round(max(0.0, now_s - closing.at_s), 3),
            "why": closing.why,
            "wished": closing.wished,
        }
        for run, closing in closings.items()
    }
