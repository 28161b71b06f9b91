"""Which feed tells what: the gauge before the feeds, and a site without any."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from math import inf
from pathlib import Path
from typing import Any

from dewpond.adapters.weather.live import CombinedWeather, NoWeather, weather_for
from dewpond.model.events import Event, FaultSeen, Now, RainKnown, ReferenceEtKnown
from dewpond.model.site import Feed, Site

DAY = date(2027, 5, 13)


class SaidWeather:
    """A feed (or gauge) that says what the test puts into it."""

    def __init__(self, clock: Any) -> None:
        self._clock = clock
        self.waiting: list[Event] = []
        self.due_s = inf
        self.seen: list[Event] = []

    def says_rain(self, rain_mm: float | None, day: date = DAY) -> None:
        self.waiting.append(RainKnown(at=self._clock.wall, date=day, rain_mm=rain_mm, source="test"))

    def says_et(self) -> None:
        self.waiting.append(ReferenceEtKnown(at=self._clock.wall, date=DAY, eto_mm=3.0, method="m", sd_mm=0.2))

    def tells_rain_of(self, day: date) -> bool:
        return day >= DAY

    def observe(self, events: Sequence[Event]) -> None:
        self.seen += events

    def next_due_s(self, now: Now) -> float:
        return self.due_s

    def drain(self, now: Now) -> list[Event]:
        said, self.waiting = self.waiting, []
        return said


def _pair(clock: Any) -> tuple[SaidWeather, SaidWeather, CombinedWeather]:
    gauge, feed = SaidWeather(clock), SaidWeather(clock)
    return gauge, feed, CombinedWeather([feed], gauge=gauge)  # type: ignore[arg-type]


def _rains(events: Sequence[Event]) -> list[float | None]:
    return [event.rain_mm for event in events if isinstance(event, RainKnown)]


def test_no_feed_is_never_due_and_says_nothing(clock: Any) -> None:
    feed = NoWeather()
    assert feed.next_due_s(clock.now()) == inf
    assert feed.drain(clock.now()) == []


def test_a_feed_that_cannot_work_says_why_once(clock: Any) -> None:
    feed = NoWeather("no contact")
    (fault,) = feed.drain(clock.now())
    assert isinstance(fault, FaultSeen)
    assert feed.drain(clock.now()) == []
    assert feed.next_due_s(clock.now()) == inf


def test_the_gauge_wins_over_the_feed_and_the_feed_checks_it_whichever_comes_first(clock: Any) -> None:
    for gauge_first in (True, False):
        gauge, feed, both = _pair(clock)
        first, second = (gauge, feed) if gauge_first else (feed, gauge)
        (first.says_rain(4.0 if gauge_first else 9.0))
        early = both.drain(clock.now())
        (second.says_rain(9.0 if gauge_first else 4.0))
        told = [*early, *both.drain(clock.now())]
        rains = [(event.rain_mm, event.check) for event in told if isinstance(event, RainKnown)]
        assert rains == [(4.0, False), (9.0, True)]


def test_the_feed_stands_in_for_a_gauge_that_missed_the_day(clock: Any) -> None:
    for gauge_first in (True, False):
        gauge, feed, both = _pair(clock)
        first, second = (gauge, feed) if gauge_first else (feed, gauge)
        first.says_rain(None if gauge_first else 9.0)
        early = _rains(both.drain(clock.now()))
        second.says_rain(9.0 if gauge_first else None)
        assert early + _rains(both.drain(clock.now())) == [9.0]


def test_a_gauge_alone_says_that_it_does_not_know(clock: Any) -> None:
    gauge = SaidWeather(clock)
    both = CombinedWeather([NoWeather("broken")], gauge=gauge)  # type: ignore[arg-type]
    gauge.says_rain(None)
    assert _rains(both.drain(clock.now())) == [None]


def test_dates_before_the_gauge_are_the_feeds(clock: Any) -> None:
    _, feed, both = _pair(clock)
    feed.says_rain(2.0, date(2027, 5, 1))
    assert _rains(both.drain(clock.now())) == [2.0]


def test_reference_et_of_every_feed_passes_and_readings_reach_all(clock: Any) -> None:
    gauge, feed, both = _pair(clock)
    gauge.says_et()
    feed.says_et()
    feed.due_s, gauge.due_s = 7.0, 5.0
    assert both.next_due_s(clock.now()) == 5.0
    assert len(both.drain(clock.now())) == 2
    both.observe(["reading"])  # type: ignore[list-item]
    assert (gauge.seen, feed.seen) == (["reading"], ["reading"])


def test_a_site_without_feed_and_sensors_has_no_weather(
    make_site: Callable[..., Site], clock: Any, tmp_path: Path
) -> None:
    weather = weather_for(make_site(), clock, state_dir=tmp_path, version="0")
    assert weather.next_due_s(clock.now()) == inf
    assert weather.drain(clock.now()) == []
    weather.close()


def test_a_csv_feed_uses_the_place_and_zone_of_its_station(
    make_site: Callable[..., Site], clock: Any, seasons: Path, tmp_path: Path
) -> None:
    folder = seasons / "seattle-wa-2012-2015"
    options = {"path": str(folder / "daily.csv"), "station": str(folder / "station.json"), "poll_s": 900.0}
    weather = weather_for(make_site(feeds=(Feed(kind="csv", options=options),)), clock, state_dir=tmp_path, version="0")
    assert weather.drain(clock.now()) == []  # all of it is history
    assert weather.next_due_s(clock.now()) == clock.elapsed_s + 900.0


def test_an_online_feed_without_contact_says_what_to_set(
    make_site: Callable[..., Site], clock: Any, tmp_path: Path
) -> None:
    for kind in ("open-meteo", "met-norway"):
        weather = weather_for(make_site(feeds=(Feed(kind=kind),)), clock, state_dir=tmp_path, version="0")
        (fault,) = weather.drain(clock.now())
        assert isinstance(fault, FaultSeen)
        assert "no contact is set" in fault.text


def test_a_csv_feed_with_a_bad_station_says_so_and_the_rest_works(
    make_site: Callable[..., Site], clock: Any, tmp_path: Path
) -> None:
    options = {"path": str(tmp_path / "daily.csv"), "station": str(tmp_path / "absent.json")}
    site = make_site(("gauge", "rain"), feeds=(Feed(kind="csv", options=options),))
    (fault,) = weather_for(site, clock, state_dir=tmp_path, version="0").drain(clock.now())
    assert isinstance(fault, FaultSeen)
    assert "absent.json" in fault.text
