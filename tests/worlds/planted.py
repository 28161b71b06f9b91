"""Bugs planted into the daemon and the keeper, one at a time: the ordeals must find them, or they prove little.

python tests/worlds/planted.py [NAME ...]    tells for each the first seed that found it, and by which promise.
"""

from __future__ import annotations

import contextlib
import importlib
import math
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import time, timedelta
from typing import Any

from dewpond.brain.openings import close_now
from dewpond.model.hours import DayRule, Hours
from dewpond.model.states import OPEN, Ending
from dewpond_sim.ordeal.run import of_seed

SEEDS = range(1, 41)


@dataclass(frozen=True, slots=True)
class Planted:
    """``make`` gets what stands at ``where`` (module or module:class, then the name) and returns what is worse."""

    where: str
    name: str
    make: Callable[[Any], Any]


def _wall_end(_right: Any) -> Any:
    """Runs end by the wall clock, which somebody may set."""

    def close_done(state: Any, now: Any) -> Any:
        commands: list[Any] = []
        for item in state.openings:
            if item.state is OPEN and item.opened_at and now.wall >= item.opened_at + timedelta(seconds=item.seconds):
                state, told = close_now(state, item, "done", now)
                commands += told
        return state, commands

    return close_done


def _no_lease(right: Any) -> Any:
    def lease_end_s(self: Any, *args: Any) -> float:
        return right(self, *args) + 1e9

    return lease_end_s


def _unlocked(right: Any) -> Any:
    def init(self: Any, *args: Any, **named: Any) -> None:
        right(self, *args, **{**named, "refuse": lambda _output: None})

    return init


def _believes_off(right: Any) -> Any:
    def shut_all(self: Any, now_s: float, why: str) -> bool:
        if self._connected:
            return right(self, now_s, why)
        self._connected = True
        self._settle(now_s)
        return True

    return shut_all


def _gives_up(right: Any) -> Any:
    def postpone(self: Any, now_s: float, why: str) -> None:
        right(self, now_s, why)
        self._retry_s = math.inf

    return postpone


def _constant(value: Any) -> Callable[[Any], Any]:
    return lambda _right: lambda *_args, **_named: value


def _same_state(_right: Any) -> Any:
    return lambda *args, **_named: (next(arg for arg in args if hasattr(arg, "openings")), [])


def _of_site(**changes: Any) -> Callable[[Any], Any]:
    """The brain believes a site that has other rules than its file."""

    def make(right: Any) -> Any:
        def brain(site: Any) -> Any:
            watering = {name: value for name, value in changes.items() if name != "restrictions"}
            site = replace(site, watering=replace(site.watering, **watering))
            return right(replace(site, restrictions=()) if "restrictions" in changes else site)

        return brain

    return make


def _resumes_for_ever(right: Any) -> Any:
    def remainder(*args: Any) -> Any:
        found = right(*args)
        return None if found is None else replace(found, seconds=args[0].seconds)

    return remainder


def _resumes_stops(right: Any) -> Any:
    return lambda item, zone, open_s, _ending, now: right(item, zone, open_s, Ending.BROKEN_OFF, now)


def _books_nothing(right: Any) -> Any:
    def finish(ground: Any, state: Any, item: Any, open_s: float, *rest: Any, **named: Any) -> Any:
        return right(ground, state, item, 0.0, *rest, **named)

    return finish


def _ten_times(right: Any) -> Any:
    return lambda zone: 10.0 * right(zone)


def _no_rows_of_runs(right: Any) -> Any:
    return tuple(kind for kind in right if kind.__name__ != "RecordRun")


def _says_written(right: Any) -> Any:
    def commit(self: Any) -> bool:
        return right(self) or True

    return commit


def _not_opened(_right: Any) -> Any:
    return lambda _ground, state, _item, now: (state, [], now.elapsed_s)


def _takes_no_need(right: Any) -> Any:
    return lambda state, zone, need, *rest: need


def _deaf_to_closings(right: Any) -> Any:
    def carry_out(self: Any, command: Any, now: Any, **named: Any) -> None:
        before = list(self._pending)
        right(self, command, now, **named)
        if type(command).__name__ == "CloseValve":
            self._pending = before

    return carry_out


def _accepts_and_forgets(right: Any) -> Any:
    def on_stop(ground: Any, state: Any, event: Any, now: Any) -> Any:
        _, told = right(ground, state, event, now)
        return state, [one for one in told if type(one).__name__ == "AnswerOperator"]

    return on_stop


def _closed_at_once(right: Any) -> Any:
    def on_closed(ground: Any, state: Any, event: Any, now: Any) -> Any:
        return right(ground, state, replace(event, open_s=0.0), now)

    return on_closed


def _no_steps(right: Any) -> Any:
    return lambda brain, snapshot, _steps: right(brain, snapshot, ())


def _only_snapshots(right: Any) -> Any:
    """Numbers its steps anew after every start."""
    return lambda brain, snapshot, steps: (0, right(brain, snapshot, steps)[1])


def _extends(right: Any) -> Any:
    def opens(self: Any, output: int, run: str, lease_s: float, planned_s: float, now_s: float) -> Any:
        return right(self, output, run, lease_s, 86_000.0, now_s)

    return opens


CORE = "dewpond_drivers.keeper_core:KeeperCore"
RUNNER = "dewpond.runner.runner:Runner"
MACHINE = "dewpond_sim.ordeal.machine"
BRAIN = "dewpond.brain"
ALL_DAY = Hours(start=time(0), end=time(0))

PLANTED: dict[str, Any] = {
    "a run ends by the wall clock": Planted(f"{BRAIN}.sequencer", "_close_done", _wall_end),
    "a lease never ends": Planted(CORE, "_lease_end_s", _no_lease),
    "locks are not looked at": (
        Planted(CORE, "__init__", _unlocked),
        Planted(f"{BRAIN}.locks", "on", _constant(None)),
        Planted(f"{BRAIN}.locks", "held", _constant("")),
    ),
    "relays are believed off at the start": Planted(CORE, "_shut_all", _believes_off),
    "closing is not tried again": Planted(CORE, "_postpone", _gives_up),
    "any plan is a day long": Planted(CORE, "open", _extends),
    "a valve opens before its intent is durable": Planted(RUNNER, "_commit_intent", _constant(True)),
    "results wait for the next half minute": Planted(RUNNER, "_commit_result", _constant(None)),
    "closings are not heard": Planted(RUNNER, "_carry_out_one", _deaf_to_closings),
    "a full disk says it has written": Planted("dewpond_sim.ordeal.ports:Disk", "commit", _says_written),
    "rows of runs are not kept": Planted("dewpond.runner.runner", "RECORDS", _no_rows_of_runs),
    "the journal after the snapshot is not read": Planted(MACHINE, "restore", _no_steps),
    "steps are numbered from 1 after a start": Planted(MACHINE, "restore", _only_snapshots),
    "days and plans done are forgotten": Planted(MACHINE, "done_keys", _constant(set())),
    "a plan forgets what has begun": Planted(f"{BRAIN}.planner", "_begun_zones", _constant(set())),
    "a remainder is given whole": Planted(f"{BRAIN}.closing", "_remainder", _resumes_for_ever),
    "what a person stopped is given again": Planted(f"{BRAIN}.closing", "_remainder", _resumes_stops),
    "a remainder is never given, and no reason": Planted(
        f"{BRAIN}.closing", "_row", lambda right: lambda *a: replace(right(*a), note="")
    ),
    "closed runs are booked as nothing": Planted(f"{BRAIN}.keeper_news", "finish", _books_nothing),
    "the keeper's seconds are taken for nothing": Planted(f"{BRAIN}.keeper_news", "on_closed", _closed_at_once),
    "ceilings are ten times as high": Planted(f"{BRAIN}.water_need", "ceiling_s", _ten_times),
    "the day's cap is not looked at": Planted(f"{BRAIN}.caps", "limited", _takes_no_need),
    "max_open is not looked at": Planted(MACHINE, "Brain", _of_site(max_open=9)),
    "the window is not looked at": Planted(MACHINE, "Brain", _of_site(window=ALL_DAY)),
    "allowed days are not looked at": Planted(MACHINE, "Brain", _of_site(days=DayRule())),
    "restrictions are not looked at": Planted(MACHINE, "Brain", _of_site(restrictions=())),
    "an idle master stays on": Planted(f"{BRAIN}.headworks", "_shut_idle_masters", _same_state),
    "the master is not opened": Planted(f"{BRAIN}.sequencer", "open_master", _not_opened),
    "a stop is accepted and not done": Planted(f"{BRAIN}.holds", "_stop", _accepts_and_forgets),
    "a hold is accepted and not kept": Planted(f"{BRAIN}.sequencer", "_on_hold", _constant(False)),
    "a keeper that is found again is not listened to": Planted(f"{BRAIN}.keeper_news", "on_keeper_found", _same_state),
    "a start does not doubt what was open": Planted(
        f"{BRAIN}.keeper_news", "on_started", lambda _r: lambda state, _now: state
    ),
    "room on the supply is not looked at": Planted(f"{BRAIN}.sequencer", "_room", _constant(True)),
}


Bug = Planted | tuple[Planted, ...]  # several where one part stands in for another


@contextlib.contextmanager
def planted(bug: Bug) -> Iterator[None]:
    """The bug is there within this context, and gone after it."""
    with contextlib.ExitStack() as stack:
        for part in bug if isinstance(bug, tuple) else (bug,):
            stack.enter_context(_planted(part))
        yield


@contextlib.contextmanager
def _planted(bug: Planted) -> Iterator[None]:
    module, _, cls = bug.where.partition(":")
    owner = importlib.import_module(module)
    owner = getattr(owner, cls) if cls else owner
    right = getattr(owner, bug.name)
    setattr(owner, bug.name, bug.make(right))
    try:
        yield
    finally:
        setattr(owner, bug.name, right)


def found_by(bug: Bug, seeds: range = SEEDS) -> tuple[int, str] | None:
    """The first seed whose ordeal finds a bug, and the promise it broke; None where none does."""
    with planted(bug):
        for seed in seeds:
            try:
                verdict = of_seed(seed)
            except Exception as fault:  # noqa: BLE001 - a bug that makes the daemon fail is found, too
                return seed, f"{type(fault).__name__}: {fault}"
            if verdict.wrong:
                return seed, verdict.wrong[0]
    return None


def main(names: list[str]) -> None:
    """Plant all of them, or those named."""
    missed = 0
    for name in names or PLANTED:
        found = found_by(PLANTED[name])
        missed += found is None
        word = "not found" if found is None else f"seed {found[0]}: {found[1]}"
        sys.stdout.write(f"{name}: {word}\n")
        sys.stdout.flush()
    sys.stdout.write(f"{len(names or PLANTED) - missed} of {len(names or PLANTED)} found\n")


if __name__ == "__main__":
    main(sys.argv[1:])
