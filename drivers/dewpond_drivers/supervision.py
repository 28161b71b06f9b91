"""Words to systemd over its notification socket (sd_notify(3)); nothing where there is none."""

from __future__ import annotations

import math
import os
import socket
from collections.abc import Mapping


class Systemd:
    """Tells systemd that the service has started and, at half its patience, that the loop still turns."""

    def __init__(self, environment: Mapping[str, str]) -> None:
        self._address = environment.get("NOTIFY_SOCKET", "")
        mine = environment.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        patience_s = float(environment.get("WATCHDOG_USEC", "0")) / 1e6 if self._address and mine else 0.0
        self._every_s = patience_s / 2.0 or math.inf
        self._due_s = -math.inf if patience_s else math.inf

    def started(self) -> None:
        self._tell("READY=1")

    def alive(self, now_s: float) -> None:
        if now_s >= self._due_s:
            self._due_s = now_s + self._every_s
            self._tell("WATCHDOG=1")

    def next_due_s(self) -> float:
        return self._due_s

    def _tell(self, word: str) -> None:
        if not self._address:
            return
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as teller:
            try:
                teller.sendto(word.encode(), address)
            except OSError:
                return  # systemd itself notices a service that has gone silent
