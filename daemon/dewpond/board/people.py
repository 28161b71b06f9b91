"""Who may change things: the one-time code, the sessions it opens, and the wait after wrong codes.

Everything is kept in the state folder, readable by its owner alone. Sessions are kept as digests, which open no door.
"""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import ipaddress
import json
import logging
import os
import secrets
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from pathlib import Path

from dewpond.model.events import Now

log = logging.getLogger(__name__)

CODE_FILE = "sign-in-code"
SESSIONS_FILE = "sessions.json"
CODE_DIGITS = 10
SESSION_LIFE = timedelta(days=90)
MAX_SESSIONS = 64
FREE_TRIES = 3
FIRST_WAIT_S = 2.0
LONGEST_WAIT_S = 60.0
MAX_DOORS = 512


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody signed in. ``token`` is the form token of this session, ``session`` its digest."""

    name: str
    session: str
    token: str


@dataclass(frozen=True, slots=True)
class Session:
    digest: str
    name: str
    until: str  # ISO 8601 with offset


@dataclass(frozen=True, slots=True)
class SignIn:
    """What came of a try: a cookie value, or why not and how long to wait before the next one [s]."""

    cookie: str | None
    text: str
    wait_s: float = 0.0


class Doors:
    """The wait after wrong codes, doubling for each network address from the third one on. Bounded in memory."""

    def __init__(self) -> None:
        self._tries: OrderedDict[str, tuple[int, float]] = OrderedDict()

    def wait_s(self, address: str, elapsed_s: float) -> float:
        _, not_before_s = self._tries.get(_door(address), (0, 0.0))
        return max(0.0, not_before_s - elapsed_s)

    def wrong(self, address: str, elapsed_s: float) -> None:
        door = _door(address)
        count = self._tries.pop(door, (0, 0.0))[0] + 1
        doublings = min(count - FREE_TRIES, 10)
        wait_s = min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0**doublings) if count >= FREE_TRIES else 0.0
        self._tries[door] = (count, elapsed_s + wait_s)
        while len(self._tries) > MAX_DOORS:
            self._tries.popitem(last=False)

    def right(self, address: str) -> None:
        self._tries.pop(_door(address), None)


class People:
    """Signs people in. ``now`` must be the machine's own clock, also in a demo; use from one thread at a time."""

    def __init__(self, state_dir: Path, now: Callable[[], Now]) -> None:
        """Reads what is kept, makes a code when there is none. Raises OSError when the folder cannot be written."""
        self._dir = state_dir
        self._now = now
        self._doors = Doors()
        state_dir.mkdir(parents=True, exist_ok=True)
        self._code = self._read_code() or _random_code()
        _write_private(state_dir / CODE_FILE, self._code + "\n")
        self._sessions = {session.digest: session for session in self._read_sessions()}

    def code(self) -> str:
        """The code that opens the next session: ten digits, good for one use."""
        return self._code

    def announcement(self, address: str) -> str:
        """One line for the daemon's output."""
        return (
            f"board: {address} - sign in with the one-time code {spaced(self._code)} "
            f"(the next one is in the state folder, file {CODE_FILE})"
        )

    def sign_in(self, typed: str, address: str) -> SignIn:
        """Open a session for the right code; the code is then spent and a new one kept."""
        now = self._now()
        wait_s = self._doors.wait_s(address, now.elapsed_s)
        if wait_s > 0:
            return SignIn(None, f"Too many wrong codes from here. Wait {wait_s:.0f} seconds, then try again.", wait_s)
        digits = "".join(char for char in typed if char in "0123456789")
        if not hmac.compare_digest(digits.encode(), self._code.encode()):
            self._doors.wrong(address, now.elapsed_s)
            return SignIn(
                None, "That is not the code. Look at the newest one in the state folder, or start the daemon again."
            )
        self._doors.right(address)
        cookie = secrets.token_urlsafe(32)
        self._add(Session(_digest(cookie), "owner", (now.wall + SESSION_LIFE).isoformat()))
        self._code = _random_code()
        self._keep(CODE_FILE, self._code + "\n")
        return SignIn(cookie, "Signed in.")

    def person(self, cookie: str | None) -> Person | None:
        """Whose session this cookie is; None for none, an unknown or an old one."""
        if not cookie:
            return None
        session = self._sessions.get(_digest(cookie))
        if session is None or datetime.fromisoformat(session.until) <= self._now().wall:
            return None
        token = hmac.new(cookie.encode(), b"form token", hashlib.sha256).hexdigest()
        return Person(session.name, session.digest, token)

    def sign_out(self, person: Person) -> None:
        if self._sessions.pop(person.session, None) is not None:
            self._keep_sessions()

    def _add(self, session: Session) -> None:
        now = self._now().wall
        living = [kept for kept in self._sessions.values() if datetime.fromisoformat(kept.until) > now]
        self._sessions = {kept.digest: kept for kept in [*living, session][-MAX_SESSIONS:]}
        self._keep_sessions()

    def _keep_sessions(self) -> None:
        self._keep(SESSIONS_FILE, json.dumps([asdict(session) for session in self._sessions.values()]))

    def _keep(self, name: str, text: str) -> None:
        """A full disk must not keep the owner from stopping water: what cannot be kept lives until the next start."""
        try:
            _write_private(self._dir / name, text)
        except OSError as error:
            log.warning("%s could not be kept (%s); it holds until the daemon stops", name, error)

    def _read_sessions(self) -> list[Session]:
        path = self._dir / SESSIONS_FILE
        try:
            kept = [Session(**row) for row in json.loads(path.read_text(encoding="utf-8"))]
            return [session for session in kept if datetime.fromisoformat(session.until).tzinfo is not None]
        except FileNotFoundError:
            return []
        except (OSError, ValueError, TypeError) as error:
            log.warning("%s: not readable (%s); everybody signs in again", path.name, error)
            return []

    def _read_code(self) -> str | None:
        try:
            text = (self._dir / CODE_FILE).read_text(encoding="ascii").strip()
        except (OSError, ValueError):
            return None
        return text if len(text) == CODE_DIGITS and text.isdecimal() else None


def _random_code() -> str:
    return "".join(secrets.choice("0123456789") for _ in range(CODE_DIGITS))


def spaced(code: str) -> str:
    """A code in groups that can be read out: ``482 190 3714``."""
    return f"{code[:3]} {code[3:6]} {code[6:]}"


def _digest(cookie: str) -> str:
    return hashlib.sha256(cookie.encode("utf-8", "replace")).hexdigest()


def _door(address: str) -> str:
    """One door for each IPv4 address and each IPv6 network of 64 bits, which one machine may fill alone."""
    try:
        parsed = ipaddress.ip_address(address)
    except ValueError:
        return address
    return f"{int(parsed) >> 64:x}::/64" if parsed.version == 6 else str(parsed)


def _write_private(path: Path, text: str) -> None:
    """Replace a file as a whole, readable and writable by its owner alone."""
    beside = path.with_name(f".{path.name}.new")
    with contextlib.suppress(FileNotFoundError):
        beside.unlink()
    descriptor = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    beside.replace(path)
