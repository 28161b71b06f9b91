"""Serves the board from one thread of the daemon, with its own event loop."""

from __future__ import annotations

import asyncio
import errno
import logging
import socket
import threading
from typing import Any

import h11
import uvicorn
from fastapi import FastAPI
from uvicorn.protocols.http.h11_impl import H11Protocol

log = logging.getLogger(__name__)
HEADER_TIMEOUT_S = 10.0
MOST_CONNECTIONS = 100
START_TIMEOUT_S = 15.0
STOP_TIMEOUT_S = 5.0


class BoardAddressError(OSError):
    """Raised when the board cannot be served at its address."""


class TimedProtocol(H11Protocol):
    """Closes a connection whose request line and headers take too long, and every connection above the limit."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._too_late: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        if len(self.connections) > MOST_CONNECTIONS:
            transport.close()
        self._watch()

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        self._watch()

    def connection_lost(self, exc: Exception | None) -> None:
        self._forget()
        super().connection_lost(exc)

    def _watch(self) -> None:
        """The time runs from the first byte of a request, or from the connection, to the end of the headers."""
        if self.conn.their_state is not h11.IDLE:
            self._forget()
        elif self._too_late is None:
            self._too_late = self.loop.call_later(HEADER_TIMEOUT_S, self.transport.close)

    def _forget(self) -> None:
        if self._too_late is not None:
            self._too_late.cancel()
            self._too_late = None


class BoardServer:
    """The board at ``host:port``; port 0 is any free one. ``start`` returns once it serves, ``stop`` once it ended."""

    def __init__(self, host: str, port: int, app: FastAPI) -> None:
        self._host, self._app = host, app
        self.port = port  # of 0 becomes the one taken
        self._socket: socket.socket | None = None
        self._server: uvicorn.Server | None = None
        self._thread: threading.Thread | None = None

    @property
    def address(self) -> str:
        """Where a browser on this machine finds it."""
        host = f"[{self._host}]" if ":" in self._host else self._host
        return f"http://{host}:{self.port}/"

    def start(self) -> None:
        """Bind and serve. Raises BoardAddressError when the address is taken, not ours, or not allowed."""
        self._socket = _bound(self._host, self.port)
        self.port = int(self._socket.getsockname()[1])
        config = uvicorn.Config(
            self._app,
            http=TimedProtocol,
            ws="none",
            loop="asyncio",
            lifespan="off",
            log_config=None,
            access_log=False,
            proxy_headers=False,
            server_header=False,
            date_header=True,
            timeout_keep_alive=10,
            timeout_graceful_shutdown=1,
        )
        self._server = uvicorn.Server(config)
        serving = threading.Event()
        self._thread = threading.Thread(target=self._serve, args=(serving,), name="board", daemon=True)
        self._thread.start()
        if not serving.wait(START_TIMEOUT_S) or not self._server.started:
            raise BoardAddressError(f"board at {self.address}: did not start within {START_TIMEOUT_S:g} s; see the log")

    def stop(self) -> None:
        """End all streams and connections. Idempotent."""
        if self._server is None or self._thread is None:
            return
        self._app.state.room.closing = True
        self._server.should_exit = True
        self._thread.join(STOP_TIMEOUT_S)
        if self._thread.is_alive():
            log.warning("board at %s: did not stop within %g s", self.address, STOP_TIMEOUT_S)

    def _serve(self, serving: threading.Event) -> None:
        assert self._server is not None and self._socket is not None  # noqa: S101 - set by start
        try:
            asyncio.run(self._until_stopped(self._server, self._socket, serving))
        finally:
            serving.set()
            self._socket.close()

    @staticmethod
    async def _until_stopped(server: uvicorn.Server, bound: socket.socket, serving: threading.Event) -> None:
        serve = asyncio.create_task(server.serve(sockets=[bound]))
        while not server.started and not serve.done():
            await asyncio.sleep(0.01)
        serving.set()
        await serve


def _bound(host: str, port: int) -> socket.socket:
    """A listening socket, made here so that a taken port is a plain sentence and not the end of the process."""
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(
            host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        bound = socket.socket(family, kind, protocol)
    except OSError as error:
        raise BoardAddressError(
            f"board at {host}:{port}: not an address of this machine ({error}); name another host"
        ) from error
    try:
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.bind(address)
        bound.listen(128)
    except OSError as error:
        bound.close()
        taken = error.errno == errno.EADDRINUSE
        remedy = "another program uses this port; choose a free one" if taken else "choose another address"
        raise BoardAddressError(f"board at {host}:{port}: cannot listen ({error.strerror}); {remedy}") from error
    bound.setblocking(False)
    return bound
