"""Counters and increments: every litre and millimetre once, whatever order the messages come in."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dewpond.adapters.readings.counters import (
    REFUSED_IN_A_ROW,
    REMEMBERED,
    Counted,
    Memory,
    admit,
    advance,
    refuse_step,
)
from dewpond.adapters.readings.times import Stamp

NOON = datetime(2026, 5, 14, 12, 0, tzinfo=UTC)


def at(minutes: float, *, own: bool = True) -> Stamp:
    return Stamp(NOON + timedelta(minutes=minutes), own)


def count(memory: Memory | None, raw: float, stamp: Stamp, **rule: float | None) -> Counted:
    whole = {"scale": 1.0, "rollover": None, "max_step": None} | rule
    return advance(memory, raw, stamp, stamp.at, **whole)  # type: ignore[arg-type]


def test_amount_covers_the_time_since_the_sample_before() -> None:
    first = count(None, 100, at(0))
    assert (first.amount, first.quality) == (None, "baseline")
    second = count(first.memory, 140, at(5), scale=0.5)
    assert (second.amount, second.quality, second.window_s) == (20.0, "good", 300.0)


def test_fall_within_the_declared_step_is_a_roll_over_and_beyond_it_a_reset() -> None:
    memory = Memory(raw=65_530, at=NOON)
    assert count(memory, 4, at(5), scale=0.2, rollover=65_536, max_step=20).quality == "rollover"
    assert count(memory, 4, at(5), scale=0.2, rollover=65_536, max_step=1.9).quality == "reset"
    assert count(memory, 4, at(5), scale=0.2).quality == "reset"


def test_roll_over_without_a_declared_step_goes_through_at_most_half_the_span() -> None:
    assert count(Memory(raw=65_530, at=NOON), 4, at(5), rollover=65_536).amount == 10.0
    assert count(Memory(raw=9, at=NOON), 4, at(5), rollover=65_536).quality == "reset"


def test_arrival_is_an_order_of_its_own_so_nothing_without_own_time_is_late() -> None:
    stepped_back = count(Memory(raw=10, at=NOON), 12, at(-60, own=False))
    assert (stepped_back.amount, stepped_back.quality, stepped_back.window_s) == (2.0, "good", 0.0)


def test_counter_last_seen_in_a_future_that_our_clock_left_starts_anew() -> None:
    memory = Memory(raw=10, at=NOON + timedelta(days=3650))
    assert count(memory, 12, at(0)).quality == "baseline"


def test_late_sample_leaves_the_counter_untouched() -> None:
    memory = Memory(raw=10, at=NOON)
    late = count(memory, 8, at(-3))
    assert (late.amount, late.quality, late.memory) == (None, "late", memory)


def test_real_jump_does_not_block_the_counter_for_ever() -> None:
    memory = Memory(raw=10, at=NOON)
    for number in range(REFUSED_IN_A_ROW - 1):
        memory = refuse_step(memory, 1e9 + number, at(number))
        assert memory.raw == 10
    assert refuse_step(memory, 2e9, at(9)) == Memory(raw=2e9, at=at(9).at)


@settings(max_examples=60, deadline=None, derandomize=True, database=None)
@given(
    st.lists(st.tuples(st.integers(0, 500), st.integers(0, 59)), min_size=1, max_size=40),
    st.randoms(use_true_random=False),
)
def test_increments_add_up_once_in_any_order_with_any_repetition(tips: list[tuple[int, int]], chance: object) -> None:
    sent = {minute: float(amount) for amount, minute in tips}
    deliveries = [*sent.items(), *sent.items()]
    chance.shuffle(deliveries)  # type: ignore[attr-defined]
    memory, total = None, 0.0
    for minute, raw in deliveries:
        counted = admit(memory, raw, at(minute), scale=0.2)
        memory = counted.memory
        total += counted.amount or 0.0
    assert total == pytest.approx(sum(sent.values()) * 0.2)


def test_increments_remember_a_limited_number_and_ignore_what_is_older() -> None:
    memory = None
    for minute in range(REMEMBERED + 50):
        memory = admit(memory, 1.0, at(minute), scale=1.0).memory
    assert memory is not None
    assert len(memory.recent) == REMEMBERED
    assert admit(memory, 1.0, at(3), scale=1.0).quality == "late"


def test_increment_without_own_time_covers_the_time_since_the_one_before() -> None:
    first = admit(None, 3.0, at(0, own=False), scale=2.0)
    assert (first.amount, first.window_s) == (6.0, 0.0)
    assert admit(first.memory, 3.0, at(1, own=False), scale=2.0).window_s == 60.0
