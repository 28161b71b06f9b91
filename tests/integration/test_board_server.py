"""The board over real sockets: it serves when it says so, gives up slow callers, and lets go when it is stopped."""

from __future__ import annotations

import http.client
import json
import re
import socket
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest

from dewpond.adapters.desk import OperatorDesk
from dewpond.adapters.store.sql_store import SqlStore
from dewpond.adapters.system_clock import SystemClock
from dewpond.board import server as serving
from dewpond.board.app import create_app
from dewpond.board.people import People
from dewpond.board.server import BoardAddressError, BoardServer
from dewpond.board.serving import serve_board
from dewpond.board.sources import BoardOptions, Sources
from dewpond.model.commands import RecordRun
from dewpond.model.events import Now
from dewpond.model.view import SiteView, ZoneView
from dewpond.ports import OperatorReply

AT = datetime(2027, 7, 15, 2, 12, tzinfo=UTC)
RUN = RecordRun(
    run_id="1",
    zone="north-lawn",
    start=datetime(2027, 7, 14, 2, 0, tzinfo=UTC),
    end=datetime(2027, 7, 14, 2, 16, tzinfo=UTC),
    seconds=960.0,
    gross_mm=9.87,
    litres=710.0,
    cause="refill: 9.6 mm missing",
)
LAWN = ZoneView(
    id="north-lawn",
    name="North lawn",
    supply="main",
    output=1,
    valve="closed",
    opened_at=None,
    until=None,
    asked_by="",
    depletion_mm=4.0,
    depletion_sd_mm=0.0,
    raw_mm=11.2,
    taw_mm=22.4,
    flow_l_min=44.4,
    held="",
    last_run_end=None,
    last_run_mm=None,
    week_litres=0.0,
    reason=None,
)
VIEW = SiteView(
    at=AT,
    name="Withy Hollow",
    slug="withy-hollow",
    timezone="America/New_York",
    units="metric",
    broker="none",
    keeper="ready",
    clock_trusted=True,
    hold_until=None,
    hold_reason="",
    window_date=None,
    window_opens=None,
    window_closes=None,
    next_planning=None,
    zones=(LAWN,),
    supplies=(),
    sensors=(),
    openings=(),
    alarms=(),
)


def now() -> Now:
    return Now(wall=datetime(2027, 7, 15, tzinfo=UTC), elapsed_s=1.0)


class SilentDesk:
    """A daemon that has published nothing yet."""

    def view(self) -> None:
        return None

    def ask(self, action: str, who: str, **_: Any) -> OperatorReply:
        return OperatorReply(accepted=True, text=f"{action} by {who}")


class NoHistory:
    def __getattr__(self, name: str) -> Any:
        raise AssertionError(f"the records were asked for {name}")


def made(folder: Path, port: int = 0, host: str = "127.0.0.1") -> BoardServer:
    people = People(folder, now)
    sources = Sources(
        desk=SilentDesk(), history=NoHistory(), stop_now=lambda who: f"closed by {who}", people=people, now=now
    )
    options = BoardOptions(host=host, port=port, open_reading=True, live_every_s=0.05)
    return BoardServer(host, port, create_app(sources, options))


@pytest.fixture
def board(tmp_path: Path) -> Iterator[BoardServer]:
    one = made(tmp_path)
    one.start()
    yield one
    one.stop()


def get(
    board: BoardServer, path: str, method: str = "GET", body: str = "", cookie: str = ""
) -> tuple[http.client.HTTPResponse, bytes]:
    connection = http.client.HTTPConnection("127.0.0.1", board.port, timeout=10)
    try:
        connection.request(method, path, body or None, {"Cookie": cookie} if cookie else {})
        answer = connection.getresponse()
        return answer, answer.read()
    finally:
        connection.close()


def plug(board: BoardServer) -> socket.socket:
    return socket.create_connection(("127.0.0.1", board.port), timeout=5)


def test_it_serves_as_soon_as_start_returns(board: BoardServer) -> None:
    answer, body = get(board, "/")
    assert answer.status == 200
    assert b"The daemon has started" in body
    assert answer.headers["server"] is None
    assert board.address == f"http://127.0.0.1:{board.port}/"
    answer, body = get(board, "/", "HEAD")
    assert (answer.status, body) == (200, b"")


def test_a_taken_port_is_a_plain_sentence(board: BoardServer, tmp_path: Path) -> None:
    with pytest.raises(BoardAddressError, match=rf"127.0.0.1:{board.port}: cannot listen .* choose a free one"):
        made(tmp_path, board.port).start()


@pytest.mark.parametrize("host", ["192.0.2.1", "no such host"])
def test_an_address_that_is_not_ours_is_a_plain_sentence(tmp_path: Path, host: str) -> None:
    with pytest.raises(BoardAddressError, match=f"board at {host}:0: "):
        made(tmp_path, host=host).start()


def test_the_live_stream_arrives_piece_by_piece_and_ends_with_the_board(board: BoardServer) -> None:
    with plug(board) as line:
        line.sendall(
            f"GET /api/v1/live HTTP/1.1\r\nHost: 127.0.0.1:{board.port}\r\nAccept-Encoding: gzip\r\n\r\n".encode()
        )
        heard = b""
        while b"retry: 3000" not in heard:
            heard += line.recv(4096)
        assert b"content-type: text/event-stream" in heard
        board.stop()
        while piece := line.recv(4096):
            heard += piece
    with pytest.raises(ConnectionRefusedError):
        plug(board)
    board.stop()


def test_the_port_is_free_again_after_stop(tmp_path: Path) -> None:
    first = made(tmp_path)
    first.start()
    port = first.port
    get(first, "/")
    first.stop()
    second = made(tmp_path, port)
    second.start()
    try:
        assert get(second, "/")[0].status == 200
    finally:
        second.stop()


def test_headers_that_do_not_end_are_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serving, "HEADER_TIMEOUT_S", 0.1)
    board = made(tmp_path)
    board.start()
    try:
        with plug(board) as silent, plug(board) as slow:
            slow.sendall(b"GET / HTTP/1.1\r\nHost: ")
            assert silent.recv(100) == b""
            assert slow.recv(100) == b""
        assert get(board, "/")[0].status == 200
    finally:
        board.stop()


def test_a_whole_request_is_not_given_up_while_it_is_answered(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serving, "HEADER_TIMEOUT_S", 0.1)
    board = made(tmp_path)
    board.start()
    try:
        with plug(board) as line:
            line.sendall(f"GET /api/v1/live HTTP/1.1\r\nHost: 127.0.0.1:{board.port}\r\n\r\n".encode())
            line.settimeout(0.4)
            with pytest.raises(TimeoutError):
                while line.recv(4096):
                    pass
    finally:
        board.stop()


def test_connections_above_the_limit_are_turned_away_and_the_others_live(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serving, "MOST_CONNECTIONS", 2)
    board = made(tmp_path)
    board.start()
    try:
        with plug(board) as first, plug(board):
            with plug(board) as third:
                assert third.recv(100) == b""
            first.sendall(f"GET /sign-in HTTP/1.1\r\nHost: 127.0.0.1:{board.port}\r\n\r\n".encode())
            assert first.recv(100).startswith(b"HTTP/1.1 200")
    finally:
        board.stop()


class Told(list[str]):
    """What the daemon said on its output."""


@pytest.fixture
def live(tmp_path: Path) -> Iterator[tuple[BoardServer, OperatorDesk, Told]]:
    """A board as the daemon serves it: a real desk, a real store, the machine's clock."""
    database, clock, told = f"sqlite:///{tmp_path}/dewpond.db", SystemClock(), Told()
    store = SqlStore(database, now=clock.now(), version="0")
    store.record(RUN)
    assert store.commit()
    desk = OperatorDesk(clock, "test")
    one = serve_board(
        host="127.0.0.1",
        port=0,
        desk=desk,
        database=database,
        state_dir=tmp_path,
        clock=clock,
        stop_now=lambda who: f"closed by {who}",
        say=told.append,
    )
    yield one, desk, told
    one.stop()
    store.close()


def test_a_person_signs_in_with_the_code_that_was_said_and_reads_the_records(
    live: tuple[BoardServer, OperatorDesk, Told],
) -> None:
    board, desk, told = live
    assert get(board, "/api/v1/runs")[0].status == 401
    code = re.search(r"one-time code (\d{3} \d{3} \d{4})", told[0])
    assert code
    assert len(told) == 1
    answer, _ = get(board, "/sign-in", "POST", urlencode({"code": code[1]}))
    assert (answer.status, answer.headers["location"]) == (303, "/")
    cookie = answer.headers["set-cookie"].partition(";")[0]
    desk.publish(VIEW)
    answer, body = get(board, "/api/v1/runs?from=2027-07-14T00:00:00Z&to=2027-07-15T00:00:00Z", cookie=cookie)
    assert answer.status == 200
    assert [run["litres"] for run in json.loads(body)] == [710.0]
    assert b"710 L computed" in get(board, "/zone/north-lawn", cookie=cookie)[1]


def test_stop_reaches_the_keeper_although_the_daemon_hangs(
    live: tuple[BoardServer, OperatorDesk, Told], monkeypatch: pytest.MonkeyPatch
) -> None:
    board, desk, told = live
    monkeypatch.setattr(desk, "ask", lambda *_, **__: OperatorReply(accepted=False, text="no answer within 5 s"))
    answer, _ = get(board, "/sign-in", "POST", urlencode({"code": "".join(re.findall(r"\d{3,}", told[0])[-3:])}))
    cookie = answer.headers["set-cookie"].partition(";")[0]
    answer, body = get(board, "/api/v1/stop", "POST", cookie=cookie)
    assert answer.status == 200
    assert json.loads(body)["text"].startswith("closed by owner The daemon has not confirmed it")
