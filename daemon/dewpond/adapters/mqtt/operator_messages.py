"""Requests on the command topic: each carries an id and a deadline, and is taken up once or refused with a reason."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

from dewpond.adapters.readings.numbers import to_number
from dewpond.adapters.readings.payloads import Unreadable, parse_json
from dewpond.adapters.readings.times import TimeRule, read_stamp
from dewpond.model import operations
from dewpond.model.events import Now, OperatorAsked

ACTIONS = ("water", "stop", "hold", "release", "water-in", "percent", "clear", "as-usual")
LONGEST_DEADLINE = timedelta(days=1)
IDS_REMEMBERED = 1024  # requests whose deadline has not passed; more at once are refused
MAX_NAME = 64
LONGEST_MINUTES = 1440
MORE = {
    "hold": ("until", "kind"),
    "release": ("kind",),
    "water-in": ("zone", "depth_mm", "until"),
    "percent": ("program", "percent"),
    "clear": ("reason",),
    "as-usual": ("zone",),
}


class RequestRefused(ValueError):
    """Raised when a message on the command topic is not taken up; the text says why, with limit and remedy."""

    @property
    def sort(self) -> str:
        """The fact alone, the same for every message refused for it."""
        return str(self).partition(";")[0]


class OperatorMessages:
    """Reads requests and remembers their ids until their deadlines have passed, so that none is taken up twice."""

    def __init__(self, session: str = "") -> None:
        self._session = session
        self._seen: dict[str, datetime] = {}

    def read(self, payload: bytes, *, retained: bool, now: Now) -> OperatorAsked:
        """The request of one message. Raises RequestRefused."""
        if retained:
            raise RequestRefused(
                "a retained command; commands are never retained: clear it and send it without the flag"
            )
        body = _body(payload)
        request_id = _name(body, "id")
        action = body.get("action")
        if action not in ACTIONS:
            raise RequestRefused(f"an unknown action; ask for one of {', '.join(ACTIONS)}")
        if action != "stop" and not now.trusted:
            raise RequestRefused("the clock is not set yet, so no deadline can be judged; only stop is taken up")
        deadline = _deadline(body, now)
        request = OperatorAsked(
            at=now.wall,
            request_id=f"{self._session}-mqtt-{request_id}",
            who="mqtt",
            action=action,
            **_fields(action, body),
        )
        self._remember(request_id, deadline, now)
        return request

    def _remember(self, request_id: str, deadline: datetime, now: Now) -> None:
        if self._seen.get(request_id, now.wall) > now.wall:
            raise RequestRefused("a repeated command; each has an id of its own")
        if len(self._seen) >= IDS_REMEMBERED:
            self._seen = {each: until for each, until in self._seen.items() if until > now.wall}
        if len(self._seen) >= IDS_REMEMBERED:
            raise RequestRefused(f"more than {IDS_REMEMBERED} commands before their deadlines; send fewer")
        self._seen[request_id] = deadline


def _body(payload: bytes) -> dict[str, Any]:
    try:
        body = parse_json(payload)
    except Unreadable as fault:
        raise RequestRefused("no JSON; a command is an object with id, deadline and action") from fault
    if not isinstance(body, dict):
        raise RequestRefused("no JSON object; a command is an object with id, deadline and action")
    return body


def _name(body: dict[str, Any], key: str) -> str:
    value = body.get(key)
    if not isinstance(value, str) or not 0 < len(value) <= MAX_NAME or not value.isprintable():
        raise RequestRefused(f"no usable {key}; it is a text of 1 to {MAX_NAME} printable characters")
    return value


def _instant(body: dict[str, Any], key: str) -> datetime:
    stamp = read_stamp(TimeRule(format="iso"), body.get(key), datetime.min.replace(tzinfo=UTC))
    if stamp is None or not stamp.own:
        raise RequestRefused(f"no usable {key}; it is an ISO 8601 time with offset")
    return stamp.at


def _fields(action: str, body: dict[str, Any]) -> dict[str, Any]:
    """What the action takes. What only some of them have is checked as for every other way in."""
    fields: dict[str, Any] = {
        "zone": _name(body, "zone") if action == "water" or "zone" in body else None,
        "seconds": _minutes(body) * 60.0 if action == "water" else None,
        "until": _instant(body, "until") if action == "hold" else None,
        "reason": str(body.get("reason", ""))[:200],
    }
    if action == "water" and body.get("against_rule") is True:
        fields |= {"against_rule": True, "by": _name(body, "by"), "reason": _name(body, "reason")}
    known = MORE.get(action, ())
    if not known:
        return fields
    try:
        asked = operations.parse(action, {key: body[key] for key in known if key in body})
    except operations.RequestRefused as error:
        raise RequestRefused(f"not usable; {error}") from error
    return fields | {key: getattr(asked, key) for key in known}


def _deadline(body: dict[str, Any], now: Now) -> datetime:
    deadline = _instant(body, "deadline")
    if deadline <= now.wall:
        raise RequestRefused(f"expired; its deadline was {deadline.isoformat()}")
    if deadline > now.wall + LONGEST_DEADLINE:
        raise RequestRefused("a deadline more than a day ahead; the limit is 24 h")
    return deadline


def _minutes(body: dict[str, Any]) -> float:
    minutes = to_number(body.get("minutes"))
    if not 0 < minutes <= LONGEST_MINUTES:  # NaN, which is what no number gives, fails too
        raise RequestRefused(f"no usable minutes; it is a number above 0 and at most {LONGEST_MINUTES}")
    return minutes
