"""A service's forecast from the wire to an event: a real server on the loopback, the polite client, the live feeds."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from dewpond.adapters.weather.live import CombinedWeather, weather_for
from dewpond.model.events import Event, FaultSeen, ForecastKnown, Now
from dewpond.settings.site_file import require_site

SITES = Path(__file__).parents[1] / "data" / "sites"
NOW = datetime(2027, 5, 14, 18, tzinfo=UTC)
PLACE = (39.1, -96.6)  # of the controller test site


class Clock:
    def __init__(self) -> None:
        self.wall, self.woken = NOW, threading.Event()

    def now(self) -> Now:
        return Now(wall=self.wall, elapsed_s=self.wall.timestamp())

    def wait(self, until_elapsed_s: float) -> None: ...

    def wake(self) -> None:
        self.woken.set()

    def hold(self) -> None: ...

    def unhold(self) -> None: ...


class Service:
    """Answers every request with ``body``."""

    def __init__(self) -> None:
        self.body: Any = {}
        service = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                answer = json.dumps(service.body).encode()
                self.send_response_only(200)
                self.send_header("Content-Length", str(len(answer)))
                self.end_headers()
                self.wfile.write(answer)

            def log_message(self, *arguments: object) -> None:
                """Quiet."""

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self.server.server_address[1]}"


@pytest.fixture
def service() -> Iterator[Service]:
    made = Service()
    thread = threading.Thread(target=made.server.serve_forever, args=(0.01,))
    thread.start()
    yield made
    made.server.shutdown()
    made.server.server_close()
    thread.join()


@pytest.fixture
def clock() -> Clock:
    return Clock()


def _weather(service: Service, clock: Clock, tmp_path: Path, kind: str) -> CombinedWeather:
    text = (SITES / "controller-test.toml").read_text()
    path = tmp_path / "site.toml"
    path.write_text(f'{text}\n[[feed]]\nkind = "{kind}"\nurl = "{service.url}"\ncontact = "keeper@withy.example"\n')
    return weather_for(require_site(path), clock, state_dir=tmp_path / "state", version="1")


def _poll(weather: CombinedWeather, clock: Clock) -> list[Event]:
    clock.woken.clear()
    before = weather.drain(clock.now())
    assert clock.woken.wait(10.0)
    return before + weather.drain(clock.now())


def _open_meteo(place: tuple[float, float] = PLACE, rain_mm: float = 0.5, start: datetime = NOW) -> dict[str, Any]:
    hours = [start.replace(hour=0) + timedelta(hours=n) for n in range(1, 97)]
    return {
        "latitude": place[0],
        "longitude": place[1],
        "utc_offset_seconds": 0,
        "hourly_units": {"precipitation": "mm", "et0_fao_evapotranspiration": "mm"},
        "hourly": {
            "time": [f"{at:%Y-%m-%dT%H:%M}" for at in hours],
            "precipitation": [rain_mm] * 96,
            "precipitation_probability": [60] * 96,
            "et0_fao_evapotranspiration": [0.2] * 96,
        },
    }


def _met_norway() -> dict[str, Any]:
    hours = [NOW + timedelta(hours=n) for n in range(50)]
    air = {"air_temperature": 15.0, "relative_humidity": 70.0, "wind_speed": 3.0}
    steps = [
        {
            "time": at.isoformat(),
            "data": {
                "instant": {"details": air},
                "next_1_hours": {"details": {"precipitation_amount": 0.25}},
                "next_6_hours": {"details": {"precipitation_amount": 1.5}},
            },
        }
        for at in hours
    ]
    meta = {"updated_at": "2027-05-14T17:10:00Z", "units": {"precipitation_amount": "mm"}}
    geometry = {"type": "Point", "coordinates": [PLACE[1], PLACE[0], 347]}
    return {"geometry": geometry, "properties": {"meta": meta, "timeseries": steps}}


def test_an_hourly_answer_becomes_a_forecast_and_its_raw_text_is_kept(
    service: Service, clock: Clock, tmp_path: Path
) -> None:
    service.body = _open_meteo()
    told = _poll(_weather(service, clock, tmp_path, "open-meteo"), clock)
    (known,) = [event for event in told if isinstance(event, ForecastKnown)]
    # The site's days begin at 06:00 UTC, so the first of the four has only 18 hours and the last 18 as well.
    whole = {day.date.day: (day.rain_mm, day.rain_probability, day.eto_mm) for day in known.days}
    assert (whole[15], whole[16]) == ((12.0, 0.6, 4.8), (12.0, 0.6, 4.8))
    assert (tmp_path / "state" / "weather" / "forecasts" / known.raw_ref).exists()


def test_overlapping_periods_of_an_answer_count_once(service: Service, clock: Clock, tmp_path: Path) -> None:
    service.body = _met_norway()
    told = _poll(_weather(service, clock, tmp_path, "met-norway"), clock)
    (known,) = [event for event in told if isinstance(event, ForecastKnown)]
    assert known.issued_at == datetime(2027, 5, 14, 17, 10, tzinfo=UTC)
    assert {day.date.day: day.rain_mm for day in known.days}[15] == 6.0


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (_open_meteo(place=(50.1, 8.2)), "km from the site"),
        (_open_meteo(rain_mm=500 / 24), "500 mm of rain on 2027-05-15 is outside 0 to 300 mm a day"),
        (_open_meteo(start=NOW - timedelta(days=365)), "nothing of it lies ahead"),
    ],
)
def test_a_feed_that_cannot_be_true_is_refused_and_told(
    service: Service, clock: Clock, tmp_path: Path, body: dict[str, Any], said: str
) -> None:
    service.body = body
    told = _poll(_weather(service, clock, tmp_path, "open-meteo"), clock)
    assert not any(day.rain_mm for e in told if isinstance(e, ForecastKnown) for day in e.days)
    assert any(said in event.text for event in told if isinstance(event, FaultSeen))
