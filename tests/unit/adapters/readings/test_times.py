"""When a message says it was measured. Clock changes are those of the IANA time zone database."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from dewpond.adapters.readings.pointer import ABSENT
from dewpond.adapters.readings.times import SENML_ABSOLUTE_S, Stamp, TimeRule, read_stamp

NOON = datetime(2026, 5, 14, 12, 0, tzinfo=UTC)
BERLIN = TimeRule(format="iso_local", zone=ZoneInfo("Europe/Berlin"))


def read(form: str, raw: object, received_at: datetime = NOON) -> Stamp | None:
    return read_stamp(TimeRule(format=form), raw, received_at)


@pytest.mark.parametrize(
    ("form", "raw", "iso"),
    [
        ("iso", "2026-05-14T08:12:44+02:00", "2026-05-14T06:12:44+00:00"),
        ("iso", "2026-05-14T09:00:03.201Z", "2026-05-14T09:00:03.201000+00:00"),
        ("iso", " 20260514T090003Z ", "2026-05-14T09:00:03+00:00"),
        ("unix_s", 1778817300, "2026-05-15T03:55:00+00:00"),
        ("unix_s", "1778817300.5", "2026-05-15T03:55:00.500000+00:00"),
        ("unix_ms", 1778817300250, "2026-05-15T03:55:00.250000+00:00"),
        ("pws", "2026-05-14 09:30:00", "2026-05-14T09:30:00+00:00"),
        ("senml", 1.276020076001e09, "2010-06-08T18:01:16.001000+00:00"),  # the instant RFC 8428 section 5.1.2 names
    ],
)
def test_own_time(form: str, raw: object, iso: str) -> None:
    assert read(form, raw) == Stamp(datetime.fromisoformat(iso), own=True)


@pytest.mark.parametrize(
    ("form", "raw"), [("pws", "now"), ("iso", None), ("unix_s", ABSENT), ("iso", " "), ("pws", "NOW")]
)
def test_no_time_of_its_own_is_the_time_of_arrival(form: str, raw: object) -> None:
    assert read(form, raw) == Stamp(NOON, own=False)


@pytest.mark.parametrize(
    ("form", "raw"),
    [
        ("iso", "2026-05-14T08:12:44"),  # no offset, no zone: nobody knows when
        ("iso", "2026-05-14"),
        ("iso", "yesterday at noon"),
        ("iso", 1778817300),
        ("iso", "0001-01-01T00:00:00+14:00"),
        ("unix_s", "soon"),
        ("unix_s", True),
        ("unix_s", 1e18),
        ("unix_s", -1e300),
        ("unix_ms", 10**400),
        ("senml", -1e15),
        ("unix_s", {}),
    ],
)
def test_time_that_cannot_be_read_is_none(form: str, raw: object) -> None:
    assert read(form, raw) is None


def test_senml_time_below_the_border_counts_from_reception() -> None:
    assert read("senml", -60) == Stamp(NOON - timedelta(seconds=60), own=False)
    assert read("senml", 0) == Stamp(NOON, own=False)
    border = read("senml", SENML_ABSOLUTE_S)
    assert border is not None
    assert border.own


@pytest.mark.parametrize(
    ("received", "chosen"),
    [
        ("2026-10-25T00:31:00+00:00", "2026-10-25T00:30:00+00:00"),
        ("2026-10-25T01:31:00+00:00", "2026-10-25T01:30:00+00:00"),
    ],
)
def test_hour_shown_twice_in_autumn_is_the_one_nearest_to_reception(received: str, chosen: str) -> None:
    stamp = read_stamp(BERLIN, "2026-10-25T02:30:00", datetime.fromisoformat(received))
    assert stamp == Stamp(datetime.fromisoformat(chosen), own=True)


def test_hour_skipped_in_spring_still_gives_an_instant_near_reception() -> None:
    received = datetime(2026, 3, 29, 1, 30, 5, tzinfo=UTC)
    stamp = read_stamp(BERLIN, "2026-03-29T02:30:00", received)
    assert stamp == Stamp(datetime(2026, 3, 29, 1, 30, tzinfo=UTC), own=True)


def test_offset_in_the_text_beats_the_zone_of_the_mapping() -> None:
    assert read_stamp(BERLIN, "2026-05-14T06:35:02Z", NOON) == Stamp(
        datetime(2026, 5, 14, 6, 35, 2, tzinfo=UTC), own=True
    )
