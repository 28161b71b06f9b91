"""The service's settings as plain values, without the library that read them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from dewpond.settings.addresses import BoardAddress, BrokerAddress

KEEPER_SOCKET, OPERATOR_SOCKET = "keeper.sock", "operator.sock"


class ServiceRefused(Exception):
    """Raised when a setting of the service cannot be used; the text has one line for each."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceSettings:
    """The service's settings, all resolved. ``broker`` None runs without one, ``board`` None shows no pages."""

    site: Path | None
    state_dir: Path
    broker: BrokerAddress | None
    board: BoardAddress | None
    database: str
    lease_s: float
    renew_s: float
    commands: bool
    contact: str | None
    clock: str | None
    crash_points: str | None = None

    @property
    def keeper_socket(self) -> Path:
        """Where the valve keeper listens."""
        return self.state_dir / KEEPER_SOCKET

    @property
    def operator_socket(self) -> Path:
        """Where the daemon takes people's requests."""
        return self.state_dir / OPERATOR_SOCKET

    @property
    def daemon_lock(self) -> Path:
        """Held by the one daemon of a site."""
        return self.state_dir / "daemon.lock"
