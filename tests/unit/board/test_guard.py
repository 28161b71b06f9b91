"""Nobody changes anything without a session, from another place, or under a forged name; nothing is told on the way."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

FOREIGN = {"origin": "http://evil.example"}
FORGED = {"host": "evil.example"}
PAGES = ["/", "/tonight", "/zone/north-lawn", "/about", "/sign-in"]
BODIES: list[dict[str, Any]] = [
    {},
    {"json": {"minutes": 5}},
    {"content": b"{", "headers": {"content-type": "application/json"}},
]


@pytest.fixture(scope="module")
def described(tmp_path_factory: pytest.TempPathFactory, build: Callable[..., Any]) -> list[tuple[str, str]]:
    """Method and path of every operation of the board's own description."""
    board = build(tmp_path_factory.mktemp("described"))
    paths = board.browser.get("/openapi.json").json()["paths"]
    board.browser.close()
    return [(method.upper(), path) for path, operations in paths.items() for method in operations]


@pytest.fixture
def operations(described: list[tuple[str, str]]) -> Callable[..., list[tuple[str, str]]]:
    """The operations for one zone."""
    return lambda zone="north-lawn": [(method, path.replace("{zone_id}", zone)) for method, path in described]


def forms(board: Any) -> list[dict[str, Any]]:
    """Every form of every page, as a signed-in person finds it."""
    return [form for path in PAGES for form in board.page(path).forms]


@pytest.fixture
def signed_in(board: Any) -> Any:
    board.browser.sign_in()
    return board


def test_the_description_lists_every_kind_of_operation(open_board: Any, operations: Any) -> None:
    found = set(operations())
    assert {("POST", "/api/v1/stop"), ("POST", "/api/v1/zones/north-lawn/water"), ("GET", "/api/v1/status")} <= found
    assert len(found) == 21


@pytest.mark.parametrize("kind", ["board", "open_board"])
def test_no_operation_changes_anything_without_a_session(
    kind: str, request: pytest.FixtureRequest, operations: Any
) -> None:
    board = request.getfixturevalue(kind)
    for zone in ("north-lawn", "no-such-zone"):
        for method, path in operations(zone):
            if method != "GET":
                for body in BODIES:
                    assert board.browser(method, path, **body).status_code == 401, path
    assert board.desk.asked == board.keeper.told == []


def test_reading_needs_a_session_unless_reading_is_open(board: Any, open_board: Any, operations: Any) -> None:
    for method, path in operations():
        if method == "GET":
            assert board.browser.get(path).status_code == 401, path
            if not path.endswith("/live"):
                assert open_board.browser.get(path).status_code == 200, path


def test_pages_send_strangers_to_the_sign_in_page(board: Any) -> None:
    for path in ("/", "/tonight", "/zone/north-lawn", "/nowhere"):
        answer = board.browser.get(path)
        assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in")


def test_pages_open_to_all_tell_a_stranger_nothing_of_the_site(board: Any) -> None:
    for path in ("/sign-in", "/about", "/openapi.json"):
        answer = board.browser.get(path)
        assert answer.status_code == 200
        assert "Withy Hollow" not in answer.text
        assert "lawn" not in answer.text.replace("/zones/", "")


def test_every_form_is_refused_without_a_session(signed_in: Any, boards: Callable[..., Any]) -> None:
    found = forms(signed_in)
    assert {form["action"] for form in found} >= {"/stop", "/hold", "/zone/north-lawn/water", "/sign-out"}
    stranger = boards(open_reading=True)
    for form in [*found, *stranger.page("/sign-in").forms]:
        assert form["method"] == "post"
        for fields in ({}, {"token": "x", "minutes": "5", "code": "1"}):
            assert stranger.browser.post(form["action"], data=fields).status_code in (401, 403), form["action"]
    assert stranger.desk.asked == stranger.keeper.told == []


def test_a_form_without_its_token_is_refused(signed_in: Any) -> None:
    for form in forms(signed_in):
        for token in ({}, {"token": ""}, {"token": "0" * 64}, {"token": "\u00fc"}):
            assert signed_in.browser.post(form["action"], data=token).status_code == 403, form["action"]
    assert signed_in.desk.asked == signed_in.keeper.told == []


def test_the_token_of_another_session_is_refused(signed_in: Any) -> None:
    token = signed_in.browser.token
    signed_in.browser.sign_in()
    assert signed_in.browser.post("/stop", data={"token": token}).status_code == 403


def test_a_foreign_origin_is_refused_everywhere_even_with_a_session(signed_in: Any, operations: Any) -> None:
    for method, path in operations():
        if method != "GET":
            assert signed_in.browser(method, path, headers=FOREIGN).status_code == 403
    for form in forms(signed_in):
        fields = {"token": signed_in.browser.token}
        assert signed_in.browser.post(form["action"], data=fields, headers=FOREIGN).status_code == 403
    assert signed_in.desk.asked == signed_in.keeper.told == []


@pytest.mark.parametrize("origin", ["null", "", "http://127.0.0.1:9", "file://127.0.0.1:8377", "127.0.0.1:8377"])
def test_odd_origins_are_foreign(signed_in: Any, origin: str) -> None:
    assert signed_in.browser.post("/api/v1/stop", headers={"origin": origin}).status_code == 403
    assert signed_in.keeper.told == []


def test_origin_is_checked_before_the_session(board: Any) -> None:
    assert board.browser.post("/api/v1/stop", headers=FOREIGN).status_code == 403


def test_two_origins_are_not_one_of_ours(signed_in: Any) -> None:
    both = [("origin", "http://127.0.0.1:8377"), ("origin", "http://evil.example")]
    assert signed_in.browser.post("/api/v1/stop", headers=both).status_code == 403


def test_a_browser_that_sends_no_origin_says_by_its_fetch_site(signed_in: Any) -> None:
    for site, status in (("cross-site", 403), ("same-site", 403), ("same-origin", 200)):
        assert signed_in.browser.post("/api/v1/stop", headers={"sec-fetch-site": site}).status_code == status


def test_our_own_origin_passes(signed_in: Any) -> None:
    assert signed_in.browser.post("/api/v1/stop", headers={"origin": "http://127.0.0.1:8377"}).status_code == 200


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:8377", "127.0.0.1.evil.example", "127.0.0.1:x", "a@127.0.0.1", "[::]", ""]
)
def test_a_forged_host_is_refused_reading_too(open_board: Any, host: str, operations: Any) -> None:
    for method, path in [
        *operations(),
        *(("GET", page) for page in [*PAGES, "/static/board.css", "/nowhere"]),
    ]:
        answer = open_board.browser(method, path, headers={"host": host})
        assert answer.status_code == 421, path
        assert "Withy" not in answer.text


def test_host_is_checked_before_origin_and_session(board: Any) -> None:
    assert board.browser.post("/api/v1/stop", headers={**FOREIGN, **FORGED}).status_code == 421


def test_a_second_host_header_is_refused(open_board: Any) -> None:
    answer = open_board.browser.get("/", headers=[("host", "127.0.0.1:8377"), ("host", "evil.example")])
    assert answer.status_code == 421


@pytest.mark.parametrize("host", ["localhost:8377", "127.0.0.1", "[::1]:8377", "LOCALHOST"])
def test_the_machines_own_names_pass(open_board: Any, host: str) -> None:
    assert open_board.browser.get("/", headers={"host": host}).status_code == 200


def test_further_names_pass_when_they_are_given(boards: Callable[..., Any]) -> None:
    board = boards(open_reading=True, hosts=("Garden.Local",))
    assert board.browser.get("/", headers={"host": "garden.local:8377"}).status_code == 200
    board.browser.sign_in()
    headers = {"host": "garden.local:8377", "origin": "https://garden.local:8377"}
    cookie = {"cookie": f"dewpond_8377={board.browser.cookie}"}
    assert board.browser.post("/api/v1/stop", headers={**headers, **cookie}).status_code == 200


def test_unknown_zones_are_told_only_to_people_who_signed_in(signed_in: Any) -> None:
    assert signed_in.browser.post("/api/v1/zones/nowhere/water", json={"minutes": 5}).status_code == 404
    assert signed_in.browser.form("/zone/nowhere/water", minutes="5").status_code == 404
    assert signed_in.browser.get("/zone/nowhere").status_code == 404
    assert signed_in.desk.asked == []


def test_methods_and_paths_that_are_not_there_are_refused_like_all_others(open_board: Any) -> None:
    for method in ("PUT", "PATCH", "DELETE", "TRACE", "PROPFIND"):
        for path in ("/", "/api/v1/status", "/nowhere", "/sign-in"):
            assert open_board.browser(method, path).status_code == 401
    open_board.browser.sign_in()
    assert open_board.browser("DELETE", "/api/v1/status").status_code == 405
    assert open_board.browser.get("/nowhere").status_code == 404


def test_bodies_are_bounded(signed_in: Any) -> None:
    long = {"content": b"x" * 20_000, "headers": {"content-type": "application/json"}}
    assert signed_in.browser.post("/api/v1/hold", **long).status_code == 413

    async def endless() -> Any:
        for _ in range(100):
            yield b"x" * 1000

    answer = signed_in.browser.post("/api/v1/hold", content=endless(), headers={"content-type": "application/json"})
    assert answer.status_code == 413


def test_a_body_that_does_not_arrive_is_given_up(boards: Callable[..., Any]) -> None:
    board = boards(body_timeout_s=0.01)
    board.browser.sign_in()
    status = board.browser.run(post_without_an_end(board.browser.app, f"dewpond_8377={board.browser.cookie}"))
    assert status == 408


async def post_without_an_end(app: Any, cookie: str) -> int:
    import asyncio

    sent: list[dict[str, Any]] = []
    scope = {
        "type": "http",
        "method": "POST",
        "path": "/stop",
        "raw_path": b"/stop",
        "query_string": b"",
        "scheme": "http",
        "http_version": "1.1",
        "root_path": "",
        "server": ("127.0.0.1", 8377),
        "client": ("127.0.0.1", 1),
        "headers": [(b"host", b"127.0.0.1:8377"), (b"cookie", cookie.encode())],
    }

    async def receive() -> dict[str, Any]:
        await asyncio.Event().wait()
        raise AssertionError

    async def send(message: dict[str, Any]) -> None:
        sent.append(message)

    await app(scope, receive, send)
    return int(sent[0]["status"])


def test_the_api_takes_json_alone(signed_in: Any) -> None:
    for kind in ("text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x"):
        answer = signed_in.browser.post("/api/v1/stop", content=b'{"zone": null}', headers={"content-type": kind})
        assert answer.status_code == 415
    assert signed_in.keeper.told == []


def test_the_session_cookie_is_out_of_reach_of_scripts_and_other_places(boards: Callable[..., Any]) -> None:
    board = boards(port=9001, secure_cookie=True)
    kept = board.browser.post("/sign-in", data={"code": board.people.code()}).headers["set-cookie"]
    assert kept.startswith("dewpond_9001=")
    assert {"HttpOnly", "SameSite=strict", "Secure", "Path=/"} <= {part.strip() for part in kept.split(";")}


def test_wrong_codes_are_refused_and_then_have_to_wait(board: Any) -> None:
    statuses = [board.browser.post("/sign-in", data={"code": "1"}) for _ in range(5)]
    assert [answer.status_code for answer in statuses] == [401, 401, 401, 403, 403]
    assert statuses[-1].headers["retry-after"] == "2"
    assert 'autocomplete="one-time-code"' in statuses[0].text


def test_signing_out_ends_the_session(signed_in: Any) -> None:
    cookie = signed_in.browser.cookie
    assert signed_in.browser.form("/sign-out").status_code == 303
    assert signed_in.people.person(cookie) is None
    assert signed_in.browser.get("/api/v1/status").status_code == 401


def test_every_answer_carries_the_safe_headers(open_board: Any) -> None:
    answers = [open_board.browser.get(path) for path in [*PAGES, "/nowhere", "/static/board.js", "/api/v1/status"]]
    answers += [open_board.browser.get("/", headers=FORGED), open_board.browser.post("/stop")]
    for answer in answers:
        policy = answer.headers["content-security-policy"]
        assert "unsafe" not in policy
        assert "default-src 'none'" in policy
        assert "frame-ancestors 'none'" in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["x-frame-options"] == "DENY"
        # With "no-referrer" browsers would send "Origin: null" with our own forms.
        assert answer.headers["referrer-policy"] == "same-origin"
        assert answer.headers["cache-control"]


def test_a_fault_of_ours_tells_nothing_and_is_logged(signed_in: Any, caplog: pytest.LogCaptureFixture) -> None:
    signed_in.history.fault = ZeroDivisionError("secret")
    for path in ("/zone/north-lawn", "/api/v1/days"):
        answer = signed_in.browser.get(path)
        assert answer.status_code == 500
        assert "secret" not in answer.text
        assert answer.headers["content-security-policy"]
    assert "secret" in caplog.text
