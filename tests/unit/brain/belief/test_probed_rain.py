"""Several soil probes as a witness of rain: when they contradict a gauge, say nothing, or stand alone."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from dewpond.brain.belief import probed_rain, rain
from dewpond.brain.belief.probed_rain import Gain
from dewpond.brain.belief.rain import PROBES, ProbedDay, RainMemory

DAY = date(2030, 6, 1)
GAUGE = "rain gauge gauge"


def gain(
    gained_mm: float, *, used_mm: float = 3.0, net_mm: float = 0.0, room_mm: float = 20.0, sd_mm: float = 2.0
) -> Gain:
    risen_mm = gained_mm - used_mm
    return Gain(gained_mm=gained_mm, risen_mm=risen_mm, room_mm=room_mm, sd_mm=sd_mm, net_mm=net_mm, used_mm=used_mm)


def told(gauge_mm: float | None, gains: list[Gain], memory: RainMemory | None = None) -> float | None:
    """The probes' word on a date on which a gauge told of so much, if they have one."""
    memory = rain.heard(memory or RainMemory(), DAY, GAUGE, gauge_mm)
    return probed_rain.with_word(memory, DAY, gains, 0.03).told.get(DAY, {}).get(PROBES)


def test_soils_that_gain_alike_tell_of_rain_that_the_gauge_missed():
    """Worked by hand: of 10 mm of rain 8 mm stay."""
    assert told(0.0, [gain(8.0), gain(8.0), gain(8.0)]) == pytest.approx(10.0)


def test_one_probe_or_one_of_three_is_no_witness():
    assert told(0.0, [gain(12.0)]) is None
    assert told(0.0, [gain(14.0), gain(0.0), gain(0.3)]) is None


def test_probes_that_stand_still_gain_what_is_used_and_tell_of_no_rain():
    assert told(0.0, [gain(6.0, used_mm=6.0) for _ in range(6)]) is None


def test_irrigation_that_probes_exaggerate_threefold_is_no_rain():
    """Worked by hand: 10 mm less 3 mm used, shown as 21 mm, look like 14 mm of rain."""
    assert told(0.0, [gain(14.0, net_mm=10.0) for _ in range(6)]) is None


def test_a_gauge_that_counts_what_no_soil_takes_up_is_denied_and_one_that_counts_rain_is_confirmed():
    assert told(8.0, [gain(0.2) for _ in range(6)]) == 0.0
    assert told(8.0, [gain(6.0) for _ in range(6)]) == 8.0


def test_a_full_soil_says_nothing_of_rain_that_is_told():
    assert told(8.0, [gain(0.0, room_mm=0.0) for _ in range(6)]) is None


def test_two_zones_watered_in_the_night_before_do_not_deny_the_rain_that_found_them_nearly_full():
    """Sound probes and a sound gauge of the demonstration: the room left is no surer than the readings."""
    watered = [
        gain(0.82, used_mm=1.92, net_mm=7.6, room_mm=4.4, sd_mm=2.0),
        gain(-0.49, used_mm=2.55, net_mm=10.7, room_mm=4.0, sd_mm=3.1),
    ]
    assert told(13.6, watered) is None


def test_where_a_feed_speaks_too_the_probes_are_not_asked():
    memory = rain.heard(RainMemory(), DAY, "feed", 0.0)
    assert told(0.0, [gain(8.0) for _ in range(6)], memory) is None


def test_light_rains_add_up_within_days_and_slow_drift_does_not():
    """Of 2.5 mm a day a week's are found out; a drift of 0.0007 m3/m3 a day over 300 mm is 0.2 mm."""
    assert first_day_found(gained_mm=2.0) is not None
    assert first_day_found(gained_mm=0.21) is None


def test_plants_that_use_a_quarter_less_than_thought_are_no_rain_while_their_use_is_unknown():
    assert first_day_found(gained_mm=1.0, use_sd=0.18) is None


def first_day_found(*, gained_mm: float, use_sd: float = 0.03) -> int | None:
    memory = RainMemory()
    for k in range(20):
        day = DAY + timedelta(days=k)
        memory = rain.heard(memory, day, GAUGE, 0.0)
        memory = probed_rain.with_word(memory, day, [gain(gained_mm, used_mm=4.0) for _ in range(6)], use_sd)
        if PROBES in memory.told[day]:
            return k
    return None


def test_what_irrigation_exaggerated_threefold_shows_does_not_add_up():
    day = ProbedDay(unexplained_mm=16.0, wetted_mm=8.0, used_mm=4.0)
    assert not probed_rain._adds_up([day], 0.03)
    assert probed_rain._adds_up([replace(day, wetted_mm=0.0)], 0.03)


def test_a_gauge_that_misses_two_rains_that_probes_saw_is_named_and_then_the_probes_alone_are_heard():
    memory, doubts = RainMemory(), []
    for k in (0, 3):
        day = DAY + timedelta(days=k)
        memory = rain.heard(memory, day, GAUGE, 0.0)
        memory = probed_rain.with_word(memory, day, [gain(8.0) for _ in range(4)], 0.03)
        assert rain.believed_mm(memory, day, 0.0) == 0.0 and rain.disputed_mm(memory, day) == pytest.approx(10.0)
        memory, new = rain.judged(memory, day)
        doubts += new
    assert [doubt.source for doubt in doubts] == [GAUGE]
    day = DAY + timedelta(days=5)
    memory = rain.heard(memory, day, GAUGE, 0.0)
    memory = probed_rain.with_word(memory, day, [gain(12.0) for _ in range(4)], 0.03)
    assert rain.believed_mm(memory, day, 0.0) == pytest.approx(15.0)
    assert rain.by_probes_alone(memory, day)
    assert rain.disputed_mm(memory, day) == pytest.approx(rain.PROBED_DOUBT * 15.0)


def test_without_gauge_or_feed_the_probes_are_the_source():
    memory = probed_rain.with_word(RainMemory(), DAY, [gain(12.0) for _ in range(4)], 0.03)
    assert rain.believed_mm(memory, DAY, 0.0) == pytest.approx(15.0)
    dry = probed_rain.with_word(RainMemory(), DAY, [gain(0.1) for _ in range(4)], 0.03)
    assert rain.believed_mm(dry, DAY, 0.0) == 0.0 and rain.disputed_mm(dry, DAY) == rain.UNSEEN_MM
