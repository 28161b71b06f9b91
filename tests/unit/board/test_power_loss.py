"""What the head of every page says of valves that need power to shut."""

from __future__ import annotations

from typing import Any

from sites import site, zone

from dewpond.model.valve_kinds import power_loss

LEASES_HOLD = "Its leases run out by themselves and close every valve."


def test_a_latching_valve_is_spoken_of_at_the_head_of_every_page(open_board: Any) -> None:
    sentence = power_loss(site(zone("lawn", close_output=2)))
    assert "one that is open stays open, and no lease closes it" in sentence
    open_board.show(power_loss=sentence, keeper="lost")
    for page in ("/", "/tonight"):
        text = open_board.browser.get(page).text
        assert sentence in text and "a latching valve may stay open" in text and LEASES_HOLD not in text


def test_of_other_valves_nothing_is_said(open_board: Any) -> None:
    assert power_loss(site()) == ""
    open_board.show(keeper="lost")
    text = open_board.browser.get("/").text
    assert LEASES_HOLD in text and "atching valve" not in text
