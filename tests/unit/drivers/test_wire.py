"""What the keeper understands, and what it turns away."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dewpond_drivers.wire import LineRefused, Request, parse, reply


def test_requests_are_understood() -> None:
    line = b'{"op":"open","output":3,"run":"r1","lease_s":90,"planned_s":600.5,"more":1}'
    assert parse(line) == Request(op="open", output=3, run="r1", lease_s=90.0, planned_s=600.5)
    assert parse(b'{"op":"close","output":3}') == Request(op="close", output=3)
    assert parse(b'{"op":"close_all","who":"a person"}') == Request(op="close_all", who="a person")
    line = b'{"op":"lock","target":"supply:main","who":"Ada","reason":"new pipe"}'
    assert parse(line) == Request(op="lock", target="supply:main", who="Ada", reason="new pipe")
    line = b'{"op":"unlock","target":"site","who":"Ada","reason":"done","owner":true}'
    assert parse(line) == Request(op="unlock", target="site", who="Ada", reason="done", owner=True)
    assert parse(b'{"op":"unlock","target":"site","owner":"yes"}').owner is False
    line = b'{"op":"winter_open","who":"Ada","signed":["walked"]}'
    assert parse(line) == Request(op="winter_open", who="Ada", signed=("walked",))


@pytest.mark.parametrize(
    "line",
    [
        b"",
        b"stop",
        b"\xff\xfe",
        b"[]",
        b'"open"',
        b'{"op":"shout"}',
        b'{"op":["open"]}',
        b'{"op":"open"}',
        b'{"op":"open","output":true,"run":"r","lease_s":1,"planned_s":1}',
        b'{"op":"open","output":1.0,"run":"r","lease_s":1,"planned_s":1}',
        b'{"op":"open","output":1,"run":7,"lease_s":1,"planned_s":1}',
        b'{"op":"open","output":1,"run":"a\\nb","lease_s":1,"planned_s":1}',
        b'{"op":"open","output":1,"run":"r","lease_s":"1","planned_s":1}',
        b'{"op":"open","output":1,"run":"r","lease_s":true,"planned_s":1}',
        b'{"op":"open","output":1,"run":"r","lease_s":NaN,"planned_s":1}',
        b'{"op":"open","output":1,"run":"r","lease_s":Infinity,"planned_s":1}',
        b'{"op":"open","output":1,"run":"r","lease_s":1e999,"planned_s":1}',
        b'{"op":"open","output":1,"run":"r","lease_s":1' + b"0" * 400 + b',"planned_s":1}',
        b'{"op":"open","output":' + b"9" * 5000 + b"}",
        b'{"op":"lock","who":"Ada","reason":"new pipe"}',
        b'{"op":"lock","target":"a\nb","who":"Ada"}',
        b'{"op":"winter_open","who":"Ada"}',
        b'{"op":"winter_open","who":"Ada","signed":[1]}',
        b'{"op":' * 5000,
        b"[" * 100_000,
    ],
)
def test_what_is_no_request_is_refused(line: bytes) -> None:
    with pytest.raises(LineRefused):
        parse(line)


@given(st.binary(max_size=200))
def test_no_bytes_at_all_can_raise_anything_else(line: bytes) -> None:
    try:
        parse(line)
    except LineRefused as refused:
        assert str(refused)


def test_a_reply_is_one_line() -> None:
    assert reply(ok=True, why="a\nb") == b'{"ok":true,"why":"a\\nb"}\n'
