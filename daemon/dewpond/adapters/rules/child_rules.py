"""Rule plug-ins in the daemon: one short-lived child process a question, ended with everything it started."""

from __future__ import annotations

import contextlib
import json
import os
import queue
import select
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from dewpond.adapters.rules.calling import failed
from dewpond.model.commands import AskRule
from dewpond.model.events import Event, Now, RuleAnswered
from dewpond.ports import Clock

TIMEOUT_S = 5.0
MEMORY_BYTES = 512 * 2**20  # of address space: numpy fits, a runaway does not
ANSWER_BYTES = 2**20
WAITING = 64  # questions at once; a site has a handful of rules
COMMAND = (sys.executable, "-m", "dewpond.adapters.rules.child")
# One thread a rule is enough, and every further one would reserve address space.
ENVIRONMENT = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "MALLOC_ARENA_MAX": "2"}


class ChildRules:
    """ports.Rules over child processes.

    ``ask`` returns at once and may be called from the runner's thread; answers wait for ``drain``.
    Questions take turns. The clock is held from ``ask`` until the answer is queued, then woken.
    """

    def __init__(
        self,
        clock: Clock,
        *,
        timeout_s: float = TIMEOUT_S,
        memory_bytes: int = MEMORY_BYTES,
        command: Sequence[str] = COMMAND,
    ) -> None:
        self._clock = clock
        self._timeout_s = timeout_s
        self._command = (*command, str(memory_bytes))
        self._questions: queue.SimpleQueue[AskRule] = queue.SimpleQueue()
        self._answers: queue.SimpleQueue[tuple[str, dict[str, Any]]] = queue.SimpleQueue()
        self._one_at_a_time = threading.Lock()
        self._stopped = threading.Event()
        self._child: subprocess.Popen[bytes] | None = None

    def ask(self, command: AskRule, now: Now) -> None:  # noqa: ARG002 - the port's own signature
        """Have the rule asked by a thread and a process of their own."""
        if self._questions.qsize() >= WAITING:
            self._answers.put((command.request_id, failed(f"was not asked: {WAITING} questions wait already")))
            self._clock.wake()
            return
        self._clock.hold()
        self._questions.put(command)
        threading.Thread(target=self._work, name="rule", daemon=True).start()

    def drain(self, now: Now) -> list[Event]:
        """What was answered since the last call."""
        events: list[Event] = []
        while not self._answers.empty():
            request_id, found = self._answers.get()
            notes = {"said": found["said"], "refused": found["refused"]}
            events.append(
                RuleAnswered(
                    at=now.wall, request_id=request_id, net_mm=found["net_mm"], failure=found["failure"], notes=notes
                )
            )
        return events

    def stop(self) -> None:
        """End a running child; nothing is started any more."""
        self._stopped.set()
        child = self._child
        if child is not None:
            _kill(child)

    def _work(self) -> None:
        try:
            with self._one_at_a_time:
                command = self._questions.get()
                self._answers.put((command.request_id, self._answer(command)))
        finally:
            self._clock.unhold()
            self._clock.wake()

    def _answer(self, command: AskRule) -> dict[str, Any]:
        if self._stopped.is_set():
            return failed("was not asked, the service is stopping")
        try:
            line = self._line(json.dumps(dict(command.question)).encode())
            return _read(line)
        except _NoAnswer as why:
            return failed(str(why))
        except OSError as fault:
            return failed(f"could not be asked ({fault.strerror or fault})")

    def _line(self, question: bytes) -> bytes:
        """The child's one line. Raises _NoAnswer."""
        with tempfile.TemporaryFile() as asked:
            asked.write(question)
            asked.seek(0)
            child = subprocess.Popen(
                self._command,
                stdin=asked,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                close_fds=True,
                start_new_session=True,
                env={**os.environ, **ENVIRONMENT},
            )
        self._child = child
        try:
            with _alarm(self._timeout_s) as late:
                return self._receive(child, late)
        finally:
            self._child = None
            _end(child)

    def _receive(self, child: subprocess.Popen[bytes], late: int) -> bytes:
        if child.stdout is None:
            raise _NoAnswer("could not be heard")
        answer, received = child.stdout.fileno(), b""
        while b"\n" not in received:
            ready, _, _ = select.select([answer, late], [], [])
            if late in ready:
                raise _NoAnswer(f"did not answer within {self._timeout_s:g} s (it was ended)")
            piece = os.read(answer, 65536)
            if not piece:
                _end(child)
                raise _NoAnswer(_how_it_ended(child.returncode))
            received += piece
            if len(received) > ANSWER_BYTES:
                raise _NoAnswer(f"answered with more than {ANSWER_BYTES // 2**20} MB (it was ended)")
        return received.split(b"\n")[0]  # one line; a fork of the child may have said the same again


class _NoAnswer(Exception):
    """Raised when a child gave no answer; the text is a clause that follows the rule's name."""


@dataclass(slots=True)
class _Bell:
    """Makes a descriptor readable once, unless it was silenced before; threads may race for it."""

    descriptor: int
    lock: threading.Lock
    silent: bool = False

    def ring(self) -> None:
        with self.lock:
            if not self.silent:
                os.write(self.descriptor, b"!")

    def silence(self) -> None:
        with self.lock:
            self.silent = True


@contextlib.contextmanager
def _alarm(seconds: float) -> Iterator[int]:
    """A descriptor that becomes readable after so many real seconds, whatever clock the daemon runs on."""
    reading, writing = os.pipe()
    bell = _Bell(writing, threading.Lock())
    timer = threading.Timer(seconds, bell.ring)
    timer.daemon = True
    timer.start()
    try:
        yield reading
    finally:
        timer.cancel()
        bell.silence()
        os.close(reading)
        os.close(writing)


def _kill(child: subprocess.Popen[bytes]) -> None:
    """End the child and what it started in its own process group."""
    if child.returncode is None:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(child.pid, signal.SIGKILL)


def _end(child: subprocess.Popen[bytes]) -> None:
    """The same, and collect it."""
    _kill(child)
    child.wait()
    if child.stdout is not None:
        child.stdout.close()


def _how_it_ended(code: int) -> str:
    how = f"by signal {-code}" if code < 0 else f"with {code}"
    return f"ended {how} without an answer"


def _read(line: bytes) -> dict[str, Any]:
    try:
        found = json.loads(line)
    except ValueError:
        found = None
    shape: dict[str, Callable[[Any], bool]] = {
        "net_mm": lambda item: isinstance(item, dict),
        "said": lambda item: isinstance(item, dict),
        "refused": lambda item: isinstance(item, dict),
        "failure": lambda item: isinstance(item, str),
    }
    if not isinstance(found, dict) or not all(fits(found.get(name)) for name, fits in shape.items()):
        raise _NoAnswer("answered something unreadable")
    return found
