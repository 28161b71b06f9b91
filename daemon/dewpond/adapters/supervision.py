"""Words to the service manager, by systemd's notification protocol (sd_notify(3)); silent where there is none."""

from __future__ import annotations

import os
import socket


def ready() -> None:
    """The service does its work from now on."""
    _tell("READY=1")


def alive() -> None:
    """The loop has made a whole pass."""
    _tell("WATCHDOG=1")


def stopping() -> None:
    """The service ends by itself."""
    _tell("STOPPING=1")


def _tell(word: str) -> None:
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
        out.connect("\0" + address[1:] if address.startswith("@") else address)
        out.sendall(word.encode())
