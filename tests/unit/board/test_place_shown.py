"""The rules of the place over the web: what is declared is told, and insisting carries its reason."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from dewpond.model.view import ExemptionView

LEAVE = ExemptionView(
    number="1",
    target="orchard",
    rule="",
    who="Ada",
    reason="permit <7>",
    until=datetime(2027, 7, 20, 10, tzinfo=UTC),
)


@pytest.fixture
def api(board: Any) -> Any:
    board.browser.sign_in()
    return board


def test_stage_and_exemptions_stand_at_the_head_of_each_page_and_in_the_status(open_board: Any) -> None:
    open_board.show(stage="stage 2", exemptions=(LEAVE,))
    text = open_board.browser.get("/").text
    assert "Stage of restriction in force: stage 2." in text
    assert "Orchard drip: exempt from restrictions until" in text and "by Ada: permit &lt;7&gt;." in text
    status = open_board.browser.get("/api/v1/status").json()
    assert (status["stage"], status["exemptions"][0]["target"]) == ("stage 2", "orchard")


def test_insisting_carries_its_reason_to_the_daemon(api: Any) -> None:
    wish = {"minutes": 2, "against_rule": True, "reason": "heads are tested"}
    assert api.browser.post("/api/v1/zones/orchard/water", json=wish).status_code == 200
    assert api.browser.post("/api/v1/zones/orchard/water", json={"minutes": 2}).status_code == 200
    (_, _, insisting), (_, _, plain) = api.desk.asked
    assert (insisting["against_rule"], insisting["reason"]) == (True, "heads are tested")
    assert "against_rule" not in plain


def test_exemptions_and_stages_reach_the_daemon_and_half_of_one_does_not(api: Any) -> None:
    api.show(exemptions=(LEAVE,))
    leave = {"target": "orchard", "until": "2027-07-20T06:00:00-04:00", "reason": "permit 7"}
    assert api.browser.post("/api/v1/exemptions", json=leave).status_code == 200
    assert api.browser.post("/api/v1/exemptions", json={**leave, "reason": ""}).status_code == 422
    assert api.browser.post("/api/v1/exemptions/1/end").status_code == 200
    assert api.browser.post("/api/v1/exemptions/2/end").status_code == 404
    assert api.browser.post("/api/v1/stage", json={"stage": "", "reason": "letter"}).status_code == 200
    assert [action for action, _, _ in api.desk.asked] == ["exempt", "end-exemption", "stage"]


def test_the_page_has_a_box_for_insisting(api: Any) -> None:
    page = api.browser.get("/zone/orchard").text
    assert 'name="against_rule"' in page and 'name="reason"' in page
    fields = {"minutes": "2", "against_rule": "yes", "reason": "heads are tested"}
    assert api.browser.form("/zone/orchard/water", **fields).status_code == 303
    assert api.browser.form("/zone/orchard/water", minutes="2").status_code == 303
    (_, _, insisting), (_, _, plain) = api.desk.asked
    assert (insisting["against_rule"], insisting["reason"]) == (True, "heads are tested")
    assert "against_rule" not in plain
