"""Days that are over from the answers of two services: complete, once, and with their source said."""

from __future__ import annotations

import copy
import gzip
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from dewpond.adapters.weather.et_child import Place
from dewpond.adapters.weather.feeds.client import Age, Answer
from dewpond.adapters.weather.kept_answers import KeptAnswers
from dewpond.adapters.weather.online import MetNorwayDays, OnlineWeather, OpenMeteoDays
from dewpond.model.events import FaultSeen, ForecastKnown, RainKnown, ReferenceEtKnown

PLACE = Place(latitude_deg=50.0, elevation_m=117.0)
BERLIN = "Europe/Berlin"


@pytest.fixture
def open_meteo(feeds: Path) -> Any:
    return json.loads((feeds / "openmeteo_forecast_sample.json").read_text())


@pytest.mark.parametrize(("hour", "days"), [(21, [14]), (22, [14, 15]), (23, [14, 15])])
def test_a_day_counts_once_its_last_hour_is_over(open_meteo: Any, hour: int, days: list[int]) -> None:
    found, unbelieved = OpenMeteoDays(BERLIN).take(open_meteo, datetime(2026, 5, 15, hour, tzinfo=UTC))
    assert [day.weather.date.day for day in found] == days
    assert unbelieved == []
    assert (found[0].weather.rain_mm, found[0].eto and found[0].eto.eto_mm) == (0.0, 4.81)


def test_a_day_with_an_unknown_hour_has_unknown_sums(open_meteo: Any) -> None:
    open_meteo["hourly"]["precipitation"][12] = None
    open_meteo["hourly"]["et0_fao_evapotranspiration"][12] = None
    found, _ = OpenMeteoDays(BERLIN).take(open_meteo, datetime(2026, 5, 15, 12, tzinfo=UTC))
    assert (found[0].weather.rain_mm, found[0].eto and found[0].eto.eto_mm) == (None, None)


def test_rain_beyond_belief_is_told_and_the_day_unknown(open_meteo: Any) -> None:
    open_meteo["hourly"]["precipitation"][12] = 500.0
    found, unbelieved = OpenMeteoDays(BERLIN).take(open_meteo, datetime(2026, 5, 15, 12, tzinfo=UTC))
    assert found[0].weather.rain_mm is None
    assert "500 not believed" in unbelieved[0]


def test_dates_of_last_year_give_no_day(open_meteo: Any) -> None:
    found, unbelieved = OpenMeteoDays(BERLIN).take(open_meteo, datetime(2027, 5, 15, 12, tzinfo=UTC))
    assert found == []
    assert len(unbelieved) == 72


def _forecast(start: datetime, rain_mm: float) -> dict[str, Any]:
    """An hourly forecast of two days from ``start``, 1 degC warmer each hour of the day."""
    steps = []
    for n in range(48):
        at = start + timedelta(hours=n)
        air = {"air_temperature": float(at.hour), "relative_humidity": 70.0, "wind_speed": 3.0}
        steps.append(
            {
                "time": at.isoformat(),
                "data": {
                    "instant": {"details": air},
                    "next_1_hours": {"details": {"precipitation_amount": rain_mm}},
                },
            }
        )
    return {"properties": {"meta": {"units": {}}, "timeseries": steps}}


def test_the_last_forecast_of_each_hour_stands_in_for_a_measurement() -> None:
    reader = MetNorwayDays("UTC")
    midnight = datetime(2027, 5, 14, tzinfo=UTC)
    for hour in range(0, 25, 6):
        at = midnight + timedelta(hours=hour)
        days, _ = reader.take(_forecast(at, rain_mm=1.0 if hour == 6 else 0.0), at)
    (day,) = [found.weather for found in days]
    assert (day.t_min_c, day.t_max_c, day.wind_m_s, day.solar_mj_m2) == (0.0, 23.0, 3.0, None)
    assert day.rain_mm == 6.0  # hours 6 to 11 as forecast at 6; the words of midnight on them are superseded


def test_hours_that_no_recent_forecast_covers_leave_the_day_unknown() -> None:
    reader = MetNorwayDays("UTC")
    midnight = datetime(2027, 5, 14, tzinfo=UTC)
    reader.take(_forecast(midnight, 0.0), midnight)
    days, _ = reader.take(_forecast(midnight + timedelta(days=1), 0.0), midnight + timedelta(days=1))
    assert [found.weather.t_min_c for found in days] == [None]


class SavedClient:
    """Answers with what the test saved; never goes anywhere."""

    def __init__(self) -> None:
        self.answer: Answer | None = None
        self.asked: list[Any] = []

    def get(self, url: str, query: Any) -> Answer:
        self.asked.append((url, query))
        assert self.answer is not None
        return self.answer


def _online(client: SavedClient, clock: Any, et: Any, reader: Any) -> OnlineWeather:
    return OnlineWeather(reader, client, ("https://weather.invalid", {"a": 1}), clock, et, place=PLACE)  # type: ignore[arg-type]


def _poll(feed: OnlineWeather, clock: Any) -> list[Any]:
    """One poll and what it brings; the worker thread wakes the clock when the answer is queued."""
    clock.woken.clear()
    before = feed.drain(clock.now())
    assert clock.woken.wait(10.0)
    return before + feed.drain(clock.now())


def _answer(body: Any, at: datetime, **more: Any) -> Answer:
    return Answer(
        age=Age.FRESH, body=json.dumps(body).encode(), fetched_at=at, next_request_at=at + timedelta(hours=2), **more
    )


def test_complete_days_are_told_with_their_source_and_only_once(open_meteo: Any, clock: Any, et: Any) -> None:
    at = datetime(2026, 5, 16, 12, tzinfo=UTC)
    clock.move_to(at)
    client = SavedClient()
    client.answer = _answer(open_meteo, at)
    feed = _online(client, clock, et, OpenMeteoDays(BERLIN))
    told = _poll(feed, clock)
    assert [(e.date.day, e.rain_mm, e.source) for e in told if isinstance(e, RainKnown)] == [
        (14, 0.0, "Open-Meteo, weather model"),
        (15, 7.3, "Open-Meteo, weather model"),
    ]
    assert [(e.date.day, e.eto_mm) for e in told if isinstance(e, ReferenceEtKnown)] == [(14, 4.81), (15, 4.3)]
    assert clock.holds == 0
    assert feed.next_due_s(clock.now()) == pytest.approx(clock.elapsed_s + 7200.0)
    clock.move(7200)
    assert _poll(feed, clock) == []
    changed = copy.deepcopy(open_meteo)
    changed["hourly"]["precipitation"][12] = 2.0
    client.answer = _answer(changed, clock.wall)
    clock.move(7200)
    assert [e.date.day for e in _poll(feed, clock) if isinstance(e, RainKnown)] == [14]


def test_forecast_air_is_asked_of_reference_et_with_its_source(clock: Any, et: Any) -> None:
    reader = MetNorwayDays("UTC")
    midnight = datetime(2027, 5, 15, tzinfo=UTC)
    for hour in (0, 12):
        at = midnight - timedelta(hours=24 - hour)
        reader.take(_forecast(at, 0.0), at)
    clock.move_to(midnight + timedelta(minutes=30))
    client = SavedClient()
    client.answer = _answer(_forecast(midnight, 0.0), clock.wall)
    told = _poll(_online(client, clock, et, reader), clock)
    assert [e.source for e in told if isinstance(e, RainKnown)] == ["MET Norway, forecast"]
    assert (et.asked[0].t_max_c, et.notes) == (23.0, ["MET Norway, forecast"])


def test_faults_of_the_service_are_told_once_and_not_taken_for_dry_weather(clock: Any, et: Any) -> None:
    client = SavedClient()
    client.answer = Answer(age=Age.EXPIRED, next_request_at=clock.wall + timedelta(minutes=5), fault="answered 500")
    feed = _online(client, clock, et, OpenMeteoDays(BERLIN))
    (fault,) = _poll(feed, clock)
    assert isinstance(fault, FaultSeen)
    assert "answered 500" in fault.text
    assert feed.next_due_s(clock.now()) == pytest.approx(clock.elapsed_s + 300.0)
    clock.move(300)
    client.answer = Answer(age=Age.EXPIRED, next_request_at=clock.wall + timedelta(minutes=5), fault="answered 500")
    assert _poll(feed, clock) == []


def test_an_unreadable_body_is_a_fault(clock: Any, et: Any) -> None:
    client = SavedClient()
    client.answer = _answer({"error": True, "reason": "no"}, clock.wall)
    (fault,) = _poll(_online(client, clock, et, OpenMeteoDays(BERLIN)), clock)
    assert isinstance(fault, FaultSeen)


def test_an_untrusted_clock_does_not_poll(clock: Any, et: Any) -> None:
    client = SavedClient()
    clock.trusted = False
    feed = _online(client, clock, et, OpenMeteoDays(BERLIN))
    assert feed.drain(clock.now()) == []
    assert client.asked == []
    assert feed.next_due_s(clock.now()) == clock.elapsed_s + 60.0


def _known(told: list[Any]) -> list[ForecastKnown]:
    return [event for event in told if isinstance(event, ForecastKnown)]


def test_the_days_ahead_become_a_forecast_of_whole_local_days(open_meteo: Any, clock: Any, et: Any) -> None:
    at = datetime(2026, 5, 14, 21, tzinfo=UTC)
    clock.move_to(at)
    client = SavedClient()
    client.answer = _answer(open_meteo, at)
    (known,) = _known(_poll(_online(client, clock, et, OpenMeteoDays(BERLIN)), clock))
    assert (known.source, known.issued_at) == ("Open-Meteo", at)
    assert (15, 7.3, 4.3) in [(day.date.day, day.rain_mm, day.eto_mm) for day in known.days]
    assert all(day.rain_probability is None or 0.0 <= day.rain_probability <= 1.0 for day in known.days)


def test_a_forecast_is_told_once_for_each_answer(open_meteo: Any, clock: Any, et: Any) -> None:
    at = datetime(2026, 5, 14, 12, tzinfo=UTC)
    clock.move_to(at)
    client = SavedClient()
    client.answer = _answer(open_meteo, at)
    feed = _online(client, clock, et, OpenMeteoDays(BERLIN))
    assert len(_known(_poll(feed, clock))) == 1
    clock.move(7200)
    assert _known(_poll(feed, clock)) == []
    client.answer = _answer(open_meteo, clock.wall)
    clock.move(7200)
    (again,) = _known(_poll(feed, clock))
    assert again.issued_at == at + timedelta(hours=2)


def test_forecast_rain_counts_from_the_time_the_service_was_updated(clock: Any, et: Any) -> None:
    clock.move_to(datetime(2027, 5, 14, 18, tzinfo=UTC))
    body = _forecast(clock.wall, rain_mm=0.5)
    body["properties"]["meta"]["updated_at"] = "2027-05-14T16:40:00Z"
    client = SavedClient()
    client.answer = _answer(body, clock.wall)
    (known,) = _known(_poll(_online(client, clock, et, MetNorwayDays("UTC")), clock))
    assert (known.source, known.issued_at) == ("MET Norway", datetime(2027, 5, 14, 16, 40, tzinfo=UTC))
    assert [(day.date.day, day.rain_mm, day.eto_mm) for day in known.days][1] == (15, 12.0, None)


def test_an_answer_for_another_place_is_refused_as_a_whole(open_meteo: Any, clock: Any, et: Any) -> None:
    at = datetime(2026, 5, 16, 12, tzinfo=UTC)
    clock.move_to(at)
    client = SavedClient()
    client.answer = _answer(open_meteo, at)
    (fault,) = _poll(_online(client, clock, et, OpenMeteoDays(BERLIN, place=(-33.9, 18.4))), clock)
    assert isinstance(fault, FaultSeen)
    assert "km from the site (60 km is the limit); nothing of it is used, check latitude" in fault.text


def test_dates_of_last_year_are_a_fault_and_no_forecast(open_meteo: Any, clock: Any, et: Any) -> None:
    at = datetime(2027, 5, 15, 12, tzinfo=UTC)
    clock.move_to(at)
    client = SavedClient()
    client.answer = _answer(open_meteo, at)
    told = _poll(_online(client, clock, et, OpenMeteoDays(BERLIN)), clock)
    assert _known(told) == []
    assert any(isinstance(event, FaultSeen) and "nothing of it lies ahead" in event.text for event in told)


def test_the_answer_a_forecast_was_read_from_is_kept_and_named(
    open_meteo: Any, clock: Any, et: Any, tmp_path: Path
) -> None:
    at = datetime(2026, 5, 14, 12, tzinfo=UTC)
    clock.move_to(at)
    client = SavedClient()
    client.answer = _answer(open_meteo, at)
    reader = OpenMeteoDays(BERLIN)
    feed = OnlineWeather(
        reader,
        client,  # type: ignore[arg-type]
        ("https://weather.invalid", {}),
        clock,
        et,
        place=PLACE,
        kept=KeptAnswers(tmp_path),
    )
    (known,) = _known(_poll(feed, clock))
    assert json.loads(gzip.decompress((tmp_path / known.raw_ref).read_bytes())) == open_meteo
