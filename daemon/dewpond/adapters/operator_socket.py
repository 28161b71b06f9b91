"""The operator commands' way into the daemon: one line of JSON each way over a Unix socket in the state folder.

A request: ``{"op": "water", "zone": "north-lawn", "seconds": 600}``; its answer ``{"ok": .., "text": .., "body": ..}``.
Reading (status, plan, reasons) is answered from the published view, the rest by the brain through the desk; what begins
with ``upkeep/`` is the work on foot, which never reaches the brain.
"""

from __future__ import annotations

import json
import logging
import pwd
import select
import socket
import socketserver
import struct
import threading
from collections.abc import Callable, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from dewpond.adapters.desk import OperatorDesk
from dewpond.adapters.single_instance import AlreadyRunning
from dewpond.adapters.unix_socket import short_name
from dewpond.model.codec import to_plain
from dewpond.model.operations import REQUESTS, RequestRefused, parse
from dewpond.model.view import SiteView

LONGEST_LINE_BYTES = 4096
CLIENTS = 16
SILENCE_S = 10.0
CONVERSATION_S = 60.0
_LONGEST_ANSWER_BYTES = 32_000_000
_LOG = logging.getLogger(__name__)

Answer = dict[str, Any]
Upkeep = Callable[[str, Mapping[str, Any], str], Answer]
UPKEEP = "upkeep/"  # how the operations of the work on foot begin


class NotReachable(Exception):
    """Raised when no daemon answers on the operator socket."""


class OperatorSocket:
    """Listens at ``path`` (mode 0660) from ``start`` to ``close``, in threads of its own.

    ``upkeep`` answers an operation of the work on foot: its name, its fields, and who asks.
    """

    def __init__(self, path: Path, desk: OperatorDesk, upkeep: Upkeep | None = None) -> None:
        self._path = path
        self._desk = desk
        self._upkeep = upkeep
        self._server: _Server | None = None

    def start(self) -> None:
        """Begin to answer. A socket left by a dead daemon is replaced. Raises AlreadyRunning for a live one."""
        _expect_nobody(self._path)
        self._server = _Server(self._path, self._desk, self._upkeep)
        threading.Thread(target=self._server.serve_forever, name="operator-socket", daemon=True).start()

    def close(self) -> None:
        """Stop listening and remove the socket."""
        if self._server is not None:
            self._server.shutdown()
            self._server.server_close()
            self._path.unlink(missing_ok=True)
            self._server = None


class OperatorClient:
    """Speaks to the daemon whose operator socket is at ``path``."""

    def __init__(self, path: Path, timeout_s: float = 20.0) -> None:
        self._path = path
        self._timeout_s = timeout_s

    def call(self, op: str, **fields: Any) -> Answer:
        """The answer to one request: ``ok``, ``text`` (one line) and ``body``. Raises NotReachable."""
        request = json.dumps({"op": op, **{name: to_plain(value) for name, value in fields.items()}})
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as connection:
                connection.settimeout(self._timeout_s)
                with short_name(self._path) as name:
                    connection.connect(name)
                connection.sendall(request.encode() + b"\n")
                with connection.makefile("rb") as stream:
                    line = stream.readline(_LONGEST_ANSWER_BYTES)
            answer: Answer = json.loads(line)
        except (OSError, ValueError) as error:
            raise NotReachable(f"no daemon answers at {self._path} ({_why(error)}); is `dewpond run` up?") from error
        return answer


def _why(error: OSError | ValueError) -> str:
    if isinstance(error, TimeoutError):
        return "it is silent"
    if isinstance(error, OSError):
        return (error.strerror or str(error)).lower()
    return "it hung up"


def _expect_nobody(path: Path) -> None:
    if path.exists() and not path.is_socket():
        raise AlreadyRunning(f"{path}: it exists and is no socket; move it away")
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        probe.settimeout(SILENCE_S)
        try:
            with short_name(path) as name:
                probe.connect(name)
        except (FileNotFoundError, ConnectionRefusedError):
            return
    raise AlreadyRunning(f"{path}: another daemon answers there; stop it first")


class _Server(socketserver.ThreadingMixIn, socketserver.UnixStreamServer):
    daemon_threads = True
    block_on_close = False
    request_queue_size = 64

    def __init__(self, path: Path, desk: OperatorDesk, upkeep: Upkeep | None) -> None:
        self.desk = desk
        self.upkeep = upkeep
        self._seats = threading.BoundedSemaphore(CLIENTS)
        super().__init__(str(path), _Conversation)

    def server_bind(self) -> None:
        # Bound under another name and then renamed: nobody ever finds it with wider permissions, or not yet listening.
        path = Path(str(self.server_address))
        new = path.with_name(path.name + ".new")
        new.unlink(missing_ok=True)
        with short_name(new) as name:
            self.socket.bind(name)
        new.chmod(0o660)
        self.socket.listen(self.request_queue_size)
        new.replace(path)

    def process_request(self, request: Any, client_address: Any) -> None:
        if self._seats.acquire(blocking=False):
            super().process_request(request, client_address)
        else:
            request.settimeout(SILENCE_S)
            request.sendall(_line(_refusal(f"{CLIENTS} others are being served, which is the limit; try again")))
            self.shutdown_request(request)

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        try:
            super().process_request_thread(request, client_address)
        finally:
            self._seats.release()

    def handle_error(self, request: Any, client_address: Any) -> None:  # noqa: ARG002
        _LOG.exception("operator socket: a conversation ended in an error")


class _Conversation(socketserver.StreamRequestHandler):
    timeout = SILENCE_S
    server: _Server

    def handle(self) -> None:
        who = _peer(self.connection)
        end = threading.Timer(CONVERSATION_S, self._hang_up)  # one who dribbles would hold a seat for hours
        end.daemon = True
        end.start()
        try:
            while (line := self.rfile.readline(LONGEST_LINE_BYTES + 1)).endswith(b"\n"):
                if _has_left(self.connection):
                    _LOG.info("operator socket: %s did not wait for the answer; the request is dropped", who)
                    return
                self.wfile.write(_line(answer(self.server.desk, line, who, self.server.upkeep)))
            if len(line) > LONGEST_LINE_BYTES:
                self.wfile.write(_line(_refusal(f"the line is longer than {LONGEST_LINE_BYTES} bytes; send less")))
        except OSError as error:
            _LOG.info("operator socket: %s hung up or fell silent (%s)", who, error)
        finally:
            end.cancel()

    def _hang_up(self) -> None:
        try:
            self.connection.shutdown(socket.SHUT_RDWR)
        except OSError as error:
            _LOG.debug("operator socket: the other side was faster (%s)", error)


def answer(desk: OperatorDesk, line: bytes, who: str, upkeep: Upkeep | None = None) -> Answer:
    """What the daemon says to one line. Never raises for what the line holds."""
    try:
        plain = json.loads(line)
    except (ValueError, RecursionError):
        return _refusal("the request is not one line of JSON")
    if not isinstance(plain, dict) or not isinstance(plain.get("op"), str):
        return _refusal('the request is not a JSON object with an "op"')
    op = plain.pop("op")
    if op.startswith(UPKEEP) and upkeep is not None:
        return upkeep(op.removeprefix(UPKEEP), plain, who)
    if op in _READING:
        return _read(desk.view(), op, plain)
    try:
        request = parse(op, plain)
    except RequestRefused as error:
        return _refusal(str(error))
    reply = desk.ask(request.action, who, **asdict(request))
    return {"ok": reply.accepted, "text": reply.text, "body": to_plain(reply.body)}


def _read(view: SiteView | None, op: str, plain: Mapping[str, Any]) -> Answer:
    if view is None:
        return _refusal("the daemon is still starting; try again in a moment")
    zone = plain.get("zone")
    known = [one.id for one in view.zones]
    if zone is not None and zone not in known:
        return _refusal(f"there is no zone {zone!r}; there are {', '.join(known)}")
    return {"ok": True, "text": "", "body": _READING[op](view, zone)}


def _status(view: SiteView, zone: str | None) -> Answer:
    body: Answer = to_plain(view)
    if zone is not None:
        body["zones"] = [one for one in body["zones"] if one["id"] == zone]
    return body


def _plan(view: SiteView, zone: str | None) -> Answer:
    openings = [to_plain(opening) for opening in view.openings if zone in (None, opening.zone)]
    names = ("window_date", "window_opens", "window_closes", "timezone", "units", "programs", "stage", "exemptions")
    watching = {supply.id: supply.watching for supply in view.supplies}
    return {**{name: to_plain(getattr(view, name)) for name in names}, "openings": openings, "watching": watching}


def _reasons(view: SiteView, zone: str | None) -> Answer:
    found = [known.reason for known in view.zones if known.reason is not None and zone in (None, known.id)]
    return {"reasons": [{**to_plain(reason), "sentences": list(reason.sentences())} for reason in found]}


_READING: Mapping[str, Callable[[SiteView, str | None], Answer]] = {
    "status": _status,
    "plan": _plan,
    "reasons": _reasons,
}
OPERATIONS = (*_READING, *REQUESTS)


def _refusal(text: str) -> Answer:
    return {"ok": False, "text": text, "body": {}}


def _line(reply: Answer) -> bytes:
    return json.dumps(reply, separators=(",", ":")).encode() + b"\n"


def _has_left(connection: socket.socket) -> bool:
    """Whether the asking side has hung up: nothing may be done for somebody who was told that nobody answers."""
    readable, _, _ = select.select([connection], [], [], 0.0)
    return bool(readable) and connection.recv(1, socket.MSG_PEEK) == b""


def _peer(connection: socket.socket) -> str:
    """Who is on the other side, by the kernel's word (SO_PEERCRED, unix(7))."""
    _pid, uid, _gid = struct.unpack("3i", connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, 12))
    try:
        name = pwd.getpwuid(uid).pw_name
    except KeyError:
        name = f"user {uid}"
    return f"{name} at the command line"
