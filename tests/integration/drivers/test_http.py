"""The HTTP driver against a small HTTP server in this process."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator, Mapping
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from dewpond_drivers import conformance
from dewpond_drivers.driver import DriverRefused, DriverUnreachable
from dewpond_drivers.http import HttpDriver, HttpSettings

OUTPUTS = 4


class Board(BaseHTTPRequestHandler):
    """/relay/N/on, /relay/N/off, /relay/N/on?for=S and /state, which tells all."""

    bench: HttpBench

    def do_POST(self) -> None:
        bench = self.bench
        path, _, query = self.path.partition("?")
        _, _, number, word = path.split("/")
        output = int(number)
        bench.seen.append((self.path, self.headers.get("Authorization")))
        if output in bench.broken:
            self.send_error(409)
            return
        if output not in bench.jammed:
            bench.states[output] = word == "on"
        bench.timed[output] = query
        self._answer({"ok": True})

    def do_GET(self) -> None:
        relays = [{"on": on} for on in self.bench.states.values()]
        self._answer({"relays": relays})

    def log_message(self, *_: object) -> None:
        """Quiet."""

    def _answer(self, body: object) -> None:
        data = json.dumps(body).encode()
        self.send_response(200)
        self.send_header("Content-Length", str(len(data)))
        self.end_headers()
        self.wfile.write(data)


class HttpBench:
    outputs = OUTPUTS
    can = ("see", "cut", "jam", "break")

    def __init__(self) -> None:
        self.states = dict.fromkeys(range(1, OUTPUTS + 1), False)
        self.timed: dict[int, str] = {}
        self.seen: list[tuple[str, str | None]] = []
        self.jammed: set[int] = set()
        self.broken: set[int] = set()
        self.port = 0
        self.mend()

    def make(self, **changes) -> HttpDriver:
        base = f"http://127.0.0.1:{self.port}"
        keys = {
            "on_url": f"{base}/relay/{{output}}/on",
            "off_url": f"{base}/relay/{{output}}/off",
            "state_url": f"{base}/state",
            "state_pointer": "/relays/{index}/on",
            "timeout_s": 0.5,
        }
        return HttpDriver(HttpSettings(**{**keys, **changes}), OUTPUTS)

    def relays(self) -> Mapping[int, bool]:
        return dict(self.states)

    def force(self, output: int, on: bool) -> None:
        self.states[output] = on

    def jam(self, output: int) -> None:
        self.jammed.add(output)

    def break_relay(self, output: int) -> None:
        self.broken.add(output)

    def heal(self) -> None:
        self.jammed.clear()
        self.broken.clear()

    def cut(self) -> None:
        self.server.shutdown()
        self.server.server_close()
        self._thread.join(5.0)

    def mend(self) -> None:
        handler = type("Handler", (Board,), {"bench": self})
        self.server = ThreadingHTTPServer(("127.0.0.1", self.port), handler)
        self.port = self.server.server_address[1]
        self._thread = threading.Thread(target=self.server.serve_forever, args=(0.02,), daemon=True)
        self._thread.start()


@pytest.fixture
def bench() -> Iterator[HttpBench]:
    bench = HttpBench()
    yield bench
    bench.cut()


@pytest.mark.parametrize("check", conformance.CHECKS, ids=lambda check: check.__name__)
def test_conforms(bench: HttpBench, check) -> None:
    check(bench)


def test_a_board_without_a_state_address_cannot_tell(bench: HttpBench) -> None:
    driver = bench.make(state_url="")
    driver.connect()
    driver.set_output(2, True)
    assert driver.read_back() == {1: None, 2: None, 3: None, 4: None}
    driver.close()


def test_a_state_that_is_not_understood_cannot_tell(bench: HttpBench) -> None:
    driver = bench.make(state_pointer="/relays/{index}/no")
    driver.connect()
    assert set(driver.read_back().values()) == {None}
    driver.close()


def test_timed_boards_are_told_the_seconds(bench: HttpBench) -> None:
    driver = bench.make(timed_url=f"http://127.0.0.1:{bench.port}/relay/{{output}}/on?for={{seconds}}")
    assert driver.timed_on and not bench.make().timed_on
    driver.connect()
    driver.open_for(3, 89.2)
    assert bench.timed[3] == "for=90" and bench.states[3]
    driver.close()


def test_credentials_come_from_a_file_and_stay_out_of_messages(bench: HttpBench, tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text("s3cret\n")
    driver = bench.make(username="keeper", password_file=secret)
    driver.connect()
    assert bench.seen[0][1] == "Basic a2VlcGVyOnMzY3JldA=="
    bench.break_relay(1)
    with pytest.raises(DriverRefused) as refused:
        driver.set_output(1, True)
    assert "409" in str(refused.value) and "s3cret" not in str(refused.value)
    driver.close()


def test_an_answer_of_a_sick_server_is_no_refusal_of_the_relay(bench: HttpBench) -> None:
    driver = bench.make(off_url=f"http://127.0.0.1:{bench.port}/x/{{output}}")
    with pytest.raises(DriverUnreachable):
        driver.connect()


def test_a_server_that_never_answers_is_left_in_time(bench: HttpBench) -> None:
    import socket

    with socket.socket() as deaf:
        deaf.bind(("127.0.0.1", 0))
        deaf.listen()
        driver = bench.make(off_url=f"http://127.0.0.1:{deaf.getsockname()[1]}/{{output}}", timeout_s=0.1)
        with pytest.raises(DriverUnreachable, match="timed out"):
            driver.connect()
