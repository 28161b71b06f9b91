"""The demonstration's last words: every night's reasons, and one line a zone with its water."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta

from dewpond.model.commands import RecordRun
from dewpond.model.reasons import ZoneReason
from dewpond.settings.site_file import require_site
from dewpond_sim import demo_place
from dewpond_sim.demo_report import DemoRecords, report_lines

SITE = require_site(demo_place.site_file())
START = datetime(2027, 7, 9, tzinfo=UTC)


def a_run(zone: str, litres: float, cause: str = "refill") -> RecordRun:
    return RecordRun(
        run_id=f"{zone}-{litres}",
        zone=zone,
        start=START,
        end=START + timedelta(minutes=10),
        seconds=600.0,
        gross_mm=4.2,
        litres=litres,
        cause=cause,
    )


def a_reason(zone: str, night: date, summary: str) -> ZoneReason:
    return ZoneReason(
        zone=zone,
        window_date=night,
        decided_at=START,
        decision="water",
        rule="refill",
        summary=summary,
        depletion_mm=9.0,
        depletion_sd_mm=1.0,
        depletion_after_mm=2.0,
        raw_mm=11.0,
        taw_mm=22.0,
        net_mm=7.0,
        gross_mm=9.0,
        seconds=900.0,
    )


def test_every_zone_has_a_line_with_its_litres():
    runs = [a_run("front-lawn", 1200.4), a_run("front-lawn", 300.0, "by hand"), a_run("hedge", 88.0)]
    lines = report_lines(SITE, DemoRecords(runs, []))
    tail = lines[-len(SITE.zones) :]
    for zone, line in zip(SITE.zones, tail, strict=True):
        assert zone.name in line
        assert re.search(r"\d L\b", line)
    assert "1,500 L" in tail[0]
    assert "8.4 mm  2 openings, 20 min, by hand, refill" in tail[0]
    assert "0 L" in tail[1]
    assert "no opening" in tail[1]


def test_nights_come_in_order_with_the_zones_in_the_order_of_the_site():
    first, second = date(2027, 7, 8), date(2027, 7, 9)
    reasons = [
        a_reason("hedge", second, "left dry"),
        a_reason("hedge", first, "watered a little"),
        a_reason("front-lawn", first, "watered"),
    ]
    lines = report_lines(SITE, DemoRecords([], reasons))
    assert lines[:5] == [
        "Night of Thursday 8 July 2027",
        "  Front lawn: watered",
        "  Hedge and shrubs: watered a little",
        "Night of Friday 9 July 2027",
        "  Hedge and shrubs: left dry",
    ]


def test_a_demonstration_too_short_for_a_night_says_so():
    assert report_lines(SITE, DemoRecords([], []))[0] == "No night has been decided yet."
