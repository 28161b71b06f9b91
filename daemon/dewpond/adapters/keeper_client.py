"""The daemon's side of the valve keeper: ``ports.Valves`` over its socket.

Nothing here raises for an operating fault: a keeper that is gone, deaf or not ready comes back as events. The keeper
closes by itself what is not renewed, so losing it needs no action, only a record.
"""

from __future__ import annotations

import math
from collections.abc import Sequence, Set
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from dewpond.adapters.keeper_link import ANSWER_S, LOOK_S, KeeperLink, KeeperSilent
from dewpond.adapters.keeper_locks import locks_known, stops_told
from dewpond.adapters.keeper_stop import plain
from dewpond.crash_points import AtPoint, passed_by
from dewpond.model.events import Event, KeeperFound, KeeperLost, Now, ValveClosed, ValveOpened, ValveRefused

OVERRUN_S = 5.0  # a lease never reaches further beyond the planned end
RETRY_S = 5.0  # between looks at a keeper that is lost, not ready, or still closing something
Answer = dict[str, Any]


@dataclass(slots=True)
class _Held:
    """A run that the keeper was last known to hold open. ``closing`` is the cause once it was asked to close."""

    output: int
    opened_s: float
    opened_at: datetime
    planned_end_s: float
    closing: str = ""


class KeeperClient:
    """Keeps leases alive at one keeper.

    Parameters
    ----------
    socket_path : Path   The keeper's socket.
    lease_s : float      How long an opening lasts without renewal. [s]
    renew_s : float      How often leases are renewed. [s]
    look_s : float       How often an idle keeper is looked at, so that a restarted one is found. [s]
    at : callable        Told each point at which a proof may end this process.
    """

    def __init__(
        self,
        socket_path: Path,
        lease_s: float = 90.0,
        renew_s: float = 20.0,
        look_s: float = 20.0,
        at: AtPoint = passed_by,
    ) -> None:
        self._path = socket_path
        self._at = at
        self._lease_s = lease_s
        self._renew_s = renew_s
        self._look_s = look_s
        self._link: KeeperLink | None = None
        self._held: dict[str, _Held] = {}
        self._told: tuple[str, bool, bool] | None = None  # session, readiness, trouble as last told; None while lost
        self._lost = False
        self._lock_mark = ""  # of the locks as last reported
        self._stop_mark = ""  # of the newest stop that was reported
        self._due_s = -math.inf

    def next_renewal_s(self) -> float:
        """Elapsed time of the next ``renew``; never inf, for a keeper that dies must be noticed."""
        return self._due_s

    def open(self, run_id: str, output: int, planned_s: float, now: Now) -> Sequence[Event]:
        """Open on a lease. The same run again extends the planned end; it is reported open since its first opening."""
        events = self._reach(now)
        request = {
            "op": "open",
            "run": run_id,
            "output": output,
            "planned_s": planned_s,
            "lease_s": min(self._lease_s, planned_s + OVERRUN_S),
        }
        answer = self._ask(request, now, events)
        if answer is None:
            why = "the valve keeper does not answer"
        elif answer["ok"]:
            return [*events, self._hold(run_id, output, planned_s, now)]
        else:
            why = str(answer["why"])
            self._take(answer, now, events, but=run_id)
        events.append(ValveRefused(at=now.wall, run_id=run_id, output=output, why=why))
        return events

    def renew(self, now: Now) -> Sequence[Event]:
        """Renew what is held, ask again for what should be closed, look at an idle keeper, or look for a lost one."""
        known = set(self._held)
        events = self._reach(now)
        if self._link is None:
            return events
        if self._held.keys() - known:
            self._due_s = now.elapsed_s  # nothing found open is held any longer before the brain has agreed to it
            return events
        self._due_s = now.elapsed_s + self._renew_s
        for run_id, held in list(self._held.items()):
            request = self._renewal(run_id, held, now)
            answer = self._ask(request, now, events)
            if answer is None:
                return events
            self._take(answer, now, events)
            renewed = request["op"] == "renew" and answer["ok"]
            if run_id in self._held and not renewed:
                self._look(now, events)
        if not self._held:
            self._due_s = now.elapsed_s + self._look_s
            if not events:
                self._look(now, events)
        if self._unsettled():
            self._due_s = now.elapsed_s + min(RETRY_S, self._renew_s)
        return events

    def look(self, now: Now) -> Sequence[Event]:
        """Ask the keeper how it is, renewing nothing."""
        events = self._reach(now)
        if self._link is not None:
            self._look(now, events)
        return events

    def close(self, run_id: str, output: int, now: Now, cause: str) -> Sequence[Event]:
        """Close. Where the keeper cannot be asked or cannot close yet, the closing follows from a later ``renew``."""
        events = self._reach(now, insist=True)
        if run_id in self._held:
            self._held[run_id].closing = cause
        answer = self._ask({"op": "close", "run": run_id, "output": output, "who": plain(cause)}, now, events)
        if answer is None:
            return events
        known = self._take(answer, now, events)
        if run_id in self._held:
            self._look(now, events)
        elif run_id not in known and (answer["ok"] or answer["ready"]):
            why = str(answer["why"]) or "it was not open"
            events.append(ValveClosed(at=now.wall, run_id=run_id, output=output, open_s=0.0, why=why))
        self._soon_if_unsettled(now)
        return events

    def close_all(self, now: Now, cause: str) -> Sequence[Event]:
        """Close everything."""
        events = self._reach(now, insist=True)
        for held in self._held.values():
            held.closing = cause
        answer = self._ask({"op": "close_all", "who": plain(cause)}, now, events)
        if answer is not None:
            self._take(answer, now, events)
            self._look(now, events)
        self._soon_if_unsettled(now)
        return events

    def disconnect(self) -> None:
        """Hang up; leases at the keeper run on to their end."""
        if self._link is not None:
            self._link.close()
            self._link = None

    def _hold(self, run_id: str, output: int, planned_s: float, now: Now) -> ValveOpened:
        held = self._held.get(run_id)
        if held is None:
            held = self._held[run_id] = _Held(output, now.elapsed_s, now.wall, 0.0)
        held.planned_end_s = max(held.planned_end_s, now.elapsed_s + planned_s)
        held.closing = ""
        self._due_s = min(self._due_s, now.elapsed_s + self._renew_s)
        return ValveOpened(at=held.opened_at, run_id=run_id, output=output)

    def _renewal(self, run_id: str, held: _Held, now: Now) -> Answer:
        left_s = held.planned_end_s + OVERRUN_S - now.elapsed_s
        if held.closing or left_s <= 0.0:
            return {
                "op": "close",
                "run": run_id,
                "output": held.output,
                "who": plain(held.closing or "its planned end has passed"),
            }
        return {"op": "renew", "run": run_id, "output": held.output, "lease_s": min(self._lease_s, left_s)}

    def _reach(self, now: Now, *, insist: bool = False) -> list[Event]:
        """Connect where there is no connection; a lost keeper is tried every 5 s, or at once to close."""
        events: list[Event] = []
        if self._link is not None or (self._lost and now.elapsed_s < self._due_s and not insist):
            return events
        try:
            self._link = KeeperLink(self._path, self._at)
        except KeeperSilent as silent:
            self._lose(silent, now, events)
        else:
            self._look(now, events)
        return events

    def _ask(self, request: Answer, now: Now, events: list[Event], answer_s: float = ANSWER_S) -> Answer | None:
        """One question; None, and the loss among the events, when there is no usable answer."""
        if self._link is None:
            return None
        try:
            answer = self._link.ask(request, answer_s)
            if not {"ok", "why", "session", "ready", "closings"} <= answer.keys():
                raise KeeperSilent(f"the keeper at {self._path} speaks another language")  # noqa: TRY301
        except KeeperSilent as silent:
            self._lose(silent, now, events)
            return None
        self._learn(request, answer, now, events)
        return answer

    def _learn(self, request: Answer, answer: Answer, now: Now, events: list[Event]) -> None:
        """New locks and people's stops are in the keeper's state; an answer with another mark gives reason to ask.

        They are told before any closing: what a person stopped is not taken for a fault, nor opened again.
        """
        new_locks = answer.get("lock_mark", self._lock_mark) != self._lock_mark
        new_stops = answer.get("stop_mark", self._stop_mark) != self._stop_mark
        if not (new_locks or new_stops):
            return
        if "locks" not in answer:
            if request["op"] != "locks":
                self._ask({"op": "locks"}, now, events, LOOK_S)
            return
        if new_locks:
            self._lock_mark = str(answer["lock_mark"])
            events.append(locks_known(answer["locks"], now))
        if new_stops:
            self._stop_mark = str(answer["stop_mark"])
            events.append(stops_told(answer["stops"], now))

    def _lose(self, silent: KeeperSilent, now: Now, events: list[Event]) -> None:
        self.disconnect()
        self._told = None
        self._due_s = now.elapsed_s + min(RETRY_S, self._renew_s)
        if not self._lost:
            self._lost = True
            events.append(KeeperLost(at=now.wall, why=str(silent)))

    def _look(self, now: Now, events: list[Event]) -> None:
        """Compare with all that the keeper knows; a keeper that is new, or newly ready or not, is reported as found."""
        answer = self._ask({"op": "hello"}, now, events, LOOK_S)
        if answer is None:
            return
        self._report(answer, self._held.keys() & answer["closings"].keys(), now, events)
        outputs = {int(number): str(item["run"]) for number, item in answer["outputs"].items()}
        for run_id, held in list(self._held.items()):
            if outputs.get(held.output) == run_id:
                continue
            if answer["ready"]:
                events.append(self._closed_by_restart(run_id, now, float(answer["off_ago_s"])))
            else:
                outputs[held.output] = run_id  # its relay is thought to stay as it was until all is known to be off
        alarm = "" if answer["ready"] else str(answer.get("alarm", ""))
        told = (str(answer["session"]), bool(answer["ready"]), bool(alarm))
        if told == self._told:
            return
        self._told, self._lost = told, False
        self._adopt(answer, now)
        closings = answer["closings"].items()
        events.append(
            KeeperFound(
                at=now.wall,
                session=told[0],
                ready=told[1],
                open_outputs=outputs,
                closed={run_id: float(item["open_s"]) for run_id, item in closings},
                opened_at={run: self._held[run].opened_at for run in outputs.values() if run in self._held},
                closed_at={run_id: now.wall - timedelta(seconds=float(item["ago_s"])) for run_id, item in closings},
                wished=tuple(sorted(run_id for run_id, item in closings if item.get("wished") is True)),
                alarm=alarm,
            )
        )

    def _adopt(self, answer: Answer, now: Now) -> None:
        """Look after what the keeper holds open for an earlier life of this daemon, until it is wanted no more."""
        for number, item in answer["outputs"].items():
            open_s = float(item["open_s"])
            held = _Held(
                output=int(number),
                opened_s=now.elapsed_s - open_s,
                opened_at=now.wall - timedelta(seconds=open_s),
                planned_end_s=now.elapsed_s + float(item["planned_left_s"]),
                closing=str(item["closing"]),
            )
            self._held.setdefault(str(item["run"]), held)

    def _take(self, answer: Answer, now: Now, events: list[Event], but: str = "") -> frozenset[str]:
        """Report all closings of an answer, and a keeper that has ceased to be ready; returns the closed runs."""
        closed = frozenset(answer["closings"])
        self._report(answer, closed - {but}, now, events)
        if self._told is not None and bool(answer["ready"]) is not self._told[1]:
            self._look(now, events)
        return closed

    def _report(self, answer: Answer, runs: Set[str], now: Now, events: list[Event]) -> None:
        for run_id in sorted(runs):
            item = answer["closings"][run_id]
            self._held.pop(run_id, None)
            events.append(
                ValveClosed(
                    at=now.wall - timedelta(seconds=float(item["ago_s"])),
                    run_id=run_id,
                    output=int(item["output"]),
                    open_s=float(item["open_s"]),
                    why=str(item["why"]),
                    wished=item.get("wished") is True,
                )
            )

    def _closed_by_restart(self, run_id: str, now: Now, off_ago_s: float) -> ValveClosed:
        """A new keeper has switched everything off and knows nothing of this run: it counts as open until then."""
        held = self._held.pop(run_id)
        open_s = max(0.0, now.elapsed_s - off_ago_s - held.opened_s)
        at = now.wall - timedelta(seconds=off_ago_s)
        why = "the keeper was restarted"
        return ValveClosed(at=at, run_id=run_id, output=held.output, open_s=open_s, why=why)

    def _unsettled(self) -> bool:
        """Whether there is reason to look again soon."""
        ready = self._told is not None and self._told[1]
        return not ready or any(held.closing for held in self._held.values())

    def _soon_if_unsettled(self, now: Now) -> None:
        if self._unsettled():
            self._due_s = min(self._due_s, now.elapsed_s + RETRY_S)
