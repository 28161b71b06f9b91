"""The HTTP API: what it answers, how it refuses, and what it says of itself."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import timedelta
from typing import Any, get_args

import pytest

from dewpond.board.answers import HoldKind
from dewpond.model.operations import HOLD_KINDS
from dewpond.model.view import ProgramView
from dewpond.ports import OperatorReply


@pytest.fixture
def api(board: Any) -> Any:
    board.browser.sign_in()
    return board


def get(board: Any, path: str, **query: str) -> Any:
    answer = board.browser.get(f"/api/v1{path}", params=query)
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "application/json"
    return answer.json()


def problem(answer: Any, status: int) -> dict[str, Any]:
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    body: dict[str, Any] = answer.json()
    assert body["status"] == status
    assert body["title"]
    assert body["detail"]
    assert body["instance"].startswith("/api/")
    return body


def test_status_tells_what_is_open_what_flows_and_what_is_wrong(api: Any) -> None:
    status = get(api, "/status")
    assert status["at"] == "2027-07-15T02:12:00Z"
    assert [(zone["zone"], zone["until"]) for zone in status["open"]] == [("north-lawn", "2027-07-15T02:21:00Z")]
    assert status["supplies"][0]["flow_l_min"] == 46.1
    assert status["alarms"][0]["sentence"] == "Rose bed takes twice its usual water"
    assert status["window_date"] == "2027-07-14"


def test_zones_carry_units_in_their_names_and_null_for_what_is_not_known(api: Any) -> None:
    zones = {zone["id"]: zone for zone in get(api, "/zones")}
    assert zones["north-lawn"]["depletion_mm"] == 9.6
    assert zones["north-lawn"]["reason"]["decision"] == "water"
    assert zones["new-hedge"]["depletion_mm"] is None
    assert get(api, "/zones/orchard") == zones["orchard"]


def test_infinite_numbers_do_not_break_the_answer(api: Any) -> None:
    first = api.desk.shown.supplies[0]
    api.show(supplies=(replace(first, flow_l_min=math.inf),))
    assert get(api, "/status")["supplies"][0]["flow_l_min"] is None


def test_the_plan_of_this_night_is_live_and_that_of_others_from_the_records(api: Any) -> None:
    live = get(api, "/plan")
    assert (live["window_date"], len(live["openings"])) == ("2027-07-14", 7)
    past = get(api, "/plan", date="2027-07-01")
    assert (past["window_date"], past["openings"][0]["state"]) == ("2027-07-01", "done")


def test_records_are_asked_by_site_day_and_default_to_two_weeks(api: Any) -> None:
    assert len(get(api, "/days", zone="orchard")) == 15
    days = get(api, "/days", zone="orchard", **{"from": "2027-07-01", "to": "2027-07-03"})
    assert [day["date"] for day in days] == ["2027-07-01", "2027-07-02", "2027-07-03"]
    assert {"eto_mm", "belief_mm", "reason"} <= set(days[0])
    nights = get(api, "/reasons", zone="orchard", **{"from": "2027-07-13"})
    assert [night["window_date"] for night in nights] == ["2027-07-14", "2027-07-13"]
    runs = get(api, "/runs", zone="orchard", **{"from": "2027-07-09T00:00:00Z", "to": "2027-07-12T00:00:00Z"})
    assert [run["start"] for run in runs] == ["2027-07-10T01:12:00Z"]


def test_alarms_and_sensors(api: Any) -> None:
    assert [alarm["kind"] for alarm in get(api, "/alarms")] == ["high_flow"]
    past = get(api, "/alarms", open="false")
    assert past[0]["sentence"] == "No water reached Orchard drip"
    assert past[0]["cleared_at"] is not None
    assert [sensor["fresh"] for sensor in get(api, "/sensors")] == [True, False, False]


@pytest.mark.parametrize(
    ("path", "query", "word"),
    [
        ("/days", {"from": "2027-07-02", "to": "2027-07-01"}, "swap them"),
        ("/days", {"from": "2020-01-01"}, "longer than 400"),
        ("/runs", {"from": "2027-07-02T00:00:00"}, "timezone"),
        ("/days", {"from": "yesterday"}, "query.from"),
        ("/plan", {"date": "14.7."}, "query.date"),
    ],
)
def test_questions_that_cannot_be_answered_are_refused_with_the_place_and_the_limit(
    api: Any, path: str, query: dict[str, str], word: str
) -> None:
    assert word in problem(api.browser.get(f"/api/v1{path}", params=query), 422)["detail"]


def test_unknown_zones_and_paths_are_problems(api: Any) -> None:
    for path in ("/zones/nowhere", "/days?zone=nowhere", "/reasons?zone=nowhere", "/runs?zone=nowhere", "/nothing"):
        problem(api.browser.get(f"/api/v1{path}"), 404)
    problem(api.browser("DELETE", "/api/v1/status"), 405)


def test_before_the_first_picture_the_api_asks_for_patience(api: Any) -> None:
    api.desk.shown = None
    for path in ("/status", "/zones", "/plan", "/sensors", "/days", "/runs", "/reasons"):
        answer = api.browser.get(f"/api/v1{path}")
        problem(answer, 503)
        assert answer.headers["retry-after"] == "2"


def test_unreadable_records_are_a_problem_that_names_the_fault(api: Any) -> None:
    api.history.fault = OSError("disk I/O error")
    assert "disk I/O error" in problem(api.browser.get("/api/v1/days"), 503)["detail"]


def test_water_stop_hold_and_release_reach_the_daemon(api: Any) -> None:
    answer = api.browser.post("/api/v1/zones/north-lawn/water", json={"minutes": 2.5})
    assert (answer.status_code, answer.json()) == (200, {"accepted": True, "text": "North lawn is watered for 5 min."})
    assert api.browser.post("/api/v1/stop", json={"zone": "rose-bed"}).status_code == 200
    assert (
        api.browser.post("/api/v1/hold", json={"until": "2027-07-16T06:00:00-04:00", "reason": "party"}).status_code
        == 200
    )
    assert api.browser.post("/api/v1/release").status_code == 200
    assert [(action, what.get("zone"), what.get("seconds")) for action, _, what in api.desk.asked] == [
        ("water", "north-lawn", 150.0),
        ("stop", "rose-bed", None),
        ("hold", None, None),
        ("release", None, None),
    ]
    assert api.desk.asked[2][2]["until"].isoformat() == "2027-07-16T06:00:00-04:00"


def test_what_the_operator_socket_takes_is_taken_here_with_its_fields(api: Any) -> None:
    api.desk.shown = replace(api.desk.shown, programs=(ProgramView(name="beds", percent=100.0, why=""),))
    until = "2027-07-16T06:00:00Z"
    asked = [
        ("/hold", {"until": until, "kind": "mowing", "zone": "rose-bed"}),
        ("/release", {"kind": "rain"}),
        ("/zones/north-lawn/water-in", {"depth_mm": 6}),
        ("/zones/north-lawn/as-usual", None),
        ("/programs/beds/percent", {"percent": 80}),
        ("/programs/beds/percent", {"percent": None}),
        ("/alarms/clear", {"key": "no_flow/orchard"}),
    ]
    for path, body in asked:
        assert api.browser.post(f"/api/v1{path}", json=body).status_code == 200, path
    told = [(action, who, {k: v for k, v in what.items() if k != "until"}) for action, who, what in api.desk.asked]
    assert told == [
        ("hold", "owner", {"zone": "rose-bed", "kind": "mowing"}),
        ("release", "owner", {"kind": "rain"}),
        ("water-in", "owner", {"zone": "north-lawn", "depth_mm": 6.0}),
        ("as-usual", "owner", {"zone": "north-lawn"}),
        ("percent", "owner", {"program": "beds", "percent": 80.0}),
        ("percent", "owner", {"program": "beds"}),
        ("clear", "owner", {"reason": "no_flow/orchard"}),
    ]


@pytest.mark.parametrize(
    "path", ["/zones/north-lawn/water-in", "/zones/north-lawn/as-usual", "/programs/beds/percent", "/alarms/clear"]
)
def test_nobody_changes_anything_without_a_session_or_from_elsewhere(open_board: Any, api: Any, path: str) -> None:
    problem(open_board.browser.post(f"/api/v1{path}", json={}), 401)
    problem(api.browser.post(f"/api/v1{path}", json={}, headers={"origin": "http://elsewhere.example"}), 403)
    assert api.desk.asked == []


def test_the_api_knows_the_kinds_of_hold_of_the_socket() -> None:
    assert get_args(HoldKind) == HOLD_KINDS


def test_an_unknown_program_or_zone_is_not_found(api: Any) -> None:
    problem(api.browser.post("/api/v1/programs/none/percent", json={"percent": 80}), 404)
    problem(api.browser.post("/api/v1/zones/none/water-in", json={"depth_mm": 5}), 404)
    problem(api.browser.post("/api/v1/hold", json={"until": "2027-07-16T06:00:00Z", "zone": "none"}), 404)


@pytest.mark.parametrize("body", [None, {}, {"zone": None}])
def test_stop_without_a_zone_goes_straight_to_the_keeper(api: Any, body: Any) -> None:
    assert api.browser.post("/api/v1/stop", json=body).status_code == 200
    assert api.keeper.told == ["owner"]


def test_a_refusal_of_the_daemon_is_told_in_its_own_words(api: Any) -> None:
    api.desk.reply = OperatorReply(accepted=False, text="north-lawn may run 1 s to 30 min at once (spray)")
    answer = api.browser.post("/api/v1/zones/north-lawn/water", json={"minutes": 60})
    assert problem(answer, 409)["detail"] == "north-lawn may run 1 s to 30 min at once (spray)"
    api.keeper.fault = OSError("gone")
    problem(api.browser.post("/api/v1/stop"), 409)


@pytest.mark.parametrize(
    ("path", "body", "place"),
    [
        ("/zones/north-lawn/water", {}, "body.minutes"),
        ("/zones/north-lawn/water", {"minutes": 0}, "body.minutes"),
        ("/zones/north-lawn/water", {"minutes": 241}, "body.minutes"),
        ("/zones/north-lawn/water", {"minutes": 5, "zone": "x"}, "body.zone"),
        ("/hold", {"until": "2027-07-16T06:00:00"}, "body.until"),
        ("/hold", {"until": "2027-07-16T06:00:00Z", "reason": "x" * 121}, "body.reason"),
        ("/stop", {"zones": "x"}, "body.zones"),
        ("/hold", {"until": "2027-07-16T06:00:00Z", "kind": "rain"}, "body.kind"),
        ("/zones/north-lawn/water-in", {"depth_mm": 900}, "body.depth_mm"),
        ("/programs/beds/percent", {"percent": 900}, "body.percent"),
        ("/programs/beds/percent", {}, "body.percent"),
        ("/alarms/clear", {"key": ""}, "body.key"),
    ],
)
def test_bodies_are_checked_and_the_place_is_named(api: Any, path: str, body: dict[str, Any], place: str) -> None:
    told = problem(api.browser.post(f"/api/v1{path}", json=body), 422)
    assert [error["place"] for error in told["errors"]] == [place]
    assert api.desk.asked == api.keeper.told == []


def test_a_request_repeated_with_its_key_waters_once(api: Any) -> None:
    path, key = "/api/v1/zones/north-lawn/water", {"idempotency-key": "k1"}
    first, second = (api.browser.post(path, json={"minutes": 5}, headers=key) for _ in range(2))
    assert first.json() == second.json()
    assert len(api.desk.asked) == 1
    problem(api.browser.post(path, json={"minutes": 6}, headers=key), 422)
    api.browser.post(path, json={"minutes": 5}, headers={"idempotency-key": "k2"})
    assert len(api.desk.asked) == 2


def test_a_refused_request_may_be_repeated_with_its_key(api: Any) -> None:
    path, key = "/api/v1/zones/north-lawn/water", {"idempotency-key": "k1"}
    api.desk.reply = OperatorReply(accepted=False, text="the keeper does not answer")
    assert api.browser.post(path, json={"minutes": 5}, headers=key).status_code == 409
    api.desk.reply = OperatorReply(accepted=True, text="watered")
    assert api.browser.post(path, json={"minutes": 5}, headers=key).status_code == 200


def test_keys_are_bounded_in_number(api: Any) -> None:
    for number in range(300):
        assert api.room.once.begin(str(number), "asked") is None
    assert api.room.once.begin("0", "asked") is None
    with pytest.raises(Exception, match="still under way"):
        api.room.once.begin("299", "asked")


def test_the_description_is_complete_and_loads_nothing_from_elsewhere(open_board: Any) -> None:
    described = open_board.browser.get("/openapi.json").json()
    assert described["openapi"].startswith("3.1")
    references = [word for word in str(described).split("'") if word.startswith("#/components/schemas/")]
    assert {reference.rpartition("/")[2] for reference in references} <= set(described["components"]["schemas"])
    assert "ValidationError" not in str(described)
    for path, operations in described["paths"].items():
        for method, operation in operations.items():
            assert operation["description"], path
            assert "application/problem+json" in operation["responses"]["422"]["content"]
            assert operation["security"], (path, method)
    for path in ("/docs", "/redoc"):
        assert open_board.browser.get(path).status_code == 404


def test_headers_alone_can_be_asked_for(open_board: Any) -> None:
    assert open_board.browser("HEAD", "/api/v1/zones").status_code == 200
    assert open_board.browser("HEAD", "/").status_code == 200
    assert open_board.browser("HEAD", "/api/v1/live").status_code == 405


def test_a_hold_end_keeps_its_instant(api: Any) -> None:
    until = api.clock.wall + timedelta(days=3)
    api.browser.post("/api/v1/hold", json={"until": until.isoformat()})
    assert api.desk.asked[0][2]["until"] == until
