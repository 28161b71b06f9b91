"""Forecasts in the brain: their ages, what they earn beside a gauge, and what they change tonight."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from sites import site
from small_world import SmallWorld

from dewpond.brain.local_time import LocalDays
from dewpond.brain.rules import forecasts
from dewpond.brain.state import State
from dewpond.model.codec import from_plain, to_plain
from dewpond.model.events import ForecastDay, ForecastKnown, RainKnown, ReferenceEtKnown
from dewpond.science.weather_futures import Futures

DAYS = LocalDays("UTC")
ISSUED = datetime(2026, 7, 3, 6, tzinfo=UTC)
FIRST = date(2026, 7, 4)
RECORD_MM = np.zeros(60)
DRAWN = Futures(np.full((64, 14), 5.0), np.tile([0.0, 4.0], (64, 7)))


def known_of(*rain_mm: float | None, issued: datetime = ISSUED, source: str = "north", known=None, eto_mm=None):
    day = issued.date() + timedelta(days=1)
    days = tuple(ForecastDay(date=day + timedelta(days=n), rain_mm=mm, eto_mm=eto_mm) for n, mm in enumerate(rain_mm))
    event = ForecastKnown(at=issued, issued_at=issued, source=source, days=days)
    return forecasts.learn(known or {}, event, DAYS, issued.timestamp())


def at(hours: float) -> float:
    return (ISSUED + timedelta(hours=hours)).timestamp()


def blended(known, hours: float) -> Futures:
    return forecasts.blend(DRAWN, forecasts.choose(known, at(hours)), DAYS, FIRST, 1, rain_counts=True)


def after_days(said_mm, fell_mm, *, told_by: str = "gauge", known=None, start: datetime = ISSUED):
    """What is known of a source after days of saying and measuring."""
    known = known or {}
    for n, (said, fell) in enumerate(zip(said_mm, fell_mm, strict=True)):
        issued = start + timedelta(days=n)
        known = known_of(said, issued=issued, known=known)
        known = forecasts.check_rain(known, issued.date() + timedelta(days=1), fell, told_by, RECORD_MM)
    return known


def test_no_forecast_leaves_the_records_futures_alone() -> None:
    assert blended({}, 0.0) is DRAWN
    assert forecasts.described(None) == ""


def test_a_fresh_forecast_is_followed_a_stale_one_less_and_an_expired_one_not() -> None:
    known = known_of(0.0, 0.0)
    followed = [(blended(known, hours).rain_mm[:, 1] == 0.0).sum() for hours in (3.0, 30.0, 49.0)]
    assert followed[0] > followed[1] > followed[2] == 0
    assert [forecasts.choose(known, at(hours)) is None for hours in (3.0, 30.0, 49.0)] == [False, False, True]


def test_inputs_say_age_source_and_figures() -> None:
    (told,) = forecasts.inputs(known_of(0.0, 12.0), DAYS, at(3.0))
    assert told.name == "forecast of 2026-07-03 06:00 UTC, 3 h old"
    assert (told.value, told.unit) == (12.0, "mm")
    assert told.source.startswith("north: 12 mm by Sunday; fresh")
    (stale,) = forecasts.inputs(known_of(0.0, 12.0), DAYS, at(30.0))
    assert "; stale, " in stale.source
    (expired,) = forecasts.inputs(known_of(0.0, 12.0), DAYS, at(49.0))
    assert "expired, not used; the days ahead are drawn from the record alone" in expired.source


def test_days_without_a_word_are_not_told_as_dry() -> None:
    (told,) = forecasts.inputs(known_of(None, None, eto_mm=4.0), DAYS, at(3.0))
    assert told.value is None
    assert "no word on the rain" in told.source


def test_an_issue_from_the_future_or_older_than_the_last_is_not_taken_up() -> None:
    event = ForecastKnown(at=ISSUED, issued_at=ISSUED + timedelta(hours=2), source="north", days=())
    assert forecasts.learn({}, event, DAYS, ISSUED.timestamp()) == {}
    known = known_of(5.0)
    assert known_of(9.0, issued=ISSUED - timedelta(hours=6), known=known) is known


def test_a_date_has_lead_one_when_it_begins_within_a_day() -> None:
    leads = [forecasts.lead_days(DAYS, ISSUED.timestamp(), ISSUED.date() + timedelta(days=n)) for n in range(4)]
    assert leads == [1, 1, 2, 3]


def test_a_source_that_keeps_its_promises_is_fully_believed() -> None:
    trust = after_days([0.0, 10.0] * 10, [0.0, 8.0] * 10)["north"].trust
    assert trust.checked_days == 20
    assert trust.rain_belief()[0] == 1.0


def test_until_it_was_checked_a_source_is_believed_less() -> None:
    assert known_of(5.0)["north"].trust.rain_belief()[0] == pytest.approx(0.8)


@pytest.mark.parametrize("good_days", [0, 60])
def test_rain_that_is_promised_and_does_not_fall_is_believed_for_two_days_at_most(good_days: int) -> None:
    known = after_days([0.0, 10.0] * (good_days // 2), [0.0, 8.0] * (good_days // 2))
    start = ISSUED + timedelta(days=good_days)
    belief = [after_days([30.0] * lies, [0.0] * lies, known=known, start=start)["north"].trust for lies in (1, 2, 3)]
    assert belief[1].rain_belief()[0] <= 0.2
    assert belief[2].rain_belief()[0] == 0.0
    lied = after_days([30.0] * 3, [0.0] * 3, known=known, start=start)
    ((name, sentence),) = forecasts.doubted(lied)
    assert name == "north"
    assert "hardly believed here: on the last" in sentence


def test_a_source_that_never_sees_rain_coming_is_doubted() -> None:
    known = after_days([0.0] * 24, [9.0, 0.0, 12.0] * 8)
    assert known["north"].trust.rain_belief()[0] < 0.25
    assert forecasts.doubted(known)


def test_a_doubted_source_earns_belief_again() -> None:
    known = after_days([30.0] * 3, [0.0] * 3)
    known = after_days([0.0, 10.0] * 25, [0.0, 9.0] * 25, known=known, start=ISSUED + timedelta(days=3))
    assert known["north"].trust.rain_belief()[0] > 0.9


def test_a_services_own_word_on_the_past_checks_nothing() -> None:
    trust = after_days([30.0] * 9, [30.0] * 9, told_by="north, weather model")["north"].trust
    assert trust.checked_days == 0


def test_a_day_whose_rain_was_not_measured_checks_nothing() -> None:
    assert after_days([30.0], [None])["north"].trust.checked_days == 0


def test_of_two_sources_the_one_that_is_believed_more_is_used() -> None:
    known = after_days([0.0, 10.0] * 4, [0.0, 8.0] * 4)
    last = ISSUED + timedelta(days=7)
    known = known_of(30.0, issued=last, source="south", known=known)
    chosen = forecasts.choose(known, last.timestamp())
    assert chosen is not None
    assert chosen.source.last.source == "north"


@pytest.mark.parametrize("said_mm", [0.0, 19.0])
def test_absurd_eto_loses_its_weight_at_the_first_check(said_mm: float) -> None:
    known = known_of(0.0, eto_mm=said_mm)
    fact = ReferenceEtKnown(at=ISSUED, date=FIRST, eto_mm=6.0, method="Penman-Monteith", sd_mm=0.3)
    known = forecasts.check_eto(known, fact, 5.5)
    assert known["north"].trust.eto_belief()[0] == 0.0
    assert "reference ET" in forecasts.doubted(known)[0][1]


def test_where_rain_is_never_heard_of_no_future_brings_any() -> None:
    dry = Futures(DRAWN.eto_mm, np.zeros((64, 14)))
    chosen = forecasts.choose(known_of(20.0, 20.0), at(1.0))
    assert not forecasts.blend(dry, chosen, DAYS, FIRST, 1, rain_counts=False).rain_mm.any()


def _world() -> SmallWorld:
    return SmallWorld(site())


def test_a_forecast_is_in_the_reasons_of_the_night_and_outlives_a_snapshot() -> None:
    world = _world()
    days = tuple(ForecastDay(date=date(2026, 6, day), rain_mm=0.0, eto_mm=5.0) for day in range(2, 9))
    world.tell(ForecastKnown(at=world.now.wall, issued_at=world.now.wall, source="north", days=days, raw_ref="a.gz"))
    world.plan()
    (reason, *_) = world.state.reasons.values()
    (told,) = [item for item in reason.inputs if item.name.startswith("forecast of")]
    assert told.source.endswith("answer kept as a.gz")
    assert any("the first days by the fresh forecast of north" in item.source for item in reason.inputs)
    again = from_plain(State, json.loads(json.dumps(to_plain(world.state))))
    assert to_plain(again) == to_plain(world.state)
    assert (again.forecasts["north"].trust.rain_error == world.state.forecasts["north"].trust.rain_error).all()


def test_a_lying_source_is_named_as_a_fault_of_the_service() -> None:
    world = _world()
    for day in range(1, 4):
        said = (ForecastDay(date=date(2026, 6, day + 1), rain_mm=30.0),)
        issued = datetime(2026, 6, day, 18, tzinfo=UTC)
        world.until((issued - datetime(2026, 6, 1, 5, tzinfo=UTC)).total_seconds() / 3600.0)
        world.tell(ForecastKnown(at=issued, issued_at=issued, source="north", days=said))
        world.until((issued - datetime(2026, 6, 1, 5, tzinfo=UTC)).total_seconds() / 3600.0 + 12.0)
        world.tell(RainKnown(at=world.now.wall, date=date(2026, 6, day + 1), rain_mm=0.0, source="gauge"))
    assert "hardly believed" in world.state.alarms["fault/forecast of north"].sentence
