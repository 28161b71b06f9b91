"""Locks at the keeper stand at the head of every page and in the API's status."""

from __future__ import annotations

from typing import Any

from dewpond.model.view import LockView

LOCKS = (
    LockView(
        target="orchard", kind="work", who="Ada", sentence="Locked for work by Ada since 2027-07-14 09:00: <pump>"
    ),
    LockView(target="site", kind="winter", who="Bo", sentence="Closed for winter by Bo since 2027-11-02 09:00"),
)


def test_every_lock_is_a_notice_at_the_head_of_each_page(open_board: Any) -> None:
    open_board.show(locks=LOCKS)
    for page in ("/", "/tonight", "/zones/orchard"):
        text = open_board.browser.get(page).text
        assert "Orchard drip: Locked for work by Ada since 2027-07-14 09:00: &lt;pump&gt;." in text
        assert "The whole site: Closed for winter by Bo since 2027-11-02 09:00." in text


def test_the_api_tells_them(open_board: Any) -> None:
    open_board.show(locks=LOCKS)
    told = open_board.browser.get("/api/v1/status").json()["locks"]
    assert [(item["target"], item["who"]) for item in told] == [("orchard", "Ada"), ("site", "Bo")]
