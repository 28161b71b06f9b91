"""The HTTP API below /api/v1. What may be asked and who may ask is the guard's matter; this says what is answered."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Header, Query, Request
from fastapi.responses import Response
from pydantic import AwareDatetime
from starlette.exceptions import HTTPException

from dewpond.board import answers, live
from dewpond.board.guard import person_of
from dewpond.board.room import Answer, Room, room_of
from dewpond.board.show.zone import today
from dewpond.model.reasons import ZoneReason
from dewpond.model.view import SensorView, SiteView, ZoneView

router = APIRouter(prefix="/api/v1")
LONGEST_SPAN = timedelta(days=400)
MOST_ROWS = 20_000
USUAL_SPAN = timedelta(days=14)
FirstDay = Annotated[date | None, Query(alias="from", description="first site calendar day, default 14 days ago")]
LastDay = Annotated[date | None, Query(alias="to", description="last site calendar day, default today")]
ZoneQuery = Annotated[str | None, Query(description="zone id, default all zones")]


@router.get("/status")
async def status(request: Request) -> answers.Status:
    """What is open, what flows, what holds, what is wrong."""
    return answers.status_of(room_of(request.scope).known_view())


@router.get("/zones")
async def zones(request: Request) -> list[ZoneView]:
    """Every zone now."""
    return list(room_of(request.scope).known_view().zones)


@router.get("/zones/{zone_id}")
async def zone(request: Request, zone_id: str) -> ZoneView:
    """One zone now, with the reason of its last decision."""
    return zone_of(room_of(request.scope).known_view(), zone_id)


@router.get("/plan")
async def plan(
    request: Request,
    night: Annotated[date | None, Query(alias="date", description="day on which the window opens")] = None,
) -> answers.Plan:
    """The openings of the night in view, or of another one from the records."""
    room = room_of(request.scope)
    view = room.known_view()
    if night is None or night == view.window_date:
        return answers.plan_of(view.window_date, view.openings)
    return answers.plan_of(night, await room.read(room.sources.history.plan, night))


@router.get("/reasons")
async def reasons(
    request: Request, zone: ZoneQuery = None, first: FirstDay = None, last: LastDay = None
) -> list[ZoneReason]:
    """Why zones were watered or left dry, night by night."""
    room = room_of(request.scope)
    first_day, last_day = days_asked(room, zone, first, last)
    return list(await room.read(room.sources.history.reasons, zone, first_day, last_day))


@router.get("/days")
async def days(
    request: Request, zone: ZoneQuery = None, first: FirstDay = None, last: LastDay = None
) -> list[answers.Day]:
    """The water balance, one row for each zone and site calendar day."""
    room = room_of(request.scope)
    first_day, last_day = days_asked(room, zone, first, last)
    return [
        answers.Day.model_validate(row) for row in await room.read(room.sources.history.days, zone, first_day, last_day)
    ]


@router.get("/runs")
async def runs(
    request: Request,
    zone: ZoneQuery = None,
    first: Annotated[AwareDatetime | None, Query(alias="from", description="default 14 days ago")] = None,
    last: Annotated[AwareDatetime | None, Query(alias="to", description="default now")] = None,
) -> list[answers.Run]:
    """Finished openings that began in [from, to)."""
    room = room_of(request.scope)
    view = room.known_view()
    known_zone(view, zone)
    until: datetime = last or view.at
    since: datetime = first or until - USUAL_SPAN
    check_span(until - since, 1)
    return [answers.Run.model_validate(run) for run in await room.read(room.sources.history.runs, since, until, zone)]


@router.get("/alarms")
async def alarms(
    request: Request, open_only: Annotated[bool, Query(alias="open", description="false: also what is over")] = True
) -> list[answers.Incident]:
    """Incidents, newest first."""
    room = room_of(request.scope)
    if open_only:
        return [answers.incident_of(alarm) for alarm in room.known_view().alarms]
    return [answers.incident_of(alarm) for alarm in await room.read(room.sources.history.alarms, False)]


@router.get("/sensors")
async def sensors(request: Request) -> list[SensorView]:
    """The last word of every sensor."""
    return list(room_of(request.scope).known_view().sensors)


@router.get("/live", response_class=Response, responses={200: {"content": {"text/event-stream": {}}}})
async def follow(request: Request, page: str = "", zone: str = "") -> Response:
    """Server-sent events: ``status`` with the answer of /status whenever the picture changes."""
    return live.stream(room_of(request.scope), page, zone)


@router.post("/zones/{zone_id}/water")
async def water(
    request: Request,
    zone_id: str,
    body: answers.WaterAsk,
    idempotency_key: Annotated[str | None, Header(max_length=200, description="same key, same watering: once")] = None,
) -> answers.Taken:
    """Water a zone by hand. Answers when the daemon took it."""
    room = room_of(request.scope)
    zone_of(room.known_view(), zone_id)
    insisting = body.reason if body.against_rule else None
    answer = await water_once(room, person_of(request).name, zone_id, body.minutes, idempotency_key, insisting)
    return taken(answer)


@router.post("/stop")
async def stop(request: Request, body: answers.StopAsk | None = None) -> answers.Taken:
    """Close one zone, or everything: then the keeper is told directly, whether the daemon answers or not."""
    room, who = room_of(request.scope), person_of(request).name
    if body is None or body.zone is None:
        return taken(await room.stop_all(who))
    zone_of(room.known_view(), body.zone)
    return taken(await room.ask("stop", who, zone=body.zone))


@router.post("/hold")
async def hold(request: Request, body: answers.HoldAsk) -> answers.Taken:
    """Hold watering by schedule until a time, on the whole site or one zone."""
    room, who = room_of(request.scope), person_of(request).name
    known_zone(room.known_view(), body.zone)
    return taken(await room.ask("hold", who, zone=body.zone, until=body.until, reason=body.reason, kind=body.kind))


@router.post("/release")
async def release(request: Request, body: answers.ReleaseAsk | None = None) -> answers.Taken:
    """End holds: of one kind, of one zone, or all."""
    room, who = room_of(request.scope), person_of(request).name
    if body is None:
        return taken(await room.ask("release", who))
    known_zone(room.known_view(), body.zone)
    return taken(await room.ask("release", who, zone=body.zone, kind=body.kind or ""))


@router.post("/zones/{zone_id}/water-in")
async def water_in(request: Request, zone_id: str, body: answers.WaterInAsk) -> answers.Taken:
    """Give one watering of a depth in the next allowed night, for instance to wash fertiliser in."""
    room, who = room_of(request.scope), person_of(request).name
    zone_of(room.known_view(), zone_id)
    return taken(await room.ask("water-in", who, zone=zone_id, depth_mm=body.depth_mm, until=body.until))


@router.post("/zones/{zone_id}/as-usual")
async def as_usual(request: Request, zone_id: str) -> answers.Taken:
    """Take the zone's flow of today as its usual one."""
    room = room_of(request.scope)
    zone_of(room.known_view(), zone_id)
    return taken(await room.ask("as-usual", person_of(request).name, zone=zone_id))


@router.post("/programs/{name}/percent")
async def percent(request: Request, name: str, body: answers.PercentAsk) -> answers.Taken:
    """Run a program at a share of its minutes from the next planning on."""
    room = room_of(request.scope)
    if name not in [program.name for program in room.known_view().programs]:
        raise HTTPException(404, f"There is no program {name!r} on this site.")
    return taken(await room.ask("percent", person_of(request).name, program=name, percent=body.percent))


@router.post("/exemptions")
async def exempt(request: Request, body: answers.ExemptAsk) -> answers.Taken:
    """Record leave to pass over restrictions; it ends by itself."""
    room, who = room_of(request.scope), person_of(request).name
    leave = await room.ask("exempt", who, until=body.until, reason=body.reason, target=body.target, rule=body.rule)
    return taken(leave)


@router.post("/exemptions/{number}/end")
async def end_exemption(request: Request, number: str) -> answers.Taken:
    """End an exemption before its time."""
    room = room_of(request.scope)
    if number not in [item.number for item in room.known_view().exemptions]:
        raise HTTPException(404, f"There is no exemption {number!r} on this site.")
    return taken(await room.ask("end-exemption", person_of(request).name, number=number))


@router.post("/stage")
async def stage(request: Request, body: answers.StageAsk) -> answers.Taken:
    """Declare the stage of restriction in force."""
    room, who = room_of(request.scope), person_of(request).name
    return taken(await room.ask("stage", who, until=body.until, reason=body.reason, stage=body.stage))


@router.post("/alarms/clear")
async def clear(request: Request, body: answers.ClearAsk) -> answers.Taken:
    """An alarm is dealt with; what it kept shut may run again."""
    room = room_of(request.scope)
    return taken(await room.ask("clear", person_of(request).name, reason=body.key))


async def water_once(
    room: Room, who: str, zone_id: str, minutes: float, key: str | None, insisting: str | None = None
) -> Answer:
    """Ask for water; a repeated key gives the first answer again and opens nothing.

    ``insisting`` is the reason of a person who knows that a rule of the place forbids it.
    """
    more: dict[str, Any] = {} if insisting is None else {"against_rule": True, "reason": insisting}
    if not key:
        return await room.ask("water", who, zone=zone_id, seconds=minutes * 60, **more)
    before = room.once.begin(key, (who, zone_id, minutes, insisting))
    if before is not None:
        return before
    answer = None
    try:
        answer = await room.ask("water", who, zone=zone_id, seconds=minutes * 60, **more)
    finally:
        room.once.end(key, answer)
    return answer


def taken(answer: Answer) -> answers.Taken:
    """An accepted answer. Raises HTTPException 409 with the daemon's own words otherwise."""
    if not answer.accepted:
        raise HTTPException(409, answer.text)
    return answers.Taken(accepted=True, text=answer.text)


def zone_of(view: SiteView, zone_id: str) -> ZoneView:
    """The zone with this id. Raises HTTPException 404."""
    for zone in view.zones:
        if zone.id == zone_id:
            return zone
    raise HTTPException(404, f"There is no zone {zone_id!r} on this site; /api/v1/zones lists them.")


def known_zone(view: SiteView, zone_id: str | None) -> None:
    if zone_id is not None:
        zone_of(view, zone_id)


def days_asked(room: Room, zone: str | None, first: date | None, last: date | None) -> tuple[date, date]:
    """First and last day of a question. Raises HTTPException 404 or 422."""
    view = room.known_view()
    known_zone(view, zone)
    last_day = last or today(view)
    first_day = first or last_day - USUAL_SPAN
    check_span(last_day - first_day, len(view.zones) if zone is None else 1)
    return first_day, last_day


def check_span(asked: timedelta, zones: int) -> None:
    """Refuse questions whose answer would fill the machine's memory. Raises HTTPException 422."""
    if asked < timedelta(0):
        raise HTTPException(422, "query.from is after query.to; swap them.")
    longest = min(LONGEST_SPAN, timedelta(days=max(1, MOST_ROWS // max(1, zones))))
    if asked > longest:
        raise HTTPException(
            422, f"The span of {asked.days} days is longer than {longest.days}; ask in pieces or for one zone."
        )
