"""What the pages say, that they hold together, and that nobody can write code into them."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta
from typing import Any
from urllib.parse import urljoin, urlsplit

import pytest

from dewpond.ports import OperatorReply

PAGES = ["/", "/tonight", "/zone/north-lawn", "/zone/new-hedge", "/about", "/sign-in"]
HOSTILE = "<script>alert(1)</script>\"'&{{ 7*7 }}</title>"


@pytest.fixture
def signed_in(board: Any) -> Any:
    board.browser.sign_in()
    return board


@pytest.mark.parametrize("path", PAGES)
def test_pages_are_well_formed_and_free_of_inline_code(signed_in: Any, path: str) -> None:
    page = signed_in.page(path)
    assert page.faults == []
    assert len(page.ids) == len(set(page.ids))


@pytest.mark.parametrize("path", ["/", "/tonight", "/about", "/sign-in"])
def test_pages_work_before_the_first_picture(signed_in: Any, path: str) -> None:
    signed_in.desk.shown = None
    answer = signed_in.browser.get(path)
    assert answer.status_code == 200
    assert signed_in.page(path).faults == []
    assert signed_in.browser.get("/zone/north-lawn").status_code == 503


def test_pages_work_for_a_site_without_anything_planned(signed_in: Any) -> None:
    signed_in.show(
        zones=(),
        supplies=(),
        sensors=(),
        openings=(),
        alarms=(),
        window_date=None,
        window_opens=None,
        window_closes=None,
        next_planning=None,
    )
    for path in ("/", "/tonight"):
        assert signed_in.browser.get(path).status_code == 200
    assert "Every valve is closed. Nothing is planned." in signed_in.page("/").text


def test_every_link_and_every_file_is_there(open_board: Any) -> None:
    todo, seen, pages = ["/"], set(), {}
    while todo:
        address = todo.pop()
        path = urlsplit(address).path
        if address in seen:
            continue
        seen.add(address)
        answer = open_board.browser.get(address)
        assert answer.status_code == 200, address
        if answer.headers["content-type"].startswith("text/html"):
            pages[path] = page = open_board.page(address)
            todo += [urljoin(path, link).partition("#")[0] for link in page.addresses]
            assert {link[1:] for link in page.addresses if link.startswith("#")} <= set(page.ids)
            assert all(not urlsplit(link).netloc for link in page.addresses)
    assert {"/", "/tonight", "/about", "/sign-in", "/zone/orchard", "/openapi.json"} <= seen


def test_the_sign_in_page_is_reached_by_links_and_takes_a_one_time_code(board: Any) -> None:
    page = board.page("/about")
    assert "/sign-in" in page.addresses
    form = next(form for form in board.page("/sign-in").forms)
    assert form["method"] == "post"
    assert form["fields"]["code"]["autocomplete"] == "one-time-code"


def test_now_says_what_is_open_and_until_when(open_board: Any) -> None:
    text = open_board.page("/").text
    assert "until 22:21, 9 min more" in text
    assert "46.1 L/min measured at 22:12; 44.4 L/min expected." in text
    assert "Data as of <strong>Wed 14 Jul, 22:12</strong>" in text
    assert "Night of Wed 14 to Thu 15 Jul, window 21:00 to 06:00." in text
    assert "Rose bed takes twice its usual water" in text
    assert "high_flow" not in text


def test_now_speaks_us_units_where_the_site_does(open_board: Any) -> None:
    open_board.show(units="us")
    text = open_board.page("/").text
    assert "until 10:21 pm, 9 min more" in text
    assert "12.2 gpm measured at 10:12 pm" in text
    assert "0.38 in missing, due at 0.44 in" in text
    assert "L/min" not in text
    for path in PAGES:
        assert open_board.browser.get(path).status_code == 200


def test_valves_that_nobody_can_see_are_not_called_closed(open_board: Any) -> None:
    zones = tuple(replace(zone, valve="unknown") for zone in open_board.desk.shown.zones)
    open_board.show(zones=zones)
    assert "Whether 6 of 6 valves are closed is not known." in open_board.page("/").text
    open_board.show(zones=zones[:2])
    text = open_board.page("/").text
    assert "Whether these are closed is not known: North lawn, South lawn." in text
    assert "Every valve is closed" not in text


def test_an_old_picture_says_so(open_board: Any) -> None:
    assert "out of date" not in open_board.page("/").text.replace("may be out of date, and only", "")
    open_board.clock.push(3600)
    assert "The daemon has said nothing for 1 h 00 min; what you see may be out of date." in open_board.page("/").text


def test_what_keeps_the_service_from_its_work_stands_at_the_head_of_every_page(open_board: Any) -> None:
    view = open_board.show(keeper="lost", broker="lost", clock_trusted=False, simulated=True)
    open_board.show(
        keeper="lost",
        broker="lost",
        clock_trusted=False,
        simulated=True,
        hold_until=view.at + timedelta(days=1),
        hold_reason="lawn party",
    )
    for path in ("/", "/tonight", "/zone/orchard", "/about"):
        text = open_board.page(path).text
        for sentence in (
            "keeper does not answer",
            "broker is down",
            "clock cannot be trusted",
            "simulated",
            "hold until Thu 15 Jul, 22:12 (lawn party)",
        ):
            assert sentence in text, (path, sentence)


def test_the_zone_page_explains_the_decision_and_shows_its_weeks(open_board: Any) -> None:
    page = open_board.page("/zone/north-lawn")
    assert "that roots take easily." in page.text
    assert "FAO-56 equation 6" in page.text
    assert "known 00:00" in page.text
    assert page.text.count("<svg") == 2
    assert "702 L measured" in page.text
    assert "710 L computed" in page.text
    assert "Fri 4 Jun" in page.text


def test_a_zone_without_records_or_known_water_still_has_a_page(open_board: Any) -> None:
    open_board.history.fault = OSError("disk I/O error")
    text = open_board.page("/zone/new-hedge").text
    assert "soil water not known yet" in text
    assert "The records cannot be read now: disk I/O error" in text
    assert "Not decided yet." in text


def test_tonight_numbers_drawing_and_table_alike(open_board: Any) -> None:
    page = open_board.page("/tonight")
    for number in range(1, 8):
        assert f"opening-{number}" in page.ids
        assert f"#opening-{number}" in page.addresses
    assert "Thu 15 Jul, 00:00 to 00:20" in page.text
    assert "stopped by owner" in page.text


def test_pages_use_the_trades_own_words(signed_in: Any) -> None:
    for path in PAGES:
        text = re.sub(r"<[^>]*>", " ", signed_in.page(path).text).lower()
        for word in (
            "skip",
            "bucket",
            "water budget",
            "cycle and soak",
            "learn flow",
            "blackout",
            "flow watch",
            "water level",
        ):
            assert word not in text, (path, word)
        assert "station" not in text.replace("weather station", "")


def test_hostile_names_stay_text(signed_in: Any) -> None:
    view = signed_in.desk.shown
    zone_id = 'x"><img src=x onerror=alert(1)>'
    first = view.zones[0]
    bad_reason = replace(
        first.reason,
        summary=HOSTILE,
        limits=(HOSTILE,),
        rule=HOSTILE,
        inputs=tuple(replace(item, name=HOSTILE, source=HOSTILE, value=HOSTILE) for item in first.reason.inputs),
    )
    zone = replace(first, id=zone_id, name=HOSTILE, asked_by=HOSTILE, held=HOSTILE, reason=bad_reason)
    signed_in.show(
        name=HOSTILE,
        zones=(zone,),
        hold_until=view.at + timedelta(days=1),
        hold_reason=HOSTILE,
        alarms=(replace(view.alarms[0], zone=zone_id, sentence=HOSTILE),),
        supplies=(replace(view.supplies[0], id=HOSTILE, watching=HOSTILE),),
        sensors=(replace(view.sensors[0], id=HOSTILE, unit=HOSTILE),),
        openings=tuple(
            replace(item, zone=zone_id, supply=HOSTILE, source=HOSTILE, note=HOSTILE, state=HOSTILE)
            for item in view.openings
        ),
    )
    signed_in.desk.reply = OperatorReply(accepted=False, text=HOSTILE)
    signed_in.browser.form("/release")
    path = next(link for link in signed_in.page("/").addresses if link.startswith("/zone/"))
    for address in ("/", "/tonight", path, "/about", "/nowhere<script>"):
        page = signed_in.page(address)
        assert page.faults == [], address
        assert "<script>" not in page.text.replace('<script defer src="', "")
        assert "<img" not in page.text


def test_the_front_page_with_everything_it_loads_is_light(open_board: Any) -> None:
    many = [replace(open_board.desk.shown.zones[n % 6], id=f"zone-{n}", name=f"Zone {n}") for n in range(200)]
    open_board.show(zones=tuple(many))
    total = 0
    page = open_board.page("/")
    loaded = {link for link in page.addresses if link.startswith("/static/")} | {"/static/horizons.svg", "/"}
    for address in loaded:
        answer = open_board.browser.get(address, headers={"accept-encoding": "gzip"})
        size = int(answer.headers["content-length"])
        assert answer.headers.get("content-encoding") == "gzip" or size < 600, address
        total += size
    assert total <= 150_000 / 4


def test_files_are_kept_by_browsers_and_their_addresses_change_with_them(open_board: Any) -> None:
    address = next(link for link in open_board.page("/").addresses if "board.css" in link)
    assert re.search(r"\?v=[0-9a-f]{12}$", address)
    assert "immutable" in open_board.browser.get(address).headers["cache-control"]
    assert open_board.browser.get("/static/../room.py").status_code == 404
    assert open_board.browser.get("/static/%2e%2e/room.py").status_code == 404


def test_forms_carry_out_the_operations_and_say_what_came_of_them(signed_in: Any) -> None:
    browser = signed_in.browser
    answer = browser.form("/zone/north-lawn/water", preset="5", once="a")
    assert (answer.status_code, answer.headers["location"]) == (303, "/zone/north-lawn")
    assert "North lawn is watered for 5 min." in signed_in.page("/zone/north-lawn").text
    assert "North lawn is watered for 5 min." not in signed_in.page("/zone/north-lawn").text
    browser.form("/zone/north-lawn/water", minutes="7,5", once="b")
    browser.form("/stop", zone="rose-bed")
    browser.form("/hold", days="2", reason=" lawn party ")
    browser.form("/hold", until="2027-07-16T06:00")
    browser.form("/release")
    browser.form("/hold", days="1", kind="mowing")
    browser.form("/hold", days="1", kind="rain")
    browser.form("/clear", key="no_flow/orchard")
    now = signed_in.clock.wall
    six = now.replace(day=16, hour=10, minute=0)
    assert signed_in.desk.asked == [
        ("water", "owner", {"zone": "north-lawn", "seconds": 300.0}),
        ("water", "owner", {"zone": "north-lawn", "seconds": 450.0}),
        ("stop", "owner", {"zone": "rose-bed"}),
        ("hold", "owner", {"until": now + timedelta(days=2), "reason": "lawn party"}),
        ("hold", "owner", {"until": six}),
        ("release", "owner", {}),
        ("hold", "owner", {"until": now + timedelta(days=1), "kind": "mowing"}),
        ("clear", "owner", {"reason": "no_flow/orchard"}),
    ]


def test_a_form_sent_twice_waters_once(signed_in: Any) -> None:
    form = next(form for form in signed_in.page("/zone/north-lawn").forms if form["action"].endswith("/water"))
    once = form["fields"]["once"]["value"]
    for _ in range(3):
        assert signed_in.browser.form("/zone/north-lawn/water", preset="5", once=once).status_code == 303
    assert len(signed_in.desk.asked) == 1


@pytest.mark.parametrize("minutes", ["", "0", "-5", "241", "nan", "inf", "five", "1e9"])
def test_minutes_out_of_range_are_refused_in_words(signed_in: Any, minutes: str) -> None:
    signed_in.browser.form("/zone/north-lawn/water", minutes=minutes)
    assert "Minutes must be a number from 1 to 240." in signed_in.page("/zone/north-lawn").text
    assert signed_in.desk.asked == []


@pytest.mark.parametrize("until", ["", "tomorrow", "2027-07-16T06:00+02:00", "2027-99-99T00:00"])
def test_a_hold_without_a_usable_end_is_refused_in_words(signed_in: Any, until: str) -> None:
    signed_in.browser.form("/hold", until=until, days="400")
    assert "Give an end of the hold" in signed_in.page("/").text
    assert signed_in.desk.asked == []


def test_stop_all_tells_the_keeper_first_and_then_the_daemon(signed_in: Any) -> None:
    signed_in.desk.reply = OperatorReply(accepted=True, text="Everything is stopped.")
    signed_in.browser.form("/stop")
    assert signed_in.keeper.told == ["owner"]
    assert signed_in.desk.asked == [("stop", "owner", {"timeout_s": 5})]
    assert "Every valve is closed. Everything is stopped." in signed_in.page("/").text


def test_stop_all_says_when_only_one_of_the_two_was_reached(signed_in: Any) -> None:
    signed_in.desk.reply = OperatorReply(accepted=False, text="no answer within 5 s")
    signed_in.browser.form("/stop")
    assert "The daemon has not confirmed it (no answer within 5 s)" in signed_in.page("/").text
    signed_in.keeper.fault = ConnectionRefusedError("no keeper")
    signed_in.browser.form("/stop")
    text = signed_in.page("/").text
    assert "could not be told to close (no keeper); shut the water at its isolation valve" in text
    assert "Not done." in text


def test_a_person_can_stop_everything_from_every_page(signed_in: Any) -> None:
    for path in [*PAGES, "/nowhere"]:
        assert any(form["action"] == "/stop" and "zone" not in form["fields"] for form in signed_in.page(path).forms), (
            path
        )
