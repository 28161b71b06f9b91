"""The computer of an ordeal: a keeper and a daemon that die, stand still and come back, over one simulated world."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime
from typing import Any

from dewpond.adapters.calendar import PolledCalendar, done_keys, entries_for_site
from dewpond.adapters.rules.in_process import InProcessRules
from dewpond.brain.brain import Brain
from dewpond.brain.local_time import LocalDays
from dewpond.brain.state import State
from dewpond.model.codec import to_plain
from dewpond.model.events import BrokerChanged, Now, RainKnown, ReferenceEtKnown, ServiceStarted
from dewpond.runner.restore import restore
from dewpond.runner.runner import Ports, Runner
from dewpond_drivers.keeper_core import KeeperCore
from dewpond_sim.in_process_keeper import pump_order
from dewpond_sim.ordeal.draw import DAY_S, Ordeal
from dewpond_sim.ordeal.faults import Deed, Fault
from dewpond_sim.ordeal.keeper_line import KeeperLine
from dewpond_sim.ordeal.people import People
from dewpond_sim.ordeal.ports import Board, Disk, Feed, Letters, Storm
from dewpond_sim.ordeal.watch import Watch
from dewpond_sim.replay_clock import ReplayClock
from dewpond_sim.world.sky import Sky
from dewpond_sim.world.world import Pace, World

FIRST_DEPLETION_SHARE = 0.8  # of RAW: an ordeal without water proves little
SLEEP_S = 900.0


class Killed(BaseException):
    """Raised inside the daemon where it dies, as kill -9 would have it."""


class Machine:
    """Everything of one ordeal that runs. ``go`` runs it to its end."""

    def __init__(self, ordeal: Ordeal) -> None:
        self.ordeal, site = ordeal, ordeal.site
        days = LocalDays(site.timezone)
        start_s = days.start_s(ordeal.first)
        self.end_s = days.end_s(ordeal.weather[-1].date) - start_s
        self.clock = ReplayClock(datetime.fromtimestamp(start_s, UTC), end_s=self.end_s)
        self.storm = Storm(ordeal.faults, self._true_s)
        self.watch = Watch(site=site, start=datetime.fromtimestamp(start_s, UTC), faults=ordeal.faults)
        sky = Sky(ordeal.weather, site.timezone, ordeal.seed)
        self.world = World(site, sky, start_s=start_s, seed=ordeal.seed, truth=ordeal.truth, pace=Pace(sample_s=3600.0))
        self.letters = Letters(self.world, start_s, self.storm)
        self.feed = Feed(ordeal.weather, site, start_s, self.storm)
        self.disk = Disk(self.storm)
        self.board = Board(site.relays.outputs, self.storm, self._moved)
        self.line = KeeperLine(self._asked)
        self.people = People(site, self.line, self.watch)
        self.core: KeeperCore | None = None
        self.runner: Runner | None = None
        self._stopped = False
        self._armed = math.inf  # named points left until the daemon dies
        self._down_s = 0.0  # how long it stays dead then
        self._back_s = math.inf  # when it is started again after that
        self._lives = self._keepers = 0
        self._keeper_lives()

    def go(self) -> None:
        """From the first midnight to the end of the last day."""
        self._daemon_lives()
        for at_s, happen in self._happenings():
            self._until(min(at_s, self.end_s))
            happen()
        self._until(self.end_s)
        self.watch.ended(self.end_s)

    def _happenings(self) -> list[tuple[float, Any]]:
        """Everything that is to happen, in order of time."""
        found: list[tuple[float, int, Any]] = []
        for number, fault in enumerate(self.ordeal.faults):
            begins, ends = self._of(fault)
            found.append((fault.at_s, number, begins))
            found.append((fault.until_s, number, ends))
        for number, deed in enumerate(self.ordeal.deeds):
            found.append((deed.at_s, 1000 + number, lambda deed=deed: self._does(deed)))
        found.append((self.ordeal.storm_days * DAY_S, 2000, self._heal))
        found.sort(key=lambda item: (item[0], item[1]))
        return [(at_s, happen) for at_s, _, happen in found]

    def _of(self, fault: Fault) -> tuple[Any, Any]:
        """What happens when a fault begins and when it ends; the ports see to all others by themselves."""
        match fault.kind:
            case "daemon killed":
                return self._daemon_dies, self._daemon_lives
            case "daemon killed at work":
                return lambda: self._arm(fault), _nothing
            case "daemon stopped":
                return lambda: self._stop(True), lambda: self._stop(False)
            case "keeper killed":
                return self._keeper_dies, self._keeper_lives
            case "clock set" | "clock a little off":
                return lambda: self._set_clock(fault.value), _nothing
            case "messages lost":
                return lambda: self._broker(False), lambda: self._broker(True)
            case _:
                return _nothing, _nothing

    def _until(self, at_s: float) -> None:
        """Let time pass, with a daemon or without."""
        while self._true_s() < at_s:
            if self.runner is None or self._stopped:
                self._keeper_alone(min(at_s, self._back_s))
                if self._true_s() >= self._back_s:
                    self._daemon_lives()
                continue
            try:
                self.runner.run(at_s)
            except Killed:
                self._daemon_dies()
                self._back_s = self._true_s() + self._down_s

    def _keeper_alone(self, at_s: float) -> None:
        """Nobody renews; the keeper closes what runs out."""
        due_s = self.core.next_deadline_s() if self.core is not None else math.inf
        self.clock.wait(max(self._true_s(), min(at_s, due_s)))
        self.letters.catch_up()
        if self.core is not None:
            self.core.expire(self._true_s())
        if due_s <= self._true_s() and self.core is not None and self.core.next_deadline_s() <= self._true_s():
            self.watch.say(self._true_s(), "I10: the keeper has the same deadline again")
            self.clock.wait(self._true_s() + 1.0)

    def _daemon_lives(self) -> None:
        if self.runner is not None:
            return
        self._armed = self._back_s = math.inf
        if self._lives:
            died_s, _ = self.watch.dead.pop()
            self.watch.dead.append((died_s, self._true_s()))
            self.letters.catch_up()
            self.letters.forget()
        self._lives += 1
        brain, now = Brain(self.ordeal.site), self.clock.now()
        step_no, state = self._stored(brain, now)
        known = {event.date for event in self._events() if isinstance(event, ReferenceEtKnown | RainKnown)}
        self.feed.again(known)
        calendar = PolledCalendar(entries_for_site(self.ordeal.site), done_keys(self._events()), catch_up=True)
        self.line = KeeperLine(self._asked)
        self.line.core_is(self.core, str(self._keepers))
        self.people.line_is(self.line)
        self.runner = Runner(
            brain=brain,
            state=state,
            step_no=step_no,
            at=self._at,
            after_pass=self._after_pass,
            longest_sleep_s=SLEEP_S,
            ports=Ports(
                clock=self.clock,
                valves=self.line,
                bus=self.letters,
                store=self.disk,
                calendar=calendar,
                weather=self.feed,
                desk=self.people,
                rules=InProcessRules(),
            ),
        )
        first = step_no == 0
        self.runner.tell(
            ServiceStarted(at=now.wall, site_digest=self.ordeal.site.digest, version="ordeal", first=first)
        )
        self.runner.tell(BrokerChanged(at=now.wall, connected=True))
        self._begin(self.runner, now)

    def _begin(self, runner: Runner, now: Now) -> None:
        """The first pass and the snapshot after it, as the daemon begins; it may die even here."""
        try:
            runner.at("start-restored")
            runner.pass_once()
            runner.at("start-stepped")
            self.disk.snapshot(runner.step_no, now, runner.state)
            self.disk.commit()
            runner.at("start-stored")
        except Killed:
            self._daemon_dies()
            self._back_s = self._true_s() + self._down_s

    def _stored(self, brain: Brain, now: Now) -> tuple[int, State]:
        """What the disk kept, by way of the text that a real one holds."""
        if not self.disk.snapshots:
            state = brain.first_state(now, FIRST_DEPLETION_SHARE)
            return restore(brain, (0, json.loads(json.dumps(to_plain(state)))), self.disk.steps)
        step_no, _, kept = self.disk.snapshots[-1]
        after = [step for step in self.disk.steps if step[0] > step_no]
        return restore(brain, (step_no, json.loads(json.dumps(to_plain(kept)))), after)

    def _events(self) -> list[Any]:
        return [event for _, _, events in self.disk.steps for event in events]

    def _daemon_dies(self) -> None:
        if self.runner is None:
            return
        self.runner = None
        self._stopped = False
        self.watch.dead.append((self._true_s(), math.inf))
        self.disk.lose()

    def _stop(self, stopped: bool) -> None:
        if self.runner is None or self._stopped is stopped:
            return
        self._stopped = stopped
        if stopped:
            self.watch.dead.append((self._true_s(), math.inf))
        else:
            died_s, _ = self.watch.dead.pop()
            self.watch.dead.append((died_s, self._true_s()))

    def _arm(self, fault: Fault) -> None:
        self._armed, self._down_s = max(1.0, round(fault.value)), fault.until_s - fault.at_s

    def _at(self, _point: str) -> None:
        self._armed -= 1.0
        if self._armed == 0.0:
            raise Killed

    def _keeper_dies(self) -> None:
        self.core = None
        self.line.core_is(None, "")

    def _keeper_lives(self) -> None:
        if self.core is not None:
            return
        self._keepers += 1
        site = self.ordeal.site
        self.core = KeeperCore(
            self.board, site.relays.outputs, refuse=self.people.refusal, pumps=pump_order(site), look_s=900.0
        )
        self.people.core_is(self.core)
        self.line.core_is(self.core, str(self._keepers))

    def _set_clock(self, step_s: float) -> None:
        self.clock.wall_error_s += step_s

    def _heal(self) -> None:
        """The storm is over: the time service sets the clock right; all other faults have ended by themselves."""
        self.clock.wall_error_s = 0.0
        self._armed = math.inf
        self._daemon_lives()

    def _broker(self, connected: bool) -> None:
        if self.runner is not None:
            self.runner.tell(BrokerChanged(at=self.clock.now().wall, connected=connected, why="no broker"))

    def _does(self, deed: Deed) -> None:
        self.people.does(deed, self.clock.now(), listens=self.runner is not None and not self._stopped)

    def _moved(self, output: int, on: bool) -> None:
        self.letters.catch_up()
        self.world.switch(output, on)
        self.watch.moved(output, on, self._true_s())

    def _asked(self, run: str, output: int, planned_s: float, now: Now) -> None:
        self.watch.asked(run, output, planned_s, now.elapsed_s, durable=not self.disk.waiting)

    def _after_pass(self, now: Now) -> None:
        assert self.runner is not None  # noqa: S101
        self.watch.passed(now.elapsed_s, len(self.runner._pending))

    def _true_s(self) -> float:
        return self.clock.now().elapsed_s


def _nothing() -> None:
    """The ports see to it."""
