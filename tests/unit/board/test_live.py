"""The live stream: finished fragments, only when they changed, for a bounded number of listeners."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from typing import Any

import pytest
from starlette.exceptions import HTTPException

from dewpond.board import live


async def read(room: Any, page: str, zone: str, count: int, *, then: Callable[[], Any] | None = None) -> list[str]:
    """The first ``count`` frames; ``then`` happens after the first half of them."""
    frames, stream = [], live.frames(room, page, zone)
    async for frame in stream:
        frames.append(frame)
        if len(frames) == count // 2 and then is not None:
            then()
        if len(frames) == count:
            break
    await stream.aclose()  # type: ignore[attr-defined]
    return frames


def parts(frames: list[str]) -> dict[str, str]:
    found = [json.loads(frame.partition("data: ")[2]) for frame in frames if frame.startswith("event: part")]
    return {part["name"]: part["html"] for part in found}


@pytest.fixture
def swift(boards: Callable[..., Any]) -> Any:
    return boards(live_every_s=0.001, max_streams=2)


@pytest.mark.parametrize(
    ("page", "names"),
    [
        ("now", {"mast", "alarms", "open", "flow", "tonight", "zones"}),
        ("tonight", {"mast", "night"}),
        ("zone", {"mast", "valve"}),
    ],
)
def test_each_page_gets_the_parts_it_has_places_for(swift: Any, page: str, names: set[str]) -> None:
    found = parts(swift.browser.run(read(swift.room, page, "orchard", len(names) + 1)))
    assert set(found) == names
    swift.browser.sign_in()
    address = {"now": "/", "tonight": "/tonight", "zone": "/zone/orchard"}[page]
    assert {f"part-{name}" for name in names} <= set(swift.page(address).ids)


def test_fragments_say_what_the_page_says(swift: Any) -> None:
    found = parts(swift.browser.run(read(swift.room, "now", "", 7)))
    swift.browser.sign_in()
    assert all(html in swift.page("/").text for html in found.values())


def test_only_what_changed_is_sent_again(swift: Any) -> None:
    def change() -> None:
        swift.show(alarms=())

    frames = swift.browser.run(read(swift.room, "now", "", 8, then=change))
    assert json.loads(frames[-1].partition("data: ")[2])["name"] == "alarms"


def test_a_program_gets_the_status(swift: Any) -> None:
    frames = swift.browser.run(read(swift.room, "", "", 2))
    assert frames[0] == "retry: 3000\n\n"
    assert frames[1].startswith("event: status\ndata: {")
    assert json.loads(frames[1].partition("data: ")[2])["name"] == "Withy Hollow"
    assert frames[1].count("\n") == 3


def test_silence_is_broken_by_a_sign_of_life(swift: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "SIGN_OF_LIFE_S", 0.002)
    frames = swift.browser.run(read(swift.room, "", "", 3))
    assert frames[2] == ": nothing new\n\n"


def test_the_stream_waits_for_the_first_picture_and_ends_with_the_board(swift: Any) -> None:
    view, swift.desk.shown = swift.desk.shown, None

    async def listen() -> list[str]:
        frames = []
        async for frame in live.frames(swift.room, "", ""):
            frames.append(frame)
            if len(frames) == 1:
                asyncio.get_running_loop().call_later(0.01, setattr, swift.desk, "shown", view)
            else:
                swift.room.closing = True
        return frames

    assert len(swift.browser.run(listen())) == 2
    assert swift.room.streams == 0


def test_listeners_are_bounded(swift: Any) -> None:
    swift.room.streams = 2
    with pytest.raises(HTTPException, match="2 pages follow already"):
        live.stream(swift.room, "now", "")


def test_the_stream_is_an_event_stream_and_is_not_compressed(swift: Any) -> None:
    answer = live.stream(swift.room, "now", "")
    assert answer.media_type == "text/event-stream"
