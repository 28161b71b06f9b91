"""Reference ET in a real child process, and what happens when the child fails, hangs or talks nonsense."""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest

from dewpond.adapters.weather.csv_weather import CsvWeather
from dewpond.adapters.weather.et_child import ChildReferenceEt, Place
from dewpond.adapters.weather.reference_et import COMPLETE, NOTHING
from dewpond.model.events import Event, FaultSeen, Now, RainKnown, ReferenceEtKnown
from dewpond.ports import DayWeather

# FAO-56 Example 18 (Uccle, 6 July): 3.9 mm/day printed, 3.88 with full precision.
PLACE = Place(latitude_deg=50.8, elevation_m=100.0, wind_height_m=10.0)
EXAMPLE_18 = DayWeather(
    date=date(2027, 7, 6),
    t_min_c=12.3,
    t_max_c=21.5,
    rh_min_pct=63.0,
    rh_max_pct=84.0,
    wind_m_s=10.0 / 3.6,
    solar_mj_m2=22.07,
)
NOW = Now(wall=datetime(2027, 7, 7, 0, 5, tzinfo=UTC), elapsed_s=100.0)


class HeldClock:
    """Remembers how it was held; the held time may not jump before the answer is there."""

    def __init__(self) -> None:
        self.log: list[str] = []
        self.woken = threading.Event()

    def now(self) -> Now:
        return NOW

    def wait(self, until_elapsed_s: float) -> None:
        self.woken.wait(30.0)

    def wake(self) -> None:
        self.log.append("wake")
        self.woken.set()

    def hold(self) -> None:
        self.log.append("hold")

    def unhold(self) -> None:
        self.log.append("unhold")


def _answered(asked: ChildReferenceEt, clock: HeldClock, days: Sequence[DayWeather]) -> list[Event]:
    asked.ask(days, PLACE)
    assert clock.woken.wait(60.0)
    return asked.drain(NOW)


def test_the_child_finds_example_18_and_the_parent_stays_small() -> None:
    clock = HeldClock()
    (event,) = _answered(ChildReferenceEt(clock), clock, [EXAMPLE_18])
    assert isinstance(event, ReferenceEtKnown)
    assert event.eto_mm == pytest.approx(3.88, abs=0.01)
    assert (event.date, event.method, event.at) == (EXAMPLE_18.date, COMPLETE, NOW.wall)
    assert clock.log == ["hold", "unhold", "wake"]


def test_a_daily_file_becomes_rain_and_reference_et_of_the_days_that_are_over(tmp_path: Path) -> None:
    path = tmp_path / "daily.csv"
    path.write_text(
        "date,t_min_c,t_max_c,rh_min_pct,rh_max_pct,wind_m_s,solar_mj_m2,rain_mm\n"
        "2027-07-06,12.3,21.5,63,84,2.7778,22.07,1.2\n2027-07-07,12.3,21.5,63,84,2.7778,22.07,\n"
    )
    clock = HeldClock()
    feed = CsvWeather(path, ChildReferenceEt(clock), place=PLACE, timezone="UTC")
    (rain,) = feed.drain(NOW)
    assert isinstance(rain, RainKnown)
    assert (rain.date, rain.rain_mm) == (date(2027, 7, 6), 1.2)
    assert clock.woken.wait(60.0)
    (known,) = feed.drain(NOW)
    assert isinstance(known, ReferenceEtKnown)
    assert (known.date, round(known.eto_mm or 0.0, 2), known.method) == (date(2027, 7, 6), 3.88, COMPLETE)


def test_importing_the_live_weather_loads_neither_pandas_nor_pyet() -> None:
    code = (
        "import sys, dewpond.adapters.weather.live\n"
        "print(sorted(m for m in ('pandas', 'pyet', 'xarray', 'requests', 'scipy') if m in sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize(
    ("code", "said"),
    [
        ("raise SystemExit('no such library')", "ended with 1 (no such library)"),
        ("import sys; sys.stdin.read(); print('[')", "answered something unreadable"),
        ("import sys; sys.stdin.read(); print('[]')", "answered other days than were asked"),
        ("import sys; sys.stdin.read(); print('[{\"date\": 3}]')", "answered something unreadable"),
        ("import time; time.sleep(60)", "gave no answer within 0.5 s and was ended"),
    ],
)
def test_a_failing_child_is_replaced_by_the_plain_form_with_a_fault(code: str, said: str) -> None:
    clock = HeldClock()
    asked = ChildReferenceEt(clock, timeout_s=0.5 if "sleep" in code else 30.0, command=(sys.executable, "-c", code))
    fault, known = _answered(asked, clock, [EXAMPLE_18])
    assert isinstance(fault, FaultSeen)
    assert said in fault.text
    assert isinstance(known, ReferenceEtKnown)
    assert known.eto_mm == pytest.approx(3.88, abs=0.01)
    assert known.method == f"{COMPLETE}; own form"
    assert clock.log == ["hold", "unhold", "wake"]


def test_a_command_that_cannot_start_is_a_fault_too() -> None:
    clock = HeldClock()
    fault, known = _answered(ChildReferenceEt(clock, command=("/nowhere/python",)), clock, [EXAMPLE_18])
    assert isinstance(fault, FaultSeen)
    assert isinstance(known, ReferenceEtKnown)


def test_days_without_temperatures_need_no_child() -> None:
    clock = HeldClock()
    asked = ChildReferenceEt(clock, command=("/nowhere/python",))
    (known,) = _answered(asked, clock, [DayWeather(date=date(2027, 7, 6), wind_m_s=3.0)])
    assert isinstance(known, ReferenceEtKnown)
    assert (known.eto_mm, known.method) == (None, NOTHING)


def test_no_days_ask_nothing() -> None:
    clock = HeldClock()
    ChildReferenceEt(clock).ask([], PLACE)
    assert clock.log == []


def test_stop_ends_a_running_child_and_the_day_is_not_lost() -> None:
    clock = HeldClock()
    started = threading.Event()

    class Watched(ChildReferenceEt):
        def _ask_child(self, *arguments: Any) -> Any:
            started.set()
            return super()._ask_child(*arguments)

    asked = Watched(clock, command=(sys.executable, "-c", "import time; time.sleep(60)"))
    asked.ask([EXAMPLE_18], PLACE)
    assert started.wait(10.0)
    asked.stop()
    while not clock.woken.wait(0.05):
        asked.stop()  # the child may have started a moment after the first call
    assert any(isinstance(event, ReferenceEtKnown) for event in asked.drain(NOW))


@pytest.mark.parametrize("bad", [{"latitude_deg": 95.0}, {"wind_height_m": 0.0}])
def test_an_impossible_place_is_refused_where_it_is_named(bad: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=next(iter(bad))):
        Place(**{"latitude_deg": 50.0, "elevation_m": 1.0, **bad})
