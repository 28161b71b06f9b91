"""The polite client against a real HTTP server on loopback: seldom, conditional, patient, and remembering."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from dewpond.adapters.weather.feeds.client import (
    EXPIRED_S,
    MOST_BACK_OFF_S,
    Age,
    Answer,
    ContactMissingError,
    PoliteClient,
    met_norway_request,
    openmeteo_request,
    steady_offset_s,
)
from dewpond.model.events import Now

START = datetime(2027, 5, 14, 6, 0, tzinfo=UTC)
LAST_MODIFIED = "Fri, 14 May 2027 05:40:00 GMT"
Reply = tuple[int, dict[str, str], bytes]


class Service:
    """Answers from a list of replies (the last one again and again) and remembers what it was asked."""

    def __init__(self) -> None:
        self.replies: list[Reply] = []
        self.requests: list[tuple[str, dict[str, str]]] = []
        self.busy = self.most_busy = 0
        service = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                service.busy += 1
                service.most_busy = max(service.most_busy, service.busy)
                service.requests.append((self.path, dict(self.headers)))
                status, headers, body = service.replies[min(len(service.requests), len(service.replies)) - 1]
                self.send_response_only(status)
                for name, value in headers.items():
                    self.send_header(name, value)
                self.send_header("Content-Length", str(len(body)))
                self.end_headers()
                service.busy -= 1
                self.wfile.write(body)

            def log_message(self, *arguments: object) -> None:
                """Quiet."""

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self.server.server_address[1]}/v1/forecast"


class HandClock:
    def __init__(self) -> None:
        self.wall = START

    def now(self) -> Now:
        return Now(wall=self.wall, elapsed_s=self.wall.timestamp())

    def wait(self, until_elapsed_s: float) -> None: ...

    def wake(self) -> None: ...

    def hold(self) -> None: ...

    def unhold(self) -> None: ...


@pytest.fixture
def service() -> Iterator[Service]:
    made = Service()
    thread = threading.Thread(target=made.server.serve_forever, args=(0.01,))
    thread.start()
    yield made
    made.server.shutdown()
    made.server.server_close()
    thread.join()


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


@pytest.fixture
def client(tmp_path: Path, clock: HandClock) -> Callable[[], PoliteClient]:
    def make() -> PoliteClient:
        return PoliteClient(tmp_path, clock, contact="keeper@withy.example", version="1.2", installation="hollow")

    return make


def _headers(clock: HandClock, minutes: float = 30.0, **more: str) -> dict[str, str]:
    expires = format_datetime(clock.wall + timedelta(minutes=minutes), usegmt=True)
    date = format_datetime(clock.wall, usegmt=True)
    return {"Date": date, "Expires": expires, "Last-Modified": LAST_MODIFIED, **more}


def _get(client: PoliteClient, service: Service) -> Answer:
    return client.get(service.url, {"latitude": 50.1, "longitude": 8.2})


def test_it_says_who_it_is_and_asks_for_gzip(
    service: Service, clock: HandClock, client: Callable[[], PoliteClient]
) -> None:
    service.replies = [(200, _headers(clock), b'{"a": 1}')]
    answer = _get(client(), service)
    path, headers = service.requests[0]
    assert (answer.age, answer.body, answer.fetched_at) == (Age.FRESH, b'{"a": 1}', START)
    assert path == "/v1/forecast?latitude=50.1&longitude=8.2"
    assert headers["User-Agent"] == "dewpond/1.2 (keeper@withy.example)"
    assert "gzip" in headers["Accept-Encoding"]
    assert "If-Modified-Since" not in headers


def test_no_request_before_expires_and_its_offset_then_a_conditional_one_with_the_exact_texts(
    service: Service, clock: HandClock, client: Callable[[], PoliteClient]
) -> None:
    service.replies = [(200, _headers(clock, ETag='W/"x1"'), b"old")]
    asking = client()
    first = _get(asking, service)
    assert first.next_request_at == START + timedelta(minutes=30, seconds=steady_offset_s("hollow"))
    clock.wall = first.next_request_at - timedelta(seconds=1)
    assert _get(asking, service).age == Age.STALE  # past Expires, and not asked yet
    assert len(service.requests) == 1
    clock.wall = first.next_request_at
    service.replies.append((304, _headers(clock), b""))
    again = _get(asking, service)
    headers = service.requests[1][1]
    assert (headers["If-Modified-Since"], headers["If-None-Match"]) == (LAST_MODIFIED, 'W/"x1"')
    assert (again.age, again.body, again.fetched_at) == (Age.FRESH, b"old", clock.wall)


def test_a_restarted_client_remembers_body_expiry_and_validators(
    service: Service, clock: HandClock, client: Callable[[], PoliteClient]
) -> None:
    service.replies = [(200, _headers(clock), b"old"), (304, {}, b"")]
    first = _get(client(), service)
    restarted = client()
    assert _get(restarted, service).body == b"old"
    assert len(service.requests) == 1
    clock.wall = first.next_request_at
    assert _get(restarted, service).body == b"old"
    assert service.requests[1][1]["If-Modified-Since"] == LAST_MODIFIED


def test_max_age_wins_over_expires(service: Service, clock: HandClock, client: Callable[[], PoliteClient]) -> None:
    service.replies = [(200, _headers(clock, **{"Cache-Control": "public, max-age=7200"}), b"x")]
    wait = _get(client(), service).next_request_at - START
    assert wait == timedelta(seconds=7200 + steady_offset_s("hollow"))


def test_expires_is_read_against_the_servers_own_clock(
    service: Service, clock: HandClock, client: Callable[[], PoliteClient]
) -> None:
    headers = _headers(clock)
    clock.wall = START + timedelta(days=400)  # ours is wrong
    service.replies = [(200, headers, b"x")]
    assert _get(client(), service).next_request_at - clock.wall == timedelta(
        minutes=30, seconds=steady_offset_s("hollow")
    )


def test_back_off_doubles_up_to_a_ceiling_and_ends_with_success(
    service: Service, clock: HandClock, client: Callable[[], PoliteClient]
) -> None:
    service.replies = [(500, {}, b"")]
    asking = client()
    waits = []
    for _ in range(12):
        answer = _get(asking, service)
        assert (answer.age, answer.body, answer.fault) == (Age.EXPIRED, None, "answered 500")
        waits.append((answer.next_request_at - clock.wall).total_seconds())
        clock.wall = answer.next_request_at
    assert waits[0] == pytest.approx(60.0, abs=3.0)
    assert waits[1] / waits[0] == pytest.approx(2.0, abs=0.1)
    assert max(waits) == waits[-1] == pytest.approx(MOST_BACK_OFF_S + steady_offset_s("hollow"), abs=1.0)
    service.replies.append((200, _headers(clock), b"x"))
    service.replies[:-1] = service.replies[-1:]
    good = _get(asking, service)
    assert (good.age, good.fault) == (Age.FRESH, "")


@pytest.mark.parametrize(
    ("status", "headers", "least_s"),
    [(429, {"Retry-After": "1800"}, 1800.0), (429, {}, 600.0), (403, {}, 3600.0), (503, {"Retry-After": "soon"}, 60.0)],
)
def test_it_slows_down_at_once_when_told(
    service: Service,
    clock: HandClock,
    client: Callable[[], PoliteClient],
    status: int,
    headers: dict[str, str],
    least_s: float,
) -> None:
    service.replies = [(status, headers, b"")]
    answer = _get(client(), service)
    assert least_s <= (answer.next_request_at - clock.wall).total_seconds() <= least_s * 1.05
    assert str(status) in answer.fault


def test_retry_after_may_be_a_date(service: Service, clock: HandClock, client: Callable[[], PoliteClient]) -> None:
    service.replies = [(503, {"Retry-After": format_datetime(START + timedelta(hours=2), usegmt=True)}, b"")]
    assert _get(client(), service).next_request_at == START + timedelta(hours=2)


def test_three_ages_fresh_stale_expired(service: Service, clock: HandClock, client: Callable[[], PoliteClient]) -> None:
    service.replies = [(200, _headers(clock), b"old"), (500, {}, b"")]
    asking = client()
    _get(asking, service)
    ages = []
    for hours in (0.25, 2.0, EXPIRED_S / 3600.0 + 1.0):
        clock.wall = START + timedelta(hours=hours)
        answer = _get(asking, service)
        ages.append((answer.age, answer.body))
    assert ages == [(Age.FRESH, b"old"), (Age.STALE, b"old"), (Age.EXPIRED, None)]


def test_a_withdrawn_product_is_used_and_told(
    service: Service, clock: HandClock, client: Callable[[], PoliteClient]
) -> None:
    service.replies = [(203, _headers(clock), b"x")]
    answer = _get(client(), service)
    assert answer.body == b"x"
    assert "withdrawn" in answer.notice


def test_one_request_is_in_flight_and_the_others_get_its_answer(
    service: Service, clock: HandClock, client: Callable[[], PoliteClient]
) -> None:
    service.replies = [(200, _headers(clock), b"x")]
    asking = client()
    threads = [threading.Thread(target=_get, args=(asking, service)) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert (len(service.requests), service.most_busy) == (1, 1)


def test_a_server_that_is_gone_is_a_fault_not_an_exception(
    service: Service, clock: HandClock, client: Callable[[], PoliteClient]
) -> None:
    asking = client()
    answer = asking.get("http://127.0.0.1:9/v1", {})
    assert (answer.age, answer.fault) == (Age.EXPIRED, "no answer (ConnectionError)")


def test_a_body_that_is_too_long_or_no_text_is_refused(
    service: Service, clock: HandClock, client: Callable[[], PoliteClient], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("dewpond.adapters.weather.feeds.client.MOST_BYTES", 1000)
    service.replies = [(200, _headers(clock), b"x" * 1001), (200, _headers(clock), b"\xff\xfe")]
    asking = client()
    for _ in range(2):
        answer = _get(asking, service)
        assert "sent no text" in answer.fault
        clock.wall = answer.next_request_at


def test_a_damaged_cache_counts_as_none(
    service: Service, clock: HandClock, client: Callable[[], PoliteClient], tmp_path: Path
) -> None:
    service.replies = [(200, _headers(clock), b"x")]
    _get(client(), service)
    (kept,) = tmp_path.glob("*.json")
    for damage in ("", "{", json.dumps({"unknown": 1}), "[]"):
        kept.write_text(damage)
        assert _get(client(), service).body == b"x"
    assert len(service.requests) == 5


def test_an_unwritable_folder_does_not_make_it_ask_more_often(
    service: Service, clock: HandClock, tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("in the way")
    asking = PoliteClient(tmp_path / "file", clock, contact="k@withy.example", version="1", installation="x")
    service.replies = [(200, _headers(clock), b"x")]
    for _ in range(3):
        answer = _get(asking, service)
    assert (answer.body, len(service.requests)) == (b"x", 1)
    assert "could not be kept on disk" in answer.fault


def test_a_clock_that_was_ahead_does_not_bar_requests_for_years(
    service: Service, clock: HandClock, client: Callable[[], PoliteClient]
) -> None:
    service.replies = [(200, _headers(clock), b"x")]
    asking = client()
    clock.wall = START + timedelta(days=3650)
    _get(asking, service)
    clock.wall = START
    assert _get(asking, service).fetched_at == START
    assert len(service.requests) == 2


def test_no_contact_no_client(clock: HandClock, tmp_path: Path) -> None:
    with pytest.raises(ContactMissingError, match="no contact is set"):
        PoliteClient(tmp_path, clock, contact=" ", version="1", installation="x")


def test_coordinates_have_at_most_four_decimals() -> None:
    address, query = met_norway_request("https://weather.example/", 59.91273456, 10.74609871, 23.4)
    assert address == "https://weather.example/weatherapi/locationforecast/2.0/complete"
    assert query == {"lat": 59.9127, "lon": 10.7461, "altitude": 23}
    _, query = openmeteo_request("https://weather.example", 59.91273456, 10.74609871, "Europe/Oslo", 3)
    assert (query["latitude"], query["longitude"]) == (59.9127, 10.7461)


def test_offsets_are_steady_and_differ_between_installations() -> None:
    offsets = [steady_offset_s(f"site {n}") for n in range(50)]
    assert offsets == [steady_offset_s(f"site {n}") for n in range(50)]
    assert all(0.0 <= offset < 600.0 for offset in offsets)
    assert len({round(offset) for offset in offsets}) > 40
