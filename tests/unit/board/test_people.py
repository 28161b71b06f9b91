"""Signing in: one code, one session, and a growing wait after wrong codes."""

from __future__ import annotations

import json
import stat
from pathlib import Path
from typing import Any

import pytest

from dewpond.board.people import CODE_FILE, LONGEST_WAIT_S, SESSION_LIFE, SESSIONS_FILE, People, spaced
from dewpond.model.events import Now

HERE = "192.0.2.7"


@pytest.fixture
def clock(board: Any) -> Any:
    return board.clock


@pytest.fixture
def people(tmp_path: Path, clock: Any) -> People:
    return People(tmp_path / "state", clock.now)


def test_the_code_opens_one_session_and_is_then_spent(people: People) -> None:
    code = people.code()
    came = people.sign_in(spaced(code), HERE)
    assert came.cookie is not None
    person = people.person(came.cookie)
    assert person is not None
    assert person.name == "owner"
    assert people.code() != code
    assert people.sign_in(code, HERE).cookie is None


def test_code_and_sessions_are_private_and_the_session_file_opens_nothing(people: People, tmp_path: Path) -> None:
    cookie = people.sign_in(people.code(), HERE).cookie
    assert cookie is not None
    for name in (CODE_FILE, SESSIONS_FILE):
        path = tmp_path / "state" / name
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
        assert cookie not in path.read_text()
    assert (tmp_path / "state" / CODE_FILE).read_text().strip() == people.code()
    assert people.person(json.loads((tmp_path / "state" / SESSIONS_FILE).read_text())[0]["digest"]) is None


def test_code_and_sessions_outlive_a_restart(people: People, tmp_path: Path, clock: Any) -> None:
    cookie = people.sign_in(people.code(), HERE).cookie
    again = People(tmp_path / "state", clock.now)
    assert again.person(cookie) == people.person(cookie)
    assert again.code() == people.code()


def test_a_session_ends_with_signing_out_and_with_time(people: People, clock: Any) -> None:
    first, second = (people.sign_in(people.code(), HERE).cookie for _ in range(2))
    person = people.person(first)
    assert person is not None
    people.sign_out(person)
    assert people.person(first) is None
    assert people.person(second) is not None
    clock.push(SESSION_LIFE.total_seconds())
    assert people.person(second) is None


def test_wrong_codes_make_the_same_address_wait_longer_each_time(people: People, clock: Any) -> None:
    waits = []
    for _ in range(15):
        came = people.sign_in("0", HERE)
        assert came.cookie is None
        if came.wait_s:
            waits.append(came.wait_s)
            clock.push(came.wait_s)
    assert waits == [2.0, 4.0, 8.0, 16.0, 32.0, LONGEST_WAIT_S]


def test_one_address_cannot_shut_the_door_for_another(people: People) -> None:
    for _ in range(5):
        people.sign_in("0", HERE)
    assert people.sign_in(people.code(), HERE).cookie is None
    assert people.sign_in(people.code(), "192.0.2.8").cookie is not None


def test_a_machine_with_many_ipv6_addresses_has_one_door(people: People) -> None:
    for host in range(1, 6):
        people.sign_in("0", f"2001:db8:0:1::{host}")
    assert people.sign_in(people.code(), "2001:db8:0:1::99").cookie is None
    assert people.sign_in(people.code(), "2001:db8:0:2::99").cookie is not None


def test_sessions_are_bounded_and_the_oldest_goes(people: People, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("dewpond.board.people.MAX_SESSIONS", 3)
    cookies = [people.sign_in(people.code(), HERE).cookie for _ in range(4)]
    assert [people.person(cookie) is None for cookie in cookies] == [True, False, False, False]


@pytest.mark.parametrize(
    "kept", ["", "{", "[1]", '[{"digest": "x"}]', '[{"digest": "x", "name": "n", "until": "soon"}]']
)
def test_a_broken_session_file_costs_sessions_and_nothing_else(tmp_path: Path, clock: Any, kept: str) -> None:
    (tmp_path / SESSIONS_FILE).write_text(kept)
    people = People(tmp_path, clock.now)
    assert people.sign_in(people.code(), HERE).cookie is not None


@pytest.mark.parametrize("kept", ["", "12", "abcdefghij", "\u0661" * 10])
def test_a_broken_code_file_is_replaced(tmp_path: Path, clock: Any, kept: str) -> None:
    (tmp_path / CODE_FILE).write_text(kept, encoding="utf-8")
    code = People(tmp_path, clock.now).code()
    assert len(code) == 10
    assert (tmp_path / CODE_FILE).read_text().strip() == code


def test_a_full_disk_keeps_nobody_out(people: People, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("dewpond.board.people._write_private", full)
    assert people.person(people.sign_in(people.code(), HERE).cookie) is not None


def test_the_announcement_tells_the_code_and_is_no_sign_of_readiness(people: People) -> None:
    line = people.announcement("http://127.0.0.1:8377/")
    assert spaced(people.code()) in line
    assert "ready" not in line
    assert "\n" not in line


def test_no_cookie_and_odd_cookies_are_nobody(people: People) -> None:
    assert [people.person(cookie) for cookie in (None, "", "\ud800", "x" * 9000)] == [None] * 4


def test_the_clock_given_is_the_only_clock(tmp_path: Path) -> None:
    asked: list[int] = []

    def now() -> Now:
        asked.append(1)
        raise AssertionError("asked for the time too early")

    People(tmp_path, now)
    assert not asked
