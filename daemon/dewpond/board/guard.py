"""The board's doorkeeper. Before routing and before any body is understood it checks, in this order: the Host name,
the Origin, who is signed in, the size and kind of the body, and the form token.

Checks that run before routing cannot be forgotten by a page added later, and they tell nobody which zones exist.
"""

from __future__ import annotations

import asyncio
import hmac
import ipaddress
from urllib.parse import parse_qs, urlsplit

from starlette.datastructures import Headers
from starlette.requests import Request, cookie_parser
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from dewpond.board.people import Person
from dewpond.board.problems import is_api, refusal
from dewpond.board.room import Room, room_of

SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
PUBLIC_PATHS = frozenset({"/sign-in", "/about", "/openapi.json"})
ENDLESS_PATHS = frozenset({"/api/v1/live"})
NOBODY = frozenset({"", "0.0.0.0", "::"})  # noqa: S104 - refused as names, not bound
LOCAL_NAMES = frozenset({"localhost", "127.0.0.1", "::1"})


class Guard:
    """ASGI middleware that turns away what may not pass and reads the body of what may."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        room, headers = room_of(scope), Headers(scope=scope)
        scope = {**scope, "state": {**scope.get("state", {}), "person": None, "form": {}}}
        if scope["method"] == "HEAD" and is_api(scope) and scope["path"] not in ENDLESS_PATHS:
            scope["method"] = "GET"  # the server sends no body to a HEAD; pages answer it by themselves
        refused = check_host(scope, headers, room) or check_origin(scope, headers) or check_person(scope, headers, room)
        if refused is None and scope["method"] not in SAFE_METHODS:
            body = await read_body(scope, headers, receive, room)
            if isinstance(body, Response):
                refused = body
            else:
                refused = check_body(scope, headers, body)
                receive = _replay(body, receive)
        await (refused or self._app)(scope, receive, send)


def check_host(scope: Scope, headers: Headers, room: Room) -> Response | None:
    """A name that is not ours means a page elsewhere has pointed its own name at this machine (DNS rebinding)."""
    hosts = headers.getlist("host")
    name = _host_name(hosts[0]) if len(hosts) == 1 else None
    served_at = (scope.get("server") or ("", 0))[0]
    allowed = {room.options.host.lower(), str(served_at).lower(), *(host.lower() for host in room.options.hosts)}
    if _is_loopback(str(served_at)):
        allowed |= LOCAL_NAMES
    if name in allowed - NOBODY:
        return None
    detail = "The board is not called by this name. Add it to the board's host names to use it."
    # The page that asks may be a stranger's, so this answer carries nothing of the site, not even its name.
    return refusal(scope, 421, detail) if is_api(scope) else PlainTextResponse(detail, 421)


def check_origin(scope: Scope, headers: Headers) -> Response | None:
    """Changes may come only from the board's own pages, or from programs, which send no Origin."""
    if scope["method"] in SAFE_METHODS:
        return None
    origins = headers.getlist("origin")
    own = all(_same_place(origin, headers["host"]) for origin in origins)
    if own and (origins or headers.get("sec-fetch-site", "none") in ("none", "same-origin")):
        return None
    return refusal(scope, 403, "This request comes from a page of another place; use the board's own pages.")


def check_person(scope: Scope, headers: Headers, room: Room) -> Response | None:
    """Everything that changes something needs a session; reading needs one unless the board is open for reading."""
    cookies = cookie_parser(headers.get("cookie", ""))
    person = room.sources.people.person(cookies.get(room.cookie_name))
    scope["state"]["person"] = person
    path, reading = scope["path"], scope["method"] in SAFE_METHODS
    signing_in = path == "/sign-in" and scope["method"] == "POST"
    public = path in PUBLIC_PATHS or path.startswith("/static/")
    if person is not None or (reading and (room.options.open_reading or public)) or signing_in:
        return None
    if reading and not is_api(scope):
        return RedirectResponse("/sign-in", 303)
    return refusal(scope, 401, "Sign in first: the code is in the daemon's output and in its state folder.")


async def read_body(scope: Scope, headers: Headers, receive: Receive, room: Room) -> bytes | Response:
    """The whole body, or a refusal when it is too big or too slow."""
    limit = room.options.max_body_bytes
    declared = headers.get("content-length", "0")
    body, more = b"", declared.isdecimal() and int(declared) <= limit
    try:
        async with asyncio.timeout(room.options.body_timeout_s):
            while more and len(body) <= limit:
                message = await receive()
                body += bytes(message.get("body", b""))
                more = bool(message.get("more_body", False))
                if not more and len(body) <= limit:
                    return body
    except TimeoutError:
        return refusal(scope, 408, f"The body did not arrive within {room.options.body_timeout_s:g} s.")
    return refusal(scope, 413, f"The body is longer than {limit} bytes; no request to the board needs that.")


def check_body(scope: Scope, headers: Headers, body: bytes) -> Response | None:
    """The API takes JSON alone, which no foreign form can send; forms must carry the token of their session."""
    kind = headers.get("content-type", "").partition(";")[0].strip().lower()
    if is_api(scope):
        if body and kind != "application/json":
            return refusal(scope, 415, "The API takes application/json.")
        return None
    try:
        fields = parse_qs(body.decode("utf-8"), keep_blank_values=True, max_num_fields=32)
    except ValueError:
        fields = {}
    form = {name: values[-1] for name, values in fields.items()}
    scope["state"]["form"] = form
    person: Person | None = scope["state"]["person"]
    if scope["path"] == "/sign-in":
        return None
    if person is None or not hmac.compare_digest(form.get("token", "").encode(), person.token.encode()):
        return refusal(scope, 403, "This form is out of date; open the page again and repeat what you wanted.")
    return None


def form_of(request: Request) -> dict[str, str]:
    """The fields of a form that passed the guard."""
    fields: dict[str, str] = request.scope["state"]["form"]
    return fields


def person_of(request: Request) -> Person:
    """Who sent a request that changes something; the guard lets nobody else through."""
    person: Person = request.scope["state"]["person"]
    return person


def _replay(body: bytes, receive: Receive) -> Receive:
    sent = False

    async def replayed() -> Message:
        nonlocal sent
        if sent:
            return await receive()
        sent = True
        return {"type": "http.request", "body": body, "more_body": False}

    return replayed


def _host_name(host: str) -> str | None:
    """The name in a Host header, without its port; None when it is malformed."""
    try:
        parts = urlsplit(f"//{host}")
        _ = parts.port
    except ValueError:
        return None
    plain = parts.netloc == host and not parts.path and "@" not in host
    return parts.hostname if plain else None


def _same_place(origin: str, host: str) -> bool:
    scheme, _, place = origin.partition("://")
    return scheme in ("http", "https") and place.lower() == host.lower()


def _is_loopback(address: str) -> bool:
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False
