"""Requests on the command topic: taken up once, within their deadline, or refused with the reason."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from dewpond.adapters.mqtt.operator_messages import IDS_REMEMBERED, OperatorMessages, RequestRefused
from dewpond.model.events import Now, OperatorAsked

NOON = datetime(2026, 5, 14, 12, 0, tzinfo=UTC)
NOW = Now(wall=NOON, elapsed_s=0.0)


def body(**more: Any) -> dict[str, Any]:
    deadline = (NOON + timedelta(minutes=2)).isoformat()
    return {"id": "a1", "deadline": deadline, "action": "water", "zone": "rose-bed", "minutes": 10} | more


def read(document: object, messages: OperatorMessages | None = None, now: Now = NOW, **more: bool) -> OperatorAsked:
    payload = document if isinstance(document, bytes) else json.dumps(document).encode()
    return (messages or OperatorMessages("7")).read(payload, retained=more.get("retained", False), now=now)


def refusal(document: object, **more: Any) -> str:
    with pytest.raises(RequestRefused) as caught:
        read(document, **more)
    return str(caught.value)


def test_request_is_what_a_person_would_ask() -> None:
    asked = read(body(minutes=2.5, reason="seedlings"))
    assert (asked.at, asked.who, asked.request_id) == (NOON, "mqtt", "7-mqtt-a1")
    assert (asked.action, asked.zone, asked.seconds, asked.until, asked.reason) == (
        "water",
        "rose-bed",
        150.0,
        None,
        "seedlings",
    )


def test_insisting_against_a_rule_needs_a_name_and_a_reason() -> None:
    asked = read(body(against_rule=True, by="Ada", reason="heads are tested"))
    assert (asked.against_rule, asked.person, asked.reason) == (True, "Ada (mqtt)", "heads are tested")
    assert "no usable by" in refusal(body(against_rule=True, reason="heads are tested"))
    assert "no usable reason" in refusal(body(against_rule=True, by="Ada"))
    assert not read(body(against_rule="yes")).against_rule


def test_each_action_takes_what_it_needs() -> None:
    until = "2026-05-16T06:00:00+02:00"
    assert read(body(action="hold", until=until)).until == datetime.fromisoformat(until)
    everything = {key: value for key, value in body(action="stop").items() if key not in ("zone", "minutes")}
    assert (read(everything).zone, read(everything).seconds) == (None, None)
    assert read(everything | {"zone": "rose-bed"}).zone == "rose-bed"
    assert read(everything | {"action": "release"}).action == "release"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"deadline": (NOON - timedelta(seconds=1)).isoformat()}, "expired"),
        ({"deadline": (NOON + timedelta(hours=25)).isoformat()}, "24 h"),
        ({"deadline": "2026-05-14T12:02:00"}, "deadline"),
        ({"deadline": None}, "deadline"),
        ({"deadline": "now"}, "deadline"),
        ({"id": ""}, "id"),
        ({"id": 5}, "id"),
        ({"id": "a\n1"}, "id"),
        ({"action": "open"}, "action"),
        ({"action": ["water"]}, "action"),
        ({"zone": None}, "zone"),
        ({"minutes": 0}, "minutes"),
        ({"minutes": -5}, "minutes"),
        ({"minutes": True}, "minutes"),
        ({"minutes": 1e6}, "minutes"),
        ({"minutes": float("nan")}, "minutes"),
        ({"minutes": 10**400}, "minutes"),
        ({"action": "hold"}, "until"),
    ],
)
def test_malformed_or_expired_request_is_refused_with_what_is_wrong(change: dict[str, Any], said: str) -> None:
    assert said in refusal(body(**change))


@pytest.mark.parametrize("payload", [b"", b"water", b"[]", b"\xff", b"null"])
def test_what_is_no_object_is_refused(payload: bytes) -> None:
    assert "JSON" in refusal(payload)


def test_retained_request_is_refused_whatever_it_says() -> None:
    assert "retained" in refusal(body(), retained=True)


def test_repeated_request_is_refused_and_a_refused_one_may_be_sent_again() -> None:
    messages = OperatorMessages("7")
    refusal(body(minutes=0), messages=messages)
    read(body(), messages)
    assert "repeated" in refusal(body(), messages=messages)
    read(body(id="a2"), messages)


def test_ids_are_forgotten_only_when_their_deadline_refuses_them_anyway() -> None:
    messages = OperatorMessages("7")
    for number in range(IDS_REMEMBERED):
        read(body(id=f"n{number}"), messages)
    assert str(IDS_REMEMBERED) in refusal(body(id="one more"), messages=messages)
    later = Now(wall=NOON + timedelta(minutes=3), elapsed_s=180.0)
    assert "expired" in refusal(body(id="n0"), messages=messages, now=later)
    read(body(id="n0", deadline=(NOON + timedelta(minutes=5)).isoformat()), messages, later)


def test_only_stop_is_taken_up_while_the_clock_is_not_set() -> None:
    unset = Now(wall=NOON, elapsed_s=0.0, trusted=False)
    assert "clock" in refusal(body(), now=unset)
    assert read(body(action="stop"), now=unset).action == "stop"


def test_sort_of_a_refusal_is_the_same_for_every_message_refused_for_it() -> None:
    sorts = set()
    for seconds in (1, 2):
        with pytest.raises(RequestRefused) as caught:
            read(body(deadline=(NOON - timedelta(seconds=seconds)).isoformat()))
        sorts.add(caught.value.sort)
    assert sorts == {"expired"}


def without(*keys: str, **more: Any) -> dict[str, Any]:
    return {key: value for key, value in body(**more).items() if key not in keys}


def test_what_the_operator_socket_takes_is_taken_here_with_its_fields() -> None:
    until = "2026-05-16T06:00:00+02:00"
    held = read(without("minutes", action="hold", until=until, kind="mowing"))
    assert (held.kind, held.zone, held.until) == ("mowing", "rose-bed", datetime.fromisoformat(until))
    assert read(without("minutes", action="release", kind="rain")).kind == "rain"
    wish = read(without("minutes", action="water-in", depth_mm=6, until=until))
    assert (wish.zone, wish.depth_mm, wish.until) == ("rose-bed", 6.0, datetime.fromisoformat(until))
    percent = read(without("minutes", "zone", action="percent", program="beds", percent=80))
    assert (percent.program, percent.percent) == ("beds", 80.0)
    assert read(without("minutes", "zone", action="percent", program="beds", percent=None)).percent is None
    assert read(without("minutes", "zone", action="clear", reason="no_flow/rose-bed")).reason == "no_flow/rose-bed"
    assert read(without("minutes", action="as-usual")).zone == "rose-bed"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"action": "hold", "until": "2026-05-16T06:00:00Z", "kind": "rain"}, "kind"),
        ({"action": "release", "kind": "sun"}, "kind"),
        ({"action": "water-in"}, "depth_mm is missing"),
        ({"action": "water-in", "depth_mm": 900}, "at most 200"),
        ({"action": "water-in", "depth_mm": 5, "until": "2026-05-16T06:00:00"}, "offset"),
        ({"action": "percent", "percent": 80}, "program is missing"),
        ({"action": "percent", "program": "beds", "percent": 900}, "0 to 200"),
        ({"action": "clear"}, "reason is missing"),
    ],
)
def test_their_fields_are_checked_as_on_the_socket(change: dict[str, Any], said: str) -> None:
    assert said in refusal(body(**change))
