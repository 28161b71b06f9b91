"""The keeper's words on its socket: one JSON object a line, each way.

Requests: ``{"op": "hello" | "status" | "open" | "renew" | "close" | "close_all" | "click", ...}`` with ``output`` (from
1; to close, a zone's id as ``target`` will do), ``run``, ``lease_s``, ``planned_s`` and ``who`` where they belong;
``lock`` and ``unlock`` with ``target``, ``who``, ``reason`` and ``owner``; ``winter_close`` and ``winter_open`` with
``who`` and ``signed``; ``locks``. A closing with ``wish`` is a person's: the daemon is told, whenever it next asks.
Replies: ``{"ok": bool, "why": str, "session": str, "ready": bool}`` and more by kind. A line may be
4 KiB long; what cannot be understood is refused, never acted on.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

LONGEST_LINE = 4096
MOST_SECONDS = 1e9
LOCK_OPS = ("lock", "unlock", "winter_close", "winter_open")
CLOSING_OPS = ("close", "close_all")
OPS = ("hello", "status", "locks", "open", "renew", "close", "close_all", "click", *LOCK_OPS)
MOST_SIGNED = 20


class LineRefused(ValueError):
    """Raised when a line is no request."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """One understood request."""

    op: str
    output: int = 0
    run: str | None = None
    lease_s: float = 0.0
    planned_s: float = 0.0
    who: str = ""
    wish: bool = False
    target: str = ""
    reason: str = ""
    owner: bool = False
    signed: tuple[str, ...] = ()


def parse(line: bytes) -> Request:
    """Understand one line. Raises LineRefused with what is wrong."""
    try:
        body = json.loads(line, parse_constant=_no_constant)
    except (ValueError, RecursionError) as fault:
        raise LineRefused(f"not a line of JSON: {fault}") from fault
    if not isinstance(body, dict) or body.get("op") not in OPS:
        raise LineRefused(f'a request is an object with "op" one of {", ".join(OPS)}')
    op = str(body["op"])
    switches = op in ("open", "renew", "close", "click")
    by_name = op == "close" and "output" not in body and "target" in body
    return Request(
        op=op,
        output=_whole(body, "output") if switches and not by_name else 0,
        run=_text(body, "run") if op in ("open", "renew") or (op == "close" and body.get("run") is not None) else None,
        lease_s=_seconds(body, "lease_s") if op in ("open", "renew") else 0.0,
        planned_s=_seconds(body, "planned_s") if op == "open" else 0.0,
        who=_text(body, "who") if body.get("who") is not None else "",
        wish=op in CLOSING_OPS and body.get("wish") is True,
        target=_text(body, "target") if by_name or op in ("lock", "unlock") else "",
        reason=_text(body, "reason") if op in LOCK_OPS and body.get("reason") is not None else "",
        owner=body.get("owner") is True,
        signed=_texts(body, "signed") if op == "winter_open" else (),
    )


def reply(**body: Any) -> bytes:
    """One line of answer."""
    return json.dumps(body, separators=(",", ":"), allow_nan=False).encode() + b"\n"


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is no number")


def _whole(body: dict[str, Any], key: str) -> int:
    value = body.get(key)
    if type(value) is not int:
        raise LineRefused(f'"{key}" must be a whole number')
    return value


def _text(body: dict[str, Any], key: str) -> str:
    value = body.get(key)
    if not isinstance(value, str) or not value.isprintable():
        raise LineRefused(f'"{key}" must be plain text')
    return value


def _texts(body: dict[str, Any], key: str) -> tuple[str, ...]:
    value = body.get(key)
    if not isinstance(value, list) or len(value) > MOST_SIGNED or not all(isinstance(item, str) for item in value):
        raise LineRefused(f'"{key}" must be a list of at most {MOST_SIGNED} texts')
    return tuple(value)


def _seconds(body: dict[str, Any], key: str) -> float:
    value = body.get(key)
    if isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= MOST_SECONDS:
        return float(value)
    raise LineRefused(f'"{key}" must be a number of seconds')
