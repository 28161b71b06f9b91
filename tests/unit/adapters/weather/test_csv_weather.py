"""A daily file that somebody else writes: days become known when they are over, once, and again when corrected."""

from __future__ import annotations

import os
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from dewpond.adapters.weather.csv_weather import CsvWeather
from dewpond.adapters.weather.et_child import Place
from dewpond.model.events import FaultSeen, RainKnown

PLACE = Place(latitude_deg=51.1, elevation_m=40.0)
HEADER = "date,t_min_c,t_max_c,rain_mm\n"


class File:
    def __init__(self, path: Path) -> None:
        self.path, self._stamp = path, 1_000_000_000

    def write(self, text: str) -> None:
        self.path.write_text(text)
        self._stamp += 1_000_000_000
        os.utime(self.path, ns=(self._stamp, self._stamp))


@pytest.fixture
def file(tmp_path: Path) -> File:
    return File(tmp_path / "daily.csv")


def _feed(file: File, et: Any, **more: Any) -> CsvWeather:
    return CsvWeather(file.path, et, place=PLACE, timezone=more.pop("timezone", "Etc/GMT+8"), **more)


def test_a_day_is_known_at_the_end_of_its_station_day(file: File, clock: Any, et: Any) -> None:
    file.write(HEADER + "2027-05-13,5,20,1.5\n2027-05-14,6,21,0\n2027-05-15,7,22,9\n")
    feed = _feed(file, et)
    end = datetime(2027, 5, 14, 8, tzinfo=UTC)  # 13 May ends at 08:00 UTC in a zone eight hours behind
    assert [e.date.day for e in feed.drain(clock.move_to(end - timedelta(seconds=1)))] == []  # type: ignore[attr-defined]
    assert feed.next_due_s(clock.now()) == pytest.approx(clock.elapsed_s + 1.0)
    told = feed.drain(clock.move(1))
    assert [(e.date.day, e.rain_mm, e.source) for e in told] == [(13, 1.5, "daily.csv")]  # type: ignore[attr-defined]
    assert [day.t_max_c for day in et.asked] == [20.0]


def test_each_date_is_told_once_and_again_when_its_values_change(file: File, clock: Any, et: Any) -> None:
    rows = "2027-05-11,5,20,1.5\n2027-05-12,6,21,0\n"
    file.write(HEADER + rows)
    feed = _feed(file, et)
    assert len(feed.drain(clock.now())) == 2
    file.write(HEADER + rows)
    assert feed.drain(clock.move(600)) == []
    file.write(HEADER + rows.replace("1.5", "2.5"))
    (told,) = feed.drain(clock.move(600))
    assert isinstance(told, RainKnown)
    assert (told.date.day, told.rain_mm) == (11, 2.5)


def test_known_dates_are_not_told_again_after_a_restart(file: File, clock: Any, et: Any) -> None:
    file.write(HEADER + "2027-05-11,5,20,1\n2027-05-12,6,21,2\n")
    feed = _feed(file, et, known_dates=[date(2027, 5, 11)])
    assert [e.date.day for e in feed.drain(clock.now())] == [12]  # type: ignore[attr-defined]


def test_old_history_is_left_alone(file: File, clock: Any, et: Any) -> None:
    file.write(HEADER + "2026-05-12,5,20,1\n2027-04-01,5,20,1\n2027-05-12,6,21,2\n")
    assert [e.date for e in _feed(file, et).drain(clock.now())] == [date(2027, 5, 12)]  # type: ignore[attr-defined]


def test_a_fault_is_told_once_and_the_days_come_when_it_is_mended(file: File, clock: Any, et: Any) -> None:
    feed = _feed(file, et)
    (absent,) = feed.drain(clock.now())
    assert isinstance(absent, FaultSeen)
    assert feed.drain(clock.move(600)) == []
    file.write(HEADER + "2027-05-12,6,x,2\n")
    (bad,) = feed.drain(clock.move(600))
    assert isinstance(bad, FaultSeen)
    assert "row 2, column t_max_c" in bad.text
    file.write(HEADER + "2027-05-12,6,20,2\n")
    assert isinstance(feed.drain(clock.move(600))[0], RainKnown)


def test_rain_beyond_belief_is_missing_and_told(file: File, clock: Any, et: Any) -> None:
    file.write(HEADER + "2027-05-12,6,20,500\n")
    fault, rain = _feed(file, et).drain(clock.now())
    assert isinstance(fault, FaultSeen)
    assert "500 mm of rain is above 300 mm" in fault.text
    assert isinstance(rain, RainKnown)
    assert rain.rain_mm is None


def test_the_file_is_looked_at_no_more_often_than_asked(file: File, clock: Any, et: Any) -> None:
    file.write(HEADER + "2027-05-11,6,20,1\n")
    feed = _feed(file, et, poll_s=1200.0)
    feed.drain(clock.now())
    file.write(HEADER + "2027-05-11,6,20,1\n2027-05-12,6,20,1\n")
    assert feed.drain(clock.move(1199)) == []
    assert len(feed.drain(clock.move(1))) == 1


def test_an_untrusted_clock_tells_nothing_yet(file: File, clock: Any, et: Any) -> None:
    file.write(HEADER + "2027-05-11,6,20,1\n")
    feed = _feed(file, et)
    clock.trusted = False
    assert feed.drain(clock.now()) == []
    clock.trusted = True
    assert len(feed.drain(clock.move(600))) == 1
