"""Two words on one day's rain: who is believed, who is found out, and who is heard again."""

from __future__ import annotations

from datetime import date, timedelta

from dewpond.brain.belief.rain import RainMemory, believed_mm, disputed_mm, heard, judged

GAUGE, FEED = "rain gauge yard", "a feed"
FIRST = date(2026, 5, 1)


def days(pairs, memory=RainMemory()):  # noqa: B008 - frozen
    """Dates of (gauge, feed) rain, each closed; the memory and what was told."""
    told = []
    for ahead, (gauge_mm, feed_mm) in enumerate(pairs):
        day = FIRST + timedelta(days=ahead)
        memory = heard(heard(memory, day, GAUGE, gauge_mm), day, FEED, feed_mm)
        memory, doubts = judged(memory, day)
        told += doubts
    return memory, told


def test_sources_that_agree_leave_the_ledgers_word():
    memory, told = days([(10.4, 12.0)])
    assert believed_mm(memory, FIRST, 10.4) == 10.4 and told == []


def test_of_two_that_differ_the_smaller_is_believed():
    memory, _ = days([(0.0, 6.0)])
    assert believed_mm(memory, FIRST, 0.0) == 0.0
    memory, _ = days([(30.0, 0.0)])
    assert believed_mm(memory, FIRST, 30.0) == 0.0


def test_a_gauge_that_misses_two_separate_rains_is_given_up_and_the_feed_used():
    memory, told = days([(0.0, 8.0), (0.0, 0.0), (0.0, 7.0)])
    assert [(doubt.source, bool(doubt.why)) for doubt in told] == [(GAUGE, True)]
    assert believed_mm(memory, FIRST + timedelta(days=2), 0.0) == 7.0


def test_one_rain_of_several_days_is_one_rain_and_one_great_rain_is_enough():
    assert days([(0.0, 6.0), (0.0, 7.0)])[1] == []
    assert len(days([(0.0, 15.0)])[1]) == 1


def test_a_gauge_that_counts_on_dry_days_is_given_up():
    memory, told = days([(4.0, 0.0)] * 4)
    assert [doubt.source for doubt in told] == [GAUGE]
    assert believed_mm(memory, FIRST + timedelta(days=3), 4.0) == 0.0


def test_a_feed_that_rains_on_and_on_over_a_dry_gauge_is_given_up():
    _, told = days([(0.0, 3.0)] * 6)
    assert [doubt.source for doubt in told] == [FEED]


def test_a_gauge_is_heard_again_once_it_tips_with_the_feed():
    _, told = days([(0.0, 15.0), (6.0, 7.0), (0.0, 0.0), (3.0, 4.0), (9.0, 8.0)])
    assert [(doubt.source, bool(doubt.why)) for doubt in told] == [(GAUGE, True), (GAUGE, False)]


def test_one_source_alone_is_used_and_doubted_when_every_day_is_the_same():
    memory, told = RainMemory(), []
    for ahead in range(14):
        day = FIRST + timedelta(days=ahead)
        memory = heard(memory, day, GAUGE, 5.0)
        memory, doubts = judged(memory, day)
        told += doubts
    assert len(told) == 1 and told[0].doubted and believed_mm(memory, day, 5.0) == 5.0


def test_a_missing_measurement_is_no_word():
    memory = heard(RainMemory(), FIRST, GAUGE, None)
    assert memory.told == {} and believed_mm(memory, FIRST, 3.0) == 3.0


def test_what_two_sources_dispute_is_doubt_of_that_day():
    memory, _ = days([(0.0, 6.0), (10.0, 11.0)])
    assert disputed_mm(memory, FIRST) == 6.0
    assert disputed_mm(memory, FIRST + timedelta(days=1)) == 0.0
    assert disputed_mm(memory, FIRST + timedelta(days=9)) == 0.0


def test_a_gauge_that_counts_the_same_every_day_is_given_up_whatever_the_weather():
    _, told = days([(2.0, 0.0), (2.0, 8.0), (2.0, 0.0), (2.0, 0.0), (2.0, 0.0)])
    assert [(doubt.source, bool(doubt.why)) for doubt in told] == [(GAUGE, True)]


def alone(words):
    memory, told = RainMemory(), []
    for ahead, mm in enumerate(words):
        day = FIRST + timedelta(days=ahead)
        memory, doubts = judged(heard(memory, day, GAUGE, mm), day)
        told += doubts
    return memory, told


def test_one_source_alone_that_stays_dry_far_longer_than_ever_is_doubted_and_still_used():
    _, told = alone([5.0, 0.0, 0.0, 0.0] * 8 + [0.0] * 60)
    assert len(told) == 1 and told[0].doubted and "no rain for 45 days" in told[0].why


def test_a_dry_spell_of_a_dry_place_is_no_news():
    assert alone([5.0, *[0.0] * 20] * 7 + [0.0] * 30)[1] == []
    assert alone([0.0] * 120)[1] == []


def test_a_doubt_about_one_source_alone_ends_when_it_rains_again():
    _, told = alone([5.0, 0.0, 0.0, 0.0] * 8 + [0.0] * 60 + [4.0])
    assert [bool(doubt.why) for doubt in told] == [True, False]
