"""The live stream: server-sent events with finished fragments for a page, or with the status for a program.

It looks at the newest picture once a second: a demo whose clock races cannot flood a phone, and nothing is sent while
nothing changes.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator

from starlette.exceptions import HTTPException
from starlette.responses import StreamingResponse

from dewpond.board.answers import status_of
from dewpond.board.room import Room
from dewpond.board.show.now import now_page
from dewpond.board.show.site import masthead
from dewpond.board.show.tonight import tonight_page
from dewpond.board.show.zone import ZoneRecords, zone_page
from dewpond.model.view import SiteView

SIGN_OF_LIFE_S = 15.0
NOW_PARTS = ("alarms", "open", "flow", "tonight", "zones")


def stream(room: Room, page: str, zone: str) -> StreamingResponse:
    """The answer to one listener. Raises HTTPException 503 when all places are taken."""
    if room.streams >= room.options.max_streams:
        raise HTTPException(503, f"{room.options.max_streams} pages follow already, which is the limit; close one.")
    return StreamingResponse(frames(room, page, zone), media_type="text/event-stream")


async def frames(room: Room, page: str, zone: str) -> AsyncIterator[str]:
    """Events as text, until the board closes or the listener leaves. Only what changed since the last event is sent."""
    room.streams += 1
    try:
        yield "retry: 3000\n\n"
        sent: dict[str, str] = {}
        seen, quiet_s = None, 0.0
        while not room.closing:
            view = room.view()
            if view is not None and (view is not seen or quiet_s >= SIGN_OF_LIFE_S):
                for name, data in events(room, view, page, zone).items():
                    if sent.get(name) != data:
                        sent[name] = data
                        yield f"event: {name.partition('/')[0]}\ndata: {data}\n\n"
                seen = view
            if quiet_s >= SIGN_OF_LIFE_S:
                quiet_s = 0.0
                yield ": nothing new\n\n"
            await asyncio.sleep(room.options.live_every_s)
            quiet_s += room.options.live_every_s
    finally:
        room.streams -= 1


def events(room: Room, view: SiteView, page: str, zone: str) -> dict[str, str]:
    """What a listener of this page should have by now: event name (``part/NAME`` or ``status``) -> one line of data."""
    if not page:
        return {"status": status_of(view).model_dump_json()}
    parts = fragments(room, view, page, zone)
    return {f"part/{name}": json.dumps({"name": name, "html": html}) for name, html in parts.items()}


def fragments(room: Room, view: SiteView, page: str, zone: str) -> dict[str, str]:
    """The parts of a page that change by themselves, by name."""
    head = masthead(view, room.sources.now().wall, room.options.stale_after_s)
    parts = {"mast": room.part("mast", mast=head)}
    if page == "now":
        now = now_page(view)
        parts |= {name: room.part(name, now=now) for name in NOW_PARTS}
    if page == "tonight":
        parts["night"] = room.part("night", night=tonight_page(view))
    found = next((item for item in view.zones if item.id == zone), None)
    if page == "zone" and found is not None:
        parts["valve"] = room.part("valve", zone=zone_page(view, found, ZoneRecords()))
    return parts
