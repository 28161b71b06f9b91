"""Saved answers of two services against the values a correct reading yields; units, times, gaps and errors."""

from __future__ import annotations

import copy
import json
import random
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from dewpond.adapters.weather.feeds import met_norway, openmeteo
from dewpond.adapters.weather.feeds.intervals import AnswerError, summary, within_bounds

DATA = Path(__file__).resolve().parents[4] / "data" / "feeds"
OPEN_METEO, MET_NORWAY = "openmeteo_forecast_sample", "metno_locationforecast_compact_sample"
WORDS = ("feed", "semantics", "http_headers_example")  # texts, not figures


def _saved(name: str) -> Any:
    return json.loads((DATA / f"{name}.json").read_text())


def _holds(expected: Any, found: Any, where: str = "") -> None:
    """Every key and figure of ``expected`` stands in ``found``; more keys may."""
    if isinstance(expected, dict):
        for key, value in expected.items():
            assert key in found, f"{where}/{key}"
            _holds(value, found[key], f"{where}/{key}")
    elif isinstance(expected, list):
        assert len(found) == len(expected), where
        for i, value in enumerate(expected):
            _holds(value, found[i], f"{where}[{i}]")
    else:
        assert found == expected, where


@pytest.mark.parametrize(("name", "module"), [(OPEN_METEO, openmeteo), (MET_NORWAY, met_norway)])
def test_every_expected_figure_of_the_saved_answer_is_found(name: str, module: Any) -> None:
    expected = {k: v for k, v in _saved(f"{name}.expected").items() if k not in WORDS}
    _holds(expected, summary(within_bounds(module.parse(_saved(name))), f"{name}.json"))


def test_the_first_hour_of_an_answer_belongs_to_the_evening_before() -> None:
    first = openmeteo.parse(_saved(OPEN_METEO)).intervals[0]
    assert (first.start.isoformat(), first.end.isoformat()) == (
        "2026-05-13T21:00:00+00:00",
        "2026-05-13T22:00:00+00:00",
    )


def test_inches_become_millimetres() -> None:
    answer = _saved(OPEN_METEO)
    plain = openmeteo.parse(answer)
    for name in ("precipitation", "et0_fao_evapotranspiration"):
        answer["hourly_units"][name] = "inch"
        answer["hourly"][name] = [v / 25.4 for v in answer["hourly"][name]]
    inch = openmeteo.parse(answer)
    assert [i.rain_mm for i in inch.intervals] == pytest.approx([i.rain_mm for i in plain.intervals])
    assert [i.et0_mm for i in inch.intervals] == pytest.approx([i.et0_mm for i in plain.intervals])


def test_unix_times_are_gmt_whatever_the_offset() -> None:
    answer = _saved(OPEN_METEO)
    plain = openmeteo.parse(answer)
    answer["hourly_units"]["time"] = "unixtime"
    answer["hourly"]["time"] = [int(i.end.timestamp()) for i in plain.intervals]
    assert summary(openmeteo.parse(answer), "x") == summary(plain, "x")


def test_null_is_unknown_and_no_dry_hour() -> None:
    answer = _saved(OPEN_METEO)
    answer["hourly"]["precipitation"][30:32] = [None, None]
    answer["hourly"]["et0_fao_evapotranspiration"][10] = None
    found = summary(openmeteo.parse(answer), "x")
    assert found["rain_total_mm"] == pytest.approx(8.0 - 0.2 - 1.8)
    assert found["rain_missing_hours"] == 2
    assert found["et0_missing_hours"] == 1
    assert found["et0_total_mm_of_known_hours"] == pytest.approx(13.83 - 0.47)
    assert found["local_day_sums_by_interval"]["2026-05-14"]["et0_missing_hours"] == 1


def test_an_answer_without_hours_is_read_by_its_days() -> None:
    answer = _saved(OPEN_METEO)
    del answer["hourly"]
    found = openmeteo.parse(answer)
    assert [i.rain_mm for i in found.intervals] == [0.4, 6.4, 1.2]
    assert [i.probability_pct for i in found.intervals] == [71, 100, 72]
    assert found.intervals[0].start.isoformat() == "2026-05-13T22:00:00+00:00"
    assert {i.hours for i in found.intervals} == {24.0}


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"error": True, "reason": "Latitude must be in range"}, "Latitude must be in range"),
        ({"hourly": {"time": ["2026-05-14T00:00"], "precipitation": [1, 2]}}, "does not have the 1 values"),
        ({"hourly": {"time": ["2026-05-14T00:00"], "precipitation": ["1"]}}, "neither a number nor null"),
        ({"hourly": {"time": ["yesterday"], "precipitation": [1]}}, "is not a time"),
        ({"hourly": {"time": ["2026-05-14T01:00", "2026-05-14T00:00"], "precipitation": [1, 1]}}, "rising order"),
        ({"hourly": {"precipitation": [1]}}, "is not a list of times"),
        ({"hourly_units": {"precipitation": "furlong"}}, "'furlong' is not a depth"),
        ({"utc_offset_seconds": "2h"}, "utc_offset_seconds"),
        ({"hourly": {}, "daily": 3}, "not an object of columns"),
    ],
)
def test_an_unreadable_openmeteo_answer_says_why(change: dict[str, Any], said: str) -> None:
    with pytest.raises(AnswerError) as refused:
        openmeteo.parse({**_saved(OPEN_METEO), **change})
    assert said in str(refused.value)


@pytest.mark.parametrize("answer", [None, [], {}, {"properties": {}}, {"properties": {"timeseries": [{}]}}, [1, 2]])
def test_a_document_of_another_form_is_refused_by_both(answer: Any) -> None:
    for module in (openmeteo, met_norway):
        with pytest.raises(AnswerError):
            module.parse(answer)


def _met(*steps: tuple[str, dict[str, Any]], **units: str) -> dict[str, Any]:
    series = [{"time": t, "data": {k: {"details": v} for k, v in periods.items()}} for t, periods in steps]
    return {"properties": {"meta": {"units": units}, "timeseries": series}}


ONE = {"next_1_hours": {"precipitation_amount": 1.0, "probability_of_precipitation": 80.0}}
SIX = {"next_6_hours": {"precipitation_amount": 6.0}}


def _damaged(value: Any, luck: random.Random) -> Any:
    """The document with one place of it replaced by something else."""
    nonsense = luck.choice([None, "", "x", [], {}, True, -1e308, float("nan"), float("inf"), 1e30, "0001-01-01T00:00"])
    if isinstance(value, dict) and value:
        key = luck.choice(sorted(value))
        return {**value, key: luck.choice([nonsense, _damaged(value[key], luck), _damaged(value[key], luck)])}
    if isinstance(value, list) and value:
        at = luck.randrange(len(value))
        return [*value[:at], luck.choice([nonsense, _damaged(value[at], luck)]), *value[at + 1 :]]
    return nonsense


@pytest.mark.parametrize(("name", "module"), [(OPEN_METEO, openmeteo), (MET_NORWAY, met_norway)])
def test_a_damaged_answer_is_read_or_refused_but_never_breaks_the_reader(name: str, module: Any) -> None:
    luck, whole = random.Random(5), _saved(name)  # noqa: S311 - a seeded walk through damages
    refused = 0
    for _ in range(400):
        try:
            answer = within_bounds(
                module.parse(_damaged(_damaged(whole, luck), luck)), datetime(2026, 5, 14, tzinfo=UTC)
            )
            json.dumps(summary(answer, name), allow_nan=False)
        except AnswerError:
            refused += 1
    assert 50 < refused < 390


def test_the_shortest_period_that_reaches_the_next_stamp_is_used() -> None:
    found = met_norway.parse(
        _met(
            ("2026-05-14T00:00:00Z", {**ONE, **SIX}),
            ("2026-05-14T01:00:00Z", {**ONE, **SIX}),  # one hour does not reach 03:00, six are cut there
            ("2026-05-14T03:00:00Z", SIX),
            ("2026-05-14T09:00:00Z", {}),
        )
    )
    assert [(i.hours, i.rain_mm) for i in found.intervals] == [(1.0, 1.0), (2.0, 2.0), (6.0, 6.0)]
    assert [i.probability_pct for i in found.intervals] == [80.0, None, None]
    assert found.has_probability


def test_a_short_period_alone_leaves_the_rest_of_a_gap_unknown() -> None:
    found = met_norway.parse(_met(("2026-05-14T00:00:00Z", ONE), ("2026-05-14T06:00:00Z", ONE)))
    assert [(i.start.hour, i.hours) for i in found.intervals] == [(0, 1.0), (6, 1.0)]


def test_a_null_amount_is_no_interval() -> None:
    answer = _met(("2026-05-14T00:00:00Z", {"next_1_hours": {"precipitation_amount": None}}))
    assert met_norway.parse(answer).intervals == ()


def test_hours_of_air_need_the_units_they_are_read_in() -> None:
    answer = _saved(MET_NORWAY)
    hours = met_norway.hours(answer)
    assert (hours[0].air_temperature_c, hours[0].relative_humidity_pct, hours[0].wind_speed_m_s) == (8.1, 86.6, 4.4)
    assert len(hours) == 18
    other = copy.deepcopy(answer)
    other["properties"]["meta"]["units"]["air_temperature"] = "fahrenheit"
    with pytest.raises(AnswerError, match="'fahrenheit' is not celsius"):
        met_norway.hours(other)
