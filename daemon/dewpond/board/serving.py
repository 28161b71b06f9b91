"""The board of a running daemon: real records, real sessions, served at the address of the settings."""

from __future__ import annotations

import ipaddress
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path

from dewpond.adapters.store.reader import StoreReader
from dewpond.adapters.store.tables import StoreUnusable
from dewpond.adapters.system_clock import SystemClock
from dewpond.board.app import create_app
from dewpond.board.people import People
from dewpond.board.server import BoardServer
from dewpond.board.sources import BoardOptions, Desk, Sources
from dewpond.ports import Clock


def serve_board(
    *,
    host: str,
    port: int,
    desk: Desk,
    database: str,
    state_dir: Path,
    clock: Clock,
    stop_now: Callable[[str], str],
    say: Callable[[str], None],
    hosts: tuple[str, ...] = (),
) -> BoardServer:
    """Serve it and say where and with which code. Raises BoardAddressError, and OSError for the state folder.

    Reading is open to all only where time is not the machine's own: in a demonstration, whose relays are simulated.
    ``stop_now`` raises OSError when the keeper cannot be told.
    """
    people = People(state_dir, SystemClock().now)
    sources = Sources(
        desk=desk,
        history=StoreReader(database),
        stop_now=stop_now,
        people=people,
        now=clock.now,
        unreadable=(OSError, StoreUnusable),
    )
    demonstration = not isinstance(clock, SystemClock)
    options = BoardOptions(host=host, port=port, hosts=hosts, open_reading=demonstration, version=version("dewpond"))
    server = BoardServer(host, port, create_app(sources, options))
    server.start()
    say(people.announcement(server.address))
    if not _loopback(host):
        say(
            "board: other machines can reach it, and what it sends is not encrypted; "
            "keep it inside a network you trust, or behind a proxy that speaks TLS."
        )
    return server


def _loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
