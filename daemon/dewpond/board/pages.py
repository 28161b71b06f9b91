"""The pages and their forms. A form answers with a line on the next page; the same operations as the API."""

from __future__ import annotations

import secrets
from collections.abc import Callable
from datetime import UTC, datetime, time, timedelta
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from dewpond.board.answers import MAX_MINUTES
from dewpond.board.api import water_once, zone_of
from dewpond.board.guard import form_of, person_of
from dewpond.board.people import SESSION_LIFE
from dewpond.board.room import Answer, RecordsUnreadable, Room, room_of
from dewpond.board.show.now import now_page
from dewpond.board.show.tonight import tonight_page
from dewpond.board.show.zone import NIGHTS, ZoneRecords, records_span, zone_page
from dewpond.board.words import Words
from dewpond.model.operations import HOLD_KINDS
from dewpond.model.view import SiteView


async def now(request: Request) -> Response:
    room = room_of(request.scope)
    view = room.view()
    page = now_page(view) if view else None
    return HTMLResponse(room.page("now.html", request, now=page, hold_kinds=HOLD_KINDS))


async def tonight(request: Request) -> Response:
    room = room_of(request.scope)
    view = room.view()
    return HTMLResponse(room.page("tonight.html", request, night=tonight_page(view) if view else None))


async def zone(request: Request) -> Response:
    room = room_of(request.scope)
    view = room.known_view()
    found = zone_of(view, request.path_params["zone_id"])
    page = zone_page(view, found, await zone_records(room, view, found.id))
    return HTMLResponse(room.page("zone.html", request, zone=page, once=secrets.token_urlsafe(12)))


async def zone_records(room: Room, view: SiteView, zone_id: str) -> ZoneRecords:
    """The last weeks of one zone; without them the page still shows what is live."""
    history, (first, last) = room.sources.history, records_span(view)
    nights_ago = last - timedelta(days=NIGHTS)
    tz = Words.of(view).tz
    since = datetime.combine(nights_ago, time(), tz).astimezone(UTC)
    try:
        return ZoneRecords(
            days=await room.read(history.days, zone_id, first, last),
            reasons=await room.read(history.reasons, zone_id, nights_ago, last),
            runs=await room.read(history.runs, since, view.at + timedelta(seconds=1), zone_id),
        )
    except RecordsUnreadable as error:
        return ZoneRecords(fault=error.detail)


async def about(request: Request) -> Response:
    return HTMLResponse(room_of(request.scope).page("about.html", request))


async def sign_in_page(request: Request) -> Response:
    return HTMLResponse(room_of(request.scope).page("sign-in.html", request, refused=""))


async def sign_in(request: Request) -> Response:
    room = room_of(request.scope)
    address = request.client.host if request.client else ""
    came = room.sources.people.sign_in(form_of(request).get("code", ""), address)
    if came.cookie is None:
        headers = {"Retry-After": f"{came.wait_s:.0f}"} if came.wait_s else None
        return HTMLResponse(room.page("sign-in.html", request, refused=came.text), 403 if came.wait_s else 401, headers)
    answer = RedirectResponse("/", 303)
    answer.set_cookie(
        room.cookie_name,
        came.cookie,
        max_age=int(SESSION_LIFE.total_seconds()),
        secure=room.options.secure_cookie,
        httponly=True,
        samesite="strict",
    )
    return answer


async def sign_out(request: Request) -> Response:
    room = room_of(request.scope)
    room.sources.people.sign_out(person_of(request))
    answer = RedirectResponse("/", 303)
    answer.delete_cookie(room.cookie_name, httponly=True, samesite="strict")
    return answer


async def stop(request: Request) -> Response:
    room, zone_id, who = room_of(request.scope), form_of(request).get("zone", ""), person_of(request).name
    if not zone_id:
        return told(request, await room.stop_all(who), "/")
    zone_of(room.known_view(), zone_id)
    return told(request, await room.ask("stop", who, zone=zone_id), f"/zone/{quote(zone_id, safe='')}")


async def water(request: Request) -> Response:
    room, form, zone_id = room_of(request.scope), form_of(request), request.path_params["zone_id"]
    zone_of(room.known_view(), zone_id)
    minutes = minutes_of(form.get("preset") or form.get("minutes", ""))
    if minutes is None:
        answer = Answer(False, f"Minutes must be a number from 1 to {MAX_MINUTES:.0f}.")
    else:
        insisting = form.get("reason", "").strip()[:200] if form.get("against_rule") else None
        answer = await water_once(room, person_of(request).name, zone_id, minutes, form.get("once"), insisting)
    return told(request, answer, f"/zone/{quote(zone_id, safe='')}")


async def hold(request: Request) -> Response:
    room, form = room_of(request.scope), form_of(request)
    until = hold_end(form, room.sources.now().wall, Words.of(room.known_view()))
    if until is None:
        return told(request, Answer(False, "Give an end of the hold: a day and a time of the site."), "/")
    reason = form.get("reason", "").strip()[:120]
    kind = form.get("kind", "")
    if kind not in ("", *HOLD_KINDS):
        return told(request, Answer(False, f"A hold is for one of {', '.join(HOLD_KINDS)}."), "/")
    return told(request, await room.ask("hold", person_of(request).name, until=until, reason=reason, kind=kind), "/")


async def release(request: Request) -> Response:
    room = room_of(request.scope)
    return told(request, await room.ask("release", person_of(request).name), "/")


async def clear(request: Request) -> Response:
    key = form_of(request).get("key", "")[:200]
    return told(request, await room_of(request.scope).ask("clear", person_of(request).name, reason=key), "/")


def told(request: Request, answer: Answer, to: str) -> Response:
    """Say the answer on the page the browser is sent to."""
    room_of(request.scope).say(person_of(request), answer)
    return RedirectResponse(to, 303)


def minutes_of(text: str) -> float | None:
    """Minutes as typed, None when they are no number within the limits."""
    try:
        minutes = float(text.strip().replace(",", "."))
    except ValueError:
        return None
    return minutes if 1 <= minutes <= MAX_MINUTES else None


def hold_end(form: dict[str, str], now: datetime, words: Words) -> datetime | None:
    """The end asked for: some days from now, or a local time of the site (the first of a repeated hour)."""
    days = form.get("days", "")
    if days in ("1", "2", "7"):
        return now + timedelta(days=int(days))
    try:
        local = datetime.fromisoformat(form.get("until", ""))
    except ValueError:
        return None
    return local.replace(tzinfo=words.tz).astimezone(UTC) if local.tzinfo is None else None


def _route(path: str, page: Callable[..., object], method: str = "GET") -> Route:
    return Route(path, page, methods=[method])


ROUTES = [
    _route("/", now),
    _route("/tonight", tonight),
    _route("/zone/{zone_id}", zone),
    _route("/about", about),
    _route("/sign-in", sign_in_page),
    _route("/sign-in", sign_in, "POST"),
    _route("/sign-out", sign_out, "POST"),
    _route("/stop", stop, "POST"),
    _route("/zone/{zone_id}/water", water, "POST"),
    _route("/hold", hold, "POST"),
    _route("/release", release, "POST"),
    _route("/clear", clear, "POST"),
]
