"""The live weather of a site: which of its feeds tells what, and the one object the runner sees."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import date
from math import inf
from pathlib import Path
from typing import Any

from dewpond.adapters.weather.csv_weather import CsvWeather
from dewpond.adapters.weather.et_child import ChildReferenceEt, Place
from dewpond.adapters.weather.feeds.client import PoliteClient, met_norway_request, openmeteo_request, rounded_place
from dewpond.adapters.weather.feeds.met_norway import WIND_HEIGHT_M
from dewpond.adapters.weather.kept_answers import KeptAnswers
from dewpond.adapters.weather.online import MetNorwayDays, OnlineWeather, OpenMeteoDays
from dewpond.adapters.weather.season_files import read_station
from dewpond.adapters.weather.station_weather import StationWeather
from dewpond.model.events import Event, FaultSeen, Now, RainKnown
from dewpond.model.site import Feed, Site
from dewpond.ports import Clock, WeatherFeed

__all__ = ["CombinedWeather", "CsvWeather", "NoWeather", "OnlineWeather", "StationWeather", "weather_for"]

OPEN_METEO_URL = "https://api.open-meteo.com"
MET_NORWAY_URL = "https://api.met.no"
# Past days asked of a service at each poll: enough to make up for an outage. [days]
PAST_DAYS = 7


class NoWeather:
    """ports.WeatherFeed that knows nothing. With a ``fault`` it says once why."""

    def __init__(self, fault: str = "") -> None:
        self._fault = fault

    def observe(self, events: Sequence[Event]) -> None:
        """Nothing is gathered."""

    def next_due_s(self, now: Now) -> float:
        """Due once for its fault, else never."""
        return now.elapsed_s if self._fault else inf

    def drain(self, now: Now) -> list[Event]:
        """The fault, once."""
        fault, self._fault = self._fault, ""
        return [FaultSeen(at=now.wall, part="weather feed", text=fault)] if fault else []


class CombinedWeather:
    """Several feeds as one. Rain comes from the gauge where there is one; its missing days from the feeds.

    ``gauge`` may be one of the feeds or stand beside them. ``et`` is what ``close`` ends.
    """

    def __init__(
        self,
        feeds: Sequence[WeatherFeed],
        *,
        gauge: StationWeather | None = None,
        et: ChildReferenceEt | None = None,
    ) -> None:
        self._feeds = tuple(feed for feed in feeds if feed is not gauge)
        self._gauge = gauge
        self._et = et
        self._all: tuple[WeatherFeed, ...] = (*self._feeds, *([gauge] if gauge is not None else []))
        self._others_tell = any(not isinstance(feed, NoWeather) for feed in self._feeds)
        self._measured: set[date] = set()
        self._unmeasured: set[date] = set()
        self._waiting: dict[date, RainKnown] = {}

    def observe(self, events: Sequence[Event]) -> None:
        """Show readings to every feed."""
        for feed in self._all:
            feed.observe(events)

    def next_due_s(self, now: Now) -> float:
        """The earliest of all feeds."""
        return min((feed.next_due_s(now) for feed in self._all), default=inf)

    def drain(self, now: Now) -> list[Event]:
        """What all feeds know, with one word on the rain of each date."""
        gauge = self._gauge
        if gauge is None:
            return [event for feed in self._feeds for event in feed.drain(now)]
        events = [event for said in gauge.drain(now) for event in self._by_gauge(said)]
        told = [event for feed in self._feeds for event in feed.drain(now)]
        return events + [event for said in told for event in self._by_feed(said, gauge)]

    def close(self) -> None:
        """End a running child process."""
        if self._et is not None:
            self._et.stop()

    def _by_gauge(self, event: Event) -> list[Event]:
        """The gauge's measurement passes. Where it has none, a feed's word takes its place once there is one."""
        if not isinstance(event, RainKnown):
            return [event]
        waiting = self._waiting.pop(event.date, None)
        if event.rain_mm is not None or not self._others_tell:
            self._measured.add(event.date)
            return [event] if waiting is None else [event, replace(waiting, check=True)]
        self._unmeasured.add(event.date)
        return [] if waiting is None else [waiting]

    def _by_feed(self, event: Event, gauge: StationWeather) -> list[Event]:
        if not isinstance(event, RainKnown) or event.date in self._unmeasured or not gauge.tells_rain_of(event.date):
            return [event]
        if event.date in self._measured:
            return [replace(event, check=True)]
        self._waiting[event.date] = event
        return []


def weather_for(
    site: Site,
    clock: Clock,
    *,
    state_dir: Path,
    version: str,
    contact: str = "",
    known_dates: Collection[date] = (),
) -> CombinedWeather:
    """The live weather of a site from its ``[[feed]]`` tables and its rain gauge.

    ``known_dates`` are the dates whose weather the journal already has. Answers of services are kept below
    ``state_dir``. A feed that cannot work is replaced by one that says why.
    """
    et = ChildReferenceEt(clock)
    kinds = {feed.kind: feed for feed in site.feeds}
    station = kinds.get("station")
    height_m = float(station.options.get("wind_height_m", 2.0)) if station is not None else 2.0
    gauge = StationWeather(site, et if station is not None else None, known_dates=known_dates, wind_height_m=height_m)
    tools = _Tools(
        site=site,
        clock=clock,
        et=et,
        known_dates=known_dates,
        folder=state_dir / "weather",
        version=version,
        contact=contact,
    )
    feeds: list[WeatherFeed] = [tools.feed(feed) for feed in site.feeds if feed.kind != "station"]
    if gauge.has_gauge:
        return CombinedWeather(feeds, gauge=gauge, et=et)
    return CombinedWeather([*feeds, gauge] if station is not None else feeds, et=et)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Tools:
    """What the feeds of one site share."""

    site: Site
    clock: Clock
    et: ChildReferenceEt
    known_dates: Collection[date]
    folder: Path
    version: str
    contact: str

    def feed(self, feed: Feed) -> WeatherFeed:
        """The adapter of one ``[[feed]]`` table."""
        try:
            return self._csv(feed.options) if feed.kind == "csv" else self._online(feed)
        except ValueError as error:
            return NoWeather(f"feed {feed.kind}: {error}")

    def _csv(self, options: Any) -> CsvWeather:
        """Place and zone from station.json where one is named, else those of the site."""
        place, timezone = self._place(float(options.get("wind_height_m", 2.0))), self.site.timezone
        if "station" in options:
            station = read_station(Path(options["station"]))
            height_m = options.get("wind_height_m") or station.wind_height_m or 2.0
            place = Place(
                latitude_deg=station.latitude_deg, elevation_m=station.elevation_m, wind_height_m=float(height_m)
            )
            timezone = station.tz
        return CsvWeather(
            Path(options["path"]),
            self.et,
            place=place,
            timezone=timezone,
            known_dates=self.known_dates,
            poll_s=float(options.get("poll_s", 600.0)),
        )

    def _online(self, feed: Feed) -> OnlineWeather:
        site, options = self.site, feed.options
        place = rounded_place(site.latitude_deg, site.longitude_deg)
        client = PoliteClient(
            self.folder,
            self.clock,
            contact=options.get("contact") or self.contact,
            version=self.version,
            installation=f"{site.slug} {site.latitude_deg} {site.longitude_deg}",
        )
        reader: OpenMeteoDays | MetNorwayDays
        if feed.kind == "open-meteo":
            reader = OpenMeteoDays(site.timezone, place)
            request = openmeteo_request(
                options.get("url", OPEN_METEO_URL), site.latitude_deg, site.longitude_deg, site.timezone, PAST_DAYS
            )
        else:
            reader = MetNorwayDays(site.timezone, place)
            request = met_norway_request(
                options.get("url", MET_NORWAY_URL), site.latitude_deg, site.longitude_deg, site.elevation_m
            )
        return OnlineWeather(
            reader,
            client,
            request,
            self.clock,
            self.et,
            place=self._place(WIND_HEIGHT_M),
            known_dates=self.known_dates,
            poll_s=float(options.get("poll_s", 3600.0)),
            kept=KeptAnswers(self.folder / "forecasts"),
        )

    def _place(self, wind_height_m: float) -> Place:
        return Place(
            latitude_deg=self.site.latitude_deg, elevation_m=self.site.elevation_m, wind_height_m=wind_height_m
        )
