"""The keeper's one loop: sockets on one side, the relay thread on the other, leases and retries in between.

The loop itself never waits for relays, clients or disks. A driver call that does not come back makes the keeper not
ready: every opening is refused, and the first thing done when the driver returns is to switch everything off.
"""

from __future__ import annotations

import selectors
import socket
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from dewpond_drivers.clients import Client, Clients
from dewpond_drivers.keeper_core import KeeperCore
from dewpond_drivers.keeper_facts import Answer
from dewpond_drivers.keeper_ports import KeeperClock, Supervisor
from dewpond_drivers.layout import Layout
from dewpond_drivers.lock_desk import LockDesk
from dewpond_drivers.locks import Done, LockBook
from dewpond_drivers.performing import perform, shut_for
from dewpond_drivers.picture import Replies, look
from dewpond_drivers.stops import StopBook
from dewpond_drivers.wire import LOCK_OPS, LineRefused, Request, parse
from dewpond_drivers.worker import Worker

HANG_S = 5.0  # a job of the relay thread that takes longer counts as hanging
GIVE_UP_S = 30.0  # after which only a new process can reach the relays
CLOSE_DRIVER_S = 3.0


class RelaysHang(RuntimeError):
    """Raised when the relay thread has not come back for 30 s: the process must be replaced."""


@dataclass(slots=True)
class Task:
    """A job for the relay thread; without a request: do what is due. ``done`` is a lock whose outputs must shut."""

    request: Request | None
    client: Client | None = None
    done: Done | None = None


class KeeperLoop:
    """Serves one listening socket over one keeper core until ``stop``.

    ``say`` gets each word for the log; ``session`` names this life of the keeper, so that clients notice a new one.
    ``layout`` says which master feeds which zone.
    """

    def __init__(
        self,
        core: KeeperCore,
        clock: KeeperClock,
        listener: socket.socket,
        *,
        session: str,
        say: Callable[[str], None],
        announce: Callable[[], None],
        supervisor: Supervisor,
        locks: LockBook,
        stops: StopBook,
        layout: Layout | None = None,
    ) -> None:
        self._core = core
        self._layout = layout or Layout()
        self._clock = clock
        self._say = say
        self._announce = announce
        self._supervisor = supervisor
        self._selector = selectors.DefaultSelector()
        self._clients = Clients(listener, self._selector, self._on_line)
        self._worker = Worker()
        self._replies = Replies(session, locks, stops, core.outputs)
        self._stops = stops
        self._desk = LockDesk(locks, self._selector, self._on_locked)
        self._tasks: deque[Task] = deque()
        self._task: Task | None = None
        self._since_s = 0.0
        self._hangs = False
        self._slow_s = 0.0  # how long switching everything off took, where that was too long
        self._recovery: Task | None = None  # the all-off after a hang; nothing is certain until it is done
        self._announced = False
        self._alarm = ""
        self._stopping = False
        self._picture = look(core)
        self._moves_told = self._picture.moves
        self._selector.register(self._worker.done, selectors.EVENT_READ, self._on_done)
        clock.register(self._selector)

    def watch(self, bell: socket.socket) -> None:
        """Wake up whenever ``bell`` is rung, as signals do."""
        bell.setblocking(False)
        self._selector.register(bell, selectors.EVENT_READ, lambda _mask: bell.recv(64))

    def stop(self) -> None:
        """End ``run`` after the present pass."""
        self._stopping = True

    @property
    def stopping(self) -> bool:
        """Whether ``stop`` was called."""
        return self._stopping

    def run(self) -> None:
        """Serve until stopped. Raises RelaysHang, WorkerFailed, or what the clock raises when it has lost its time."""
        while not self._stopping:
            now_s = self._clock.now_s()
            self._watch_worker(now_s)
            self._clients.go_on()
            self._start_work(now_s)
            for key, mask in self._selector.select(self._timeout_s(now_s)):
                if callable(key.data):
                    key.data(mask)
                else:
                    self._clock.handle(key)

    def shut_down(self, close_driver: Callable[[], None]) -> bool:
        """Switch everything off and let go of the relays, within 13 s; False when it is not sure that all is off."""
        self._clients.close()
        if self._worker.busy:
            self._worker.wait(HANG_S)
        stop = Request(op="close_all", who="the keeper was stopped")
        all_off = self._work_out(Task(stop), HANG_S) or self._work_out(Task(stop), HANG_S)
        if not self._worker.busy:
            self._worker.start(lambda: _after(close_driver))
            self._worker.wait(CLOSE_DRIVER_S)
        self._let_go()
        return all_off

    def _let_go(self) -> None:
        self._worker.end()
        self._desk.end()
        self._selector.close()

    def _work_out(self, task: Task, real_s: float) -> bool:
        if self._worker.busy:
            return False
        self._worker.start(self._job(task, self._clock_or_last_s()))
        answer = self._worker.wait(real_s)
        return answer is not None and answer.ok

    def _clock_or_last_s(self) -> float:
        """The clock itself may be what has failed; closing does not depend on it."""
        try:
            return self._clock.now_s()
        except ConnectionError:
            return self._since_s

    def _timeout_s(self, now_s: float) -> float | None:
        if self._worker.busy:
            if self._hangs:
                return max(0.0, self._since_s + GIVE_UP_S - now_s)
            return max(0.0, min(self._since_s + HANG_S, self._supervisor.next_due_s()) - now_s)
        picture = self._picture
        return self._clock.select_timeout(min(picture.deadline_s, picture.repeat_s, self._supervisor.next_due_s()))

    def _watch_worker(self, now_s: float) -> None:
        """Notice a relay thread that does not come back; only a sound pass is told to the supervisor."""
        waited_s = now_s - self._since_s if self._worker.busy else 0.0
        if waited_s >= GIVE_UP_S:
            raise RelaysHang(f"the relay driver has not answered for {waited_s:.0f} s")
        if waited_s >= HANG_S and not self._hangs:
            self._hangs = True
            self._refuse_all()
        if not self._hangs:
            self._supervisor.alive(now_s)
        self._tell_alarm()

    def _refuse_all(self) -> None:
        """Answer everybody who waits for the relays; the job that hangs goes on without its client."""
        waiting, self._tasks = self._tasks, deque()
        if self._task is not None:
            waiting.append(Task(None, self._task.client, self._task.done))
            self._task.client = None
        self._refuse(waiting, self._trouble())

    def _refuse(self, tasks: Iterable[Task], why: str) -> None:
        for task in tasks:
            if task.client is not None:
                self._clients.answer(task.client, self._reply_to(Task(None, None, task.done), Answer(False, why)))

    def _start_work(self, now_s: float) -> None:
        """Leases and retries come before requests, so that no flood of requests can hold a valve open."""
        if self._worker.busy:
            return
        if now_s >= self._picture.deadline_s:
            self._task = Task(None)
        elif self._tasks:
            self._task = self._tasks.popleft()
        elif now_s >= self._picture.repeat_s:
            self._task = Task(None)
        else:
            return
        self._since_s = now_s
        self._worker.start(self._job(self._task, now_s))

    def _job(self, task: Task, now_s: float) -> Callable[[], Answer]:
        """The only place that calls the core; it runs in the relay thread."""
        core = self._core

        def job() -> Answer:
            if task.done is None:
                answer = perform(core, self._layout, task.request, now_s)
            else:
                answer = shut_for(core, task.done, now_s)
            self._picture = look(core)
            return answer

        return job

    def _on_done(self, _mask: int) -> None:
        task, self._task = self._task, None
        answer = self._worker.take()
        self._slow_s = self._too_long_s(task, answer)
        if task is not None and task is self._recovery:
            self._recovery = None
        if self._picture.moves != self._moves_told:
            self._moves_told = self._picture.moves
            self._clock.acted()
        if task is not None and task.client is not None:
            self._clients.answer(task.client, self._reply_to(task, answer))
        if task is not None and task.request is None:
            for closing in answer.closings:
                self._say(f"output {closing.output} closed after {closing.open_s:.0f} s: {closing.why}")
        self._come_back()

    def _too_long_s(self, task: Task | None, answer: Answer) -> float:
        """Seconds that switching everything off took after a hang, where that alone was a hang again; else 0."""
        over = self._hangs and task is not None and task is self._recovery and answer.ok
        return max(self._slow_s, self._clock.now_s() - self._since_s) if over else 0.0

    def _come_back(self) -> None:
        """After a hang nobody knows what the relays did: all off first. Then say, once, that the keeper is ready."""
        if self._hangs:
            self._hangs = False
            self._recovery = Task(Request(op="close_all", who="the relays had stopped answering"))
            self._tasks.appendleft(self._recovery)
        elif self._picture.ready and not self._announced:
            self._announced = True
            self._announce()
            self._supervisor.started()
        self._tell_alarm()

    def _on_line(self, client: Client, line: bytes) -> None:
        try:
            request = parse(line)
        except LineRefused as fault:
            self._clients.answer(client, self._reply_to(Task(None), Answer(False, str(fault))))
            return
        if request.wish:
            self._note_stop(request)
        if request.op in ("hello", "status", "locks"):
            self._clients.answer(client, self._status())
        elif request.op in LOCK_OPS:
            self._desk.ask(client, request)
        elif self._hangs:
            self._clients.answer(client, self._reply_to(Task(None), Answer(False, self._trouble())))
        else:
            if request.op == "close_all":
                self._drop_openings()
            self._tasks.append(Task(request, client))

    def _note_stop(self, request: Request) -> None:
        """A person's wish stands, whatever becomes of the closing: the daemon must not open that again."""
        if request.op == "close" and request.target and request.target not in self._layout.zones:
            return
        self._stops.add(request.who, self._clock.now_s(), target=request.target, output=request.output)

    def _on_locked(self, client: Client, answer: Answer, done: Done | None) -> None:
        """The locks on disk have changed, or not; what a new one covers is shut before whoever asked is answered."""
        if done is None:
            self._clients.answer(client, self._reply_to(Task(None), answer))
            return
        self._say(done.told)
        task = Task(None, client, done)
        if done.lock is None or self._hangs:
            self._clients.answer(client, self._reply_to(task, Answer(True, self._trouble() if done.lock else "")))
        else:
            self._tasks.appendleft(task)

    def _drop_openings(self) -> None:
        """What waits to be opened when somebody wants everything closed must not open afterwards."""
        waiting, self._tasks = self._tasks, deque()
        for task in waiting:
            if task.request is not None and task.request.op == "open":
                self._refuse([task], "everything is being closed")
            else:
                self._tasks.append(task)

    def _trouble(self) -> str:
        if self._slow_s:
            return (
                f"the relays answer too slowly: switching all {self._core.outputs} off took {self._slow_s:.1f} s, "
                f"and a stop may take {HANG_S:.0f} s at most, so nothing opens; give the board a faster line, or part "
                "of the valves another board and a site of their own"
            )
        if self._hangs or self._recovery is not None:
            return "the relays do not answer; all are switched off as soon as they do"
        return self._picture.alarm

    def _tell_alarm(self) -> None:
        trouble = self._trouble()
        if trouble != self._alarm:
            self._alarm = trouble
            self._say(trouble or "the relays answer again; everything is off")

    def _is_ready(self) -> bool:
        return self._picture.ready and not self._hangs and self._recovery is None

    def _reply_to(self, task: Task, answer: Answer) -> bytes:
        now_s, ready = self._clock.now_s(), self._is_ready()
        if task.done is not None:
            return self._replies.locked(task.done, answer, now_s, ready=ready)
        run = None if task.request is None else task.request.run
        return self._replies.answer(self._picture, answer, now_s, ready=ready, run=run)

    def _status(self) -> bytes:
        now_s = self._clock.now_s()
        return self._replies.status(self._picture, now_s, ready=self._is_ready(), trouble=self._trouble())


def _after(action: Callable[[], None]) -> Answer:
    action()
    return Answer(True)
