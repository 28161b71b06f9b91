"""One daemon per state folder: a lock that the kernel lets go of when its holder dies, however it dies."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path
from types import TracebackType


class AlreadyRunning(Exception):
    """Raised when another process holds the lock or answers on the socket."""


class SingleInstance:
    """Holds ``daemon.lock`` while entered; the file stays behind and does not hinder the next start."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._descriptor: int | None = None

    def __enter__(self) -> SingleInstance:
        descriptor = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o600)
        try:
            self._take(descriptor)
        except BaseException:
            os.close(descriptor)
            raise
        self._descriptor = descriptor
        return self

    def _take(self, descriptor: int) -> None:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = os.pread(descriptor, 20, 0).decode(errors="replace").strip()
            # Not "runs this site already": supervisors take a line with "ready" in it for the word they wait for.
            raise AlreadyRunning(
                f"{self._path}: process {holder or 'unknown'} runs this site; "
                "stop it first, or give this one another state folder"
            ) from None
        os.ftruncate(descriptor, 0)
        os.pwrite(descriptor, f"{os.getpid()}\n".encode(), 0)

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None
