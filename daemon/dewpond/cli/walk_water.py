"""The system's part of a walk: a zone opened for a minute and watched, a meter read while every valve is shut."""

from __future__ import annotations

import threading
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import click

from dewpond.adapters.operator_socket import NotReachable, OperatorClient
from dewpond.cli.answers import FAULTS, fail
from dewpond.cli.upkeep_desk import AtDesk, Plain

if TYPE_CHECKING:
    from dewpond.model.site import Supply
    from dewpond.upkeep.watched_run import Picture

LOOK_S = 2.0
AFTER_S = 60.0  # pictures are taken so long after the valve has shut
MOST_LOOKS = 400
BEFORE_S = 300.0  # the row before the run says where the first window within it begins


def watch(at: AtDesk, zone: str, minutes: float, *, against_rule: bool) -> Plain:
    """Open the zone through the daemon, wait until it has been shut for a while, and read what was seen."""
    from dewpond.upkeep.watched_run import has_run  # noqa: PLC0415

    client = OperatorClient(at.service.operator_socket)
    wish: Plain = {"zone": zone, "seconds": minutes * 60.0, "by": at.who, "reason": "walk-round inspection"}
    supply = next(one for one in at.site.supplies if one.id == next(z.supply for z in at.site.zones if z.id == zone))
    try:
        answer = client.call("water", **wish, **({"against_rule": True} if against_rule else {}))
        if not answer["ok"]:
            fail(answer["text"], FAULTS)
        click.echo(answer["text"], err=True)
        pictures = _pictures(client, zone, supply.id)
    except NotReachable as missing:
        fail(str(missing), FAULTS)
    if not has_run(pictures):
        return {"came_on": False}
    return _figures(at, supply, zone, pictures)


def _pictures(client: OperatorClient, zone: str, supply: str) -> list[Picture]:
    """What the daemon says every other second, until the zone has been shut for a minute, or never opened in one."""
    from dewpond.upkeep.watched_run import has_run, picture_of  # noqa: PLC0415

    pictures: list[Picture] = []
    shut_at: datetime | None = None
    for _ in range(MOST_LOOKS):
        picture = picture_of(client.call("status")["body"], zone, supply)
        pictures.append(picture)
        opened = has_run(pictures)
        shut_at = (shut_at or picture.at) if opened and picture.valve == "closed" else None
        since = shut_at if opened else pictures[0].at
        if since is not None and picture.at - since >= timedelta(seconds=AFTER_S):
            break
        threading.Event().wait(LOOK_S)
    return pictures


def _figures(at: AtDesk, supply: Supply, zone: str, pictures: list[Picture]) -> Plain:
    """Flow and pressure from the rows that meter and gauge sent over the run; the store has them by now."""
    from dewpond.adapters.store.reader import StoreReader  # noqa: PLC0415
    from dewpond.adapters.store.tables import StoreUnusable  # noqa: PLC0415
    from dewpond.upkeep.watched_run import figures  # noqa: PLC0415

    reader, begins, ends = StoreReader(at.service.database), pictures[0].at, pictures[-1].at

    def rows(sensor: str | None) -> list[tuple[float, float]]:
        if sensor is None:
            return []
        times, values = reader.readings(sensor, begins.timestamp() - BEFORE_S, ends.timestamp() + 1.0, 10_000)
        return list(zip(times.tolist(), values.tolist(), strict=True))

    try:
        ran = reader.runs(begins - timedelta(seconds=AFTER_S), ends, zone)
        if not ran:
            return {"came_on": True}
        opened_s, closed_s = ran[-1].start.timestamp(), ran[-1].end.timestamp()
        alone = all(one.alone for one in pictures)
        return figures(opened_s, closed_s, rows(supply.meter), rows(supply.pressure), alone=alone)
    except StoreUnusable as fault:
        fail(str(fault), FAULTS)


def counted_l(at: AtDesk, supply: str, minutes: float) -> float:
    """Litres that a supply's meter counted lately; exits where it could not be read, or where a zone ran."""
    from dewpond.adapters.store.reader import StoreReader  # noqa: PLC0415
    from dewpond.adapters.store.tables import StoreUnusable  # noqa: PLC0415

    known = {item.id: item for item in at.site.supplies}
    if supply not in known:
        fail(f"no supply {supply!r} here; there are {', '.join(known)}")
    meter = known[supply].meter
    hand = f"read the dial: dewpond walk note {supply} leak-test --litres N --minutes M"
    if meter is None:
        fail(f"supply {supply} has no meter that the daemon hears; {hand}")
    status = at.status()
    if status is None:
        fail(f"no daemon answers, so nobody hears the meter; {hand}", FAULTS)
    until = datetime.fromisoformat(status["at"])
    since = until - timedelta(minutes=minutes)
    ours = {zone.id for zone in at.site.zones if zone.supply == supply}
    if any(item["id"] in ours and item["valve"] != "closed" for item in status["zones"]):
        fail(f"a valve of {supply} is open, or not known to be shut; wait until all are", FAULTS)
    reader = StoreReader(at.service.database)
    try:
        ran = [run for run in reader.runs(since - timedelta(hours=12), until) if run.zone in ours and run.end > since]
        # The daemon writes its readings every half minute; the last minute is left to it.
        times, litres = reader.readings(meter, since.timestamp(), until.timestamp(), 100_000)
    except StoreUnusable as fault:
        fail(str(fault), FAULTS)
    if ran:
        fail(f"{ran[-1].zone} ran until {ran[-1].end:%H:%M} UTC; wait until {minutes:g} min have passed", FAULTS)
    if not len(times) and not any(one["id"] == meter and one["fresh"] for one in status["sensors"]):
        fail(f"the meter {meter} has said nothing in that time; {hand}", FAULTS)
    return float(litres.sum())
