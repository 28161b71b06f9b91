"""One connection to the valve keeper's socket: a line of JSON out, a line back, each within its time."""

from __future__ import annotations

import json
import socket
from pathlib import Path
from typing import Any

from dewpond.adapters.unix_socket import short_name
from dewpond.crash_points import AtPoint, passed_by

CONNECT_S = 1.0
ANSWER_S = 7.0  # the keeper itself waits 5 s for its relays
LOOK_S = 2.0  # a look at the keeper's state touches no relay
LONGEST_ANSWER = 1_000_000


class KeeperSilent(OSError):
    """Raised when the keeper cannot be reached, does not answer in time, or answers nonsense."""


class KeeperLink:
    """Connects at once. Raises KeeperSilent, after which the link is of no more use."""

    def __init__(self, socket_path: Path, at: AtPoint = passed_by) -> None:
        self._path = socket_path
        self._at = at
        self._rest = b""
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._socket.settimeout(CONNECT_S)
        try:
            with short_name(socket_path) as name:
                self._socket.connect(name)
        except OSError as fault:
            self.close()
            raise KeeperSilent(f"no keeper answers at {socket_path}: {fault.strerror or fault}") from fault

    def ask(self, body: dict[str, Any], answer_s: float) -> dict[str, Any]:
        """Send one request and return its reply."""
        self._socket.settimeout(answer_s)
        try:
            self._socket.sendall(json.dumps(body).encode() + b"\n")
            self._at(f"{body['op']}-sent")
            answer = json.loads(self._line())
            self._at(f"{body['op']}-answered")
        except (OSError, ValueError) as fault:
            self.close()
            raise KeeperSilent(f"the keeper at {self._path} gives no answer: {fault}") from fault
        if not isinstance(answer, dict):
            self.close()
            raise KeeperSilent(f"the keeper at {self._path} answers nonsense")
        return answer

    def close(self) -> None:
        """Hang up. Idempotent."""
        self._socket.close()

    def _line(self) -> bytes:
        heard = self._rest
        while b"\n" not in heard:
            more = self._socket.recv(65536)
            if not more:
                raise ConnectionResetError("it has hung up")
            heard += more
            if len(heard) > LONGEST_ANSWER:
                raise ValueError("its answer has no end")
        line, _, self._rest = heard.partition(b"\n")
        return line
