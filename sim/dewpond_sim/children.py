"""The service's own processes, started and ended by the demonstration: they must never outlive it."""

from __future__ import annotations

import re
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import IO, Self

STOP_S = 15.0  # a process that was asked to stop gets this long
LINES_KEPT = 40
_READY = re.compile(r"\bready\b")


class ChildFailed(RuntimeError):
    """Raised when a process of the demonstration ended or did not become ready. The text carries its last words."""


class Child:
    """One process of this interpreter, ``python -m MODULE ARGUMENTS``; its output goes to ``log`` and its last lines
    are kept.
    """

    def __init__(self, name: str, arguments: list[str], environment: Mapping[str, str], log: Path) -> None:
        self.name = name
        self._arguments = [sys.executable, "-m", *arguments]
        self._environment = dict(environment)
        self._log = log
        self._lines: deque[str] = deque(maxlen=LINES_KEPT)
        self._said_ready = False
        self._settled = threading.Event()  # it is ready, or has ended
        self._process: subprocess.Popen[str] | None = None

    def __enter__(self) -> Self:
        # A session of its own: Ctrl-C reaches the demonstration alone, which then ends its processes in order.
        self._process = subprocess.Popen(
            self._arguments,
            env=self._environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            start_new_session=True,
        )
        self._reader = threading.Thread(target=self._listen, args=(self._process.stdout,), daemon=True)
        self._reader.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def wait_ready(self, patience_s: float) -> None:
        """Return when a line with the word ``ready`` came. Raises ChildFailed when it ends or takes longer."""
        settled = self._settled.wait(patience_s)
        if not self._said_ready:
            what = "ended before it was ready" if settled else f"was not ready within {patience_s:g} s"
            raise ChildFailed(f"the {self.name} {what}\n{self.last_words()}")

    def check(self) -> None:
        """Raises ChildFailed when the process is no longer there."""
        code = self._process.poll() if self._process is not None else None
        if code is not None:
            raise ChildFailed(f"the {self.name} ended with exit code {code}\n{self.last_words()}")

    def last_words(self) -> str:
        """The last lines it wrote."""
        return "\n".join(f"  {line}" for line in self._lines)

    def stop(self) -> int | None:
        """Ask it to end, and make it end when it does not. Returns its exit code."""
        process = self._process
        if process is None:
            return None
        if process.poll() is None:
            process.terminate()
        try:
            process.wait(STOP_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        self._reader.join()
        return process.returncode

    def _listen(self, stream: IO[str] | None) -> None:
        if stream is None:
            return
        with stream, self._log.open("w", encoding="utf-8") as log:
            for line in stream:
                log.write(line)
                log.flush()
                self._lines.append(line.rstrip("\n"))
                if not self._said_ready and _READY.search(line):
                    self._said_ready = True
                    self._settled.set()
        self._settled.set()
