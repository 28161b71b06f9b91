"""One keeper only for a state folder and for a relay board, by locks that the kernel drops when their holder dies."""

from __future__ import annotations

import fcntl
import os
import socket
import zlib
from collections.abc import Iterable
from pathlib import Path

LONGEST_NAME = 80  # bytes; the kernel allows 107 in all


class HeldByAnother(RuntimeError):
    """Raised when another keeper holds the state folder or the relays."""


class Ownership:
    """Holds the folder's lock file and one abstract socket name per relay resource until ``release`` or death.

    An abstract name (Linux) needs no folder that two users could both write, and cannot be left behind by a crash.
    """

    def __init__(self, lock_file: Path, resources: Iterable[str]) -> None:
        self._names: list[socket.socket] = []
        self._file = os.open(lock_file, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o660)
        try:
            self._hold_file(lock_file)
            for resource in resources:
                self._hold_name(resource)
        except HeldByAnother:
            self.release()
            raise

    def release(self) -> None:
        """Let go of everything."""
        for name in self._names:
            name.close()
        os.close(self._file)

    def _hold_file(self, lock_file: Path) -> None:
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as fault:
            raise HeldByAnother(f"{lock_file}: another keeper runs for this site; stop it first") from fault

    def _hold_name(self, resource: str) -> None:
        name = resource.encode()
        if len(name) > LONGEST_NAME:
            name = name[-LONGEST_NAME:] + b"%08x" % zlib.crc32(name)
        holder = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._names.append(holder)
        try:
            holder.bind(b"\0dewpond-relays-" + name)
        except OSError as fault:
            raise HeldByAnother(f"relays {resource}: another keeper drives them; stop it first") from fault
