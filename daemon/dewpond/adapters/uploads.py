"""A weather station that uploads by HTTP on the local network: each upload becomes a message on ``http:/upload``.

Such stations send a GET with everything in the query string and can seldom do TLS, so this listens only where the site
file says so, answers nothing but whether it was taken, and hands on no password. What arrives can only be readings of
sensors that the site file maps; it opens nothing.
"""

from __future__ import annotations

import hmac
import os
import threading
from collections.abc import Callable, Mapping
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qsl, urlencode, urlsplit

TOPIC = "http:/upload"
PASSWORD_VARIABLE = "DEWPOND_UPLOAD_PASSWORD"  # noqa: S105 - the name of a variable
MOST_AT_ONCE = 8
LINE_LIMIT = 4096  # of the query; longer ones are no weather
TIMEOUT_S = 5.0
_SECRET = frozenset({"password", "pass", "passkey"})
_IDENTITY = frozenset({"id", "stationid"})

OnMessage = Callable[[str, bytes], None]


class UploadServer:
    """Listens on one address in threads of its own. ``start`` raises OSError where it cannot listen.

    Parameters
    ----------
    host, port : str, int       Where to listen; port 0 takes a free one, then ``port`` says which.
    on_message : callable       Gets topic and payload of each upload that is taken; safe from any thread.
    station_id : str or None    What an upload must name; None takes any.
    environment : mapping       A password in ``DEWPOND_UPLOAD_PASSWORD`` must be named as well, where there is one.
    """

    def __init__(
        self,
        host: str,
        port: int,
        on_message: OnMessage,
        *,
        station_id: str | None = None,
        environment: Mapping[str, str] = os.environ,
    ) -> None:
        password = environment.get(PASSWORD_VARIABLE) or None
        handler = type("Handler", (_Handler,), {"wanted": _Wanted(on_message, station_id, password)})
        self._server = _Server((host, port), handler)
        self._thread = threading.Thread(target=self._server.serve_forever, name="uploads", daemon=True)

    @property
    def port(self) -> int:
        """Where it listens."""
        return int(self._server.server_address[1])

    def start(self) -> None:
        """Serve in the background."""
        self._thread.start()

    def close(self) -> None:
        """Take no more."""
        self._server.shutdown()
        self._server.server_close()


class _Wanted:
    """Which uploads are taken, and where they go."""

    def __init__(self, on_message: OnMessage, station_id: str | None, password: str | None) -> None:
        self._on_message, self._station_id, self._password = on_message, station_id, password

    def take(self, query: str) -> int:
        """The HTTP status of one upload: 200 taken, 400 no weather, 403 not for us."""
        if len(query) > LINE_LIMIT:
            return 400
        try:
            fields = parse_qsl(query, keep_blank_values=True, max_num_fields=200)
        except ValueError:
            return 400
        named = {name.lower(): value for name, value in fields}
        if not self._known(named):
            return 403
        kept = [(name, value) for name, value in fields if name.lower() not in _SECRET]
        if not kept:
            return 400
        self._on_message(TOPIC, urlencode(kept).encode())
        return 200

    def _known(self, named: Mapping[str, str]) -> bool:
        for wanted, names in ((self._station_id, _IDENTITY), (self._password, _SECRET)):
            given = next((named[name] for name in names if name in named), "")
            if wanted is not None and not hmac.compare_digest(given.encode(), wanted.encode()):
                return False
        return True


class _Server(ThreadingHTTPServer):
    """At most a few connections at once; the rest waits at the door."""

    daemon_threads = True
    request_queue_size = 16

    def __init__(self, address: tuple[str, int], handler: type[BaseHTTPRequestHandler]) -> None:
        self._seats = threading.BoundedSemaphore(MOST_AT_ONCE)
        super().__init__(address, handler)

    def process_request(self, request: Any, client_address: Any) -> None:
        if not self._seats.acquire(blocking=False):
            self.shutdown_request(request)
            return
        super().process_request(request, client_address)

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        try:
            super().process_request_thread(request, client_address)
        finally:
            self._seats.release()

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A client that breaks off is nobody's fault, and its words are for no log."""


class _Handler(BaseHTTPRequestHandler):
    wanted: _Wanted
    timeout = TIMEOUT_S
    server_version, sys_version = "dewpond", ""

    def do_GET(self) -> None:
        self._answer(self.wanted.take(urlsplit(self.path).query))

    def do_POST(self) -> None:
        try:
            length = int(self.headers.get("Content-Length") or 0)
        except ValueError:
            length = -1
        if not 0 <= length <= LINE_LIMIT:
            self._answer(400)
            return
        self._answer(self.wanted.take(self.rfile.read(length).decode("utf-8", errors="replace")))

    def _answer(self, status: int) -> None:
        body = b"success\n" if status == 200 else b"not taken\n"
        self.send_response(status)
        self.send_header("Content-Type", "text/plain")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: Any) -> None:
        """Query strings hold passwords: nothing of them is logged."""
