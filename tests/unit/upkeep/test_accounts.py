"""Litres, need, allowance, savings and money from a season of records; the published worksheet stands in science."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
import sites
from tests.unit.upkeep.season_of_water import BREAK_L, METER_SHARE, cut, season

from dewpond.model.site import Supply
from dewpond.upkeep import accounts
from dewpond.upkeep.accounts import tariff, yardsticks
from dewpond.upkeep.accounts.records import Records, months_of, year_before
from dewpond.upkeep.accounts.report_page import on_record
from dewpond.upkeep.accounts.volumes import Litres, volumes
from dewpond.upkeep.rule_log import Span

CHICAGO = ZoneInfo("America/Chicago")
METERED = Supply(id="main", source="potable", capacity_l_min=60.0, meter="meter", meter_pulse_l=1.0)
PRICES = tariff.Tariff(currency="EUR", unit="m3", fixed=9.0, tiers=(tariff.Tier(10.0, 2.0), tariff.Tier(None, 3.0)))


def a_site(**changes):
    zones = (sites.zone("lawn"), sites.zone("beds", output=2, area_m2=30.0))
    return sites.site(*zones, **{"supplies": (METERED,), **changes})


@pytest.fixture(scope="module")
def site():
    return a_site()


@pytest.fixture(scope="module")
def whole(site):
    return season(site, date(2026, 3, 1), date(2027, 6, 30))


def made(site, whole, first, last, **agreed):
    span = Span(first, last, CHICAGO)
    return accounts.report(site, span, lambda wanted, decisions=True: cut(whole, wanted), accounts.Agreed(**agreed))


JUNE = (date(2027, 6, 1), date(2027, 6, 30))


def test_litres_are_the_meters_where_it_serves_the_irrigation_alone(site, whole):
    body = made(site, whole, *JUNE)
    runs = cut(whole, Span(*JUNE, CHICAGO)).runs
    assert body["litres"] == pytest.approx(sum(run.litres for run in runs) * METER_SHARE)
    assert body["source"] == "metered" and body["doubt_l"] == pytest.approx(0.02 * body["litres"])
    assert body["litres"] == pytest.approx(sum(zone["litres"] for zone in body["zones"]))
    assert body["litres"] == pytest.approx(sum(day["litres"] for day in body["series"]))


def test_a_meter_shared_with_the_house_leaves_the_zones_to_computing(whole):
    shared = a_site(supplies=(replace(METERED, shared_with_house=True),))
    body = made(shared, whole, *JUNE)
    runs = cut(whole, Span(*JUNE, CHICAGO)).runs
    assert body["source"] == "computed" and body["litres"] == pytest.approx(sum(run.litres for run in runs))
    assert body["supplies"][0]["counted_l"] > body["litres"]


def test_an_unfed_opening_books_no_water_whatever_was_computed(site):
    run = season(site, *JUNE).runs[0]
    unfed = replace(run, metered_litres=None, note="no water; nothing is booked as applied")
    shown = volumes(site, Records(span=Span(*JUNE, CHICAGO), runs=[unfed]))
    assert shown.total == Litres()


def test_water_that_meets_the_need_is_the_need_within_a_refill(site, whole):
    body = made(site, whole, date(2027, 4, 1), date(2027, 6, 30))
    # Metered 3 % more, and at most one refill of each zone (RAW over efficiency) may lie on either side of the ends.
    refills_l = sum(zone.raw_mm / zone.efficiency * zone.area_m2 for zone in site.zones)
    assert body["litres"] / METER_SHARE == pytest.approx(body["need_l"], abs=refills_l)


def test_months_and_supply_add_up_to_the_whole(site, whole):
    body = made(site, whole, date(2027, 4, 1), date(2027, 6, 30))
    assert [month["month"] for month in body["months"]] == ["2027-04", "2027-05", "2027-06"]
    assert sum(month["litres"] for month in body["months"]) == pytest.approx(body["litres"])
    assert sum(month["litres"] for month in body["supplies"][0]["months"]) == pytest.approx(body["litres"])


def test_the_allowance_is_the_formula_of_the_ordinance_over_the_spans_et(site, whole):
    # 23 CCR 490 ff., worksheet: MAWA = ETo (ETAF LA + (1 - ETAF) SLA); here in mm, m2 and L.
    body = made(site, whole, *JUNE, special=("beds",))
    allowed = body["allowance"]
    assert allowed["litres"] == pytest.approx(allowed["eto_mm"] * (0.55 * 90.0 + 0.45 * 30.0))
    assert allowed["used_share"] == pytest.approx(body["litres"] / allowed["litres"])
    assert sum(day["allowance_l"] for day in body["series"]) == pytest.approx(allowed["litres"])


def test_without_a_ledger_need_and_allowance_are_unknown_not_nothing(site):
    span = Span(*JUNE, CHICAGO)
    body = accounts.report(site, span, accounts.nothing_kept, accounts.Agreed())
    assert body["need_l"] is None and body["allowance"]["used_share"] is None and body["comparisons"] == []
    assert "Nothing ran" in accounts.report_page(body)


def test_water_of_days_without_a_ledger_is_used_but_held_against_nothing(site, whole):
    known = [row for row in whole.days if row.date.day <= 20]
    body = made(site, replace(whole, days=known), *JUNE)
    early = made(site, whole, JUNE[0], date(2027, 6, 20))
    assert body["litres"] > body["litres_known"] == pytest.approx(early["litres"])
    assert body["allowance"]["used_share"] == pytest.approx(early["allowance"]["used_share"])
    assert body["comparisons"][0]["saved_l"] == pytest.approx(early["comparisons"][0]["saved_l"], rel=0.05)
    assert "10 of 30 days have no ledger yet" in accounts.report_page(body)


def test_drawings_begin_with_the_record(site, whole):
    late = replace(whole, days=[row for row in whole.days if row.date.day > 12], runs=whole.runs[-1:])
    body = made(site, late, *JUNE)
    assert len(body["series"]) == 30 and len(on_record(body["series"])) == 18
    assert "Jun 2027" not in accounts.report_page(body) and ">13 Jun<" in accounts.report_page(body)


def test_a_day_of_unknown_et_counts_for_nothing(site, whole):
    rows = [replace(row, etc_mm=math.nan, eto_mm=math.nan) for row in whole.days if row.date == JUNE[0]]
    assert yardsticks.need_l(site, rows) == {}
    assert yardsticks.allowance(site, rows, Litres()).litres is None


def test_the_timer_is_set_once_for_the_thirtiest_days_and_needs_a_record(site, whole):
    peak = yardsticks.peak_mm_d(whole.days, "lawn")
    june = [row.etc_mm for row in whole.days if row.zone == "lawn" and row.date >= JUNE[0]]
    assert sum(june) / 30 - 0.05 <= peak <= max(june)
    assert yardsticks.peak_mm_d(whole.days[:9], "lawn") is None
    assert yardsticks.days_set_for(whole.days) == 30 and yardsticks.days_set_for(whole.days[:12]) == 12
    assert "for the 12 days of highest" in yardsticks.against_timer(1.0, 9, Litres(), set_for_days=12).method
    per_day = yardsticks.timer_l_d(site, whole.days)
    assert per_day == pytest.approx(peak / 0.75 * 90.0)


def test_a_saving_is_called_one_only_beyond_twice_its_uncertainty():
    used = Litres(metered_l=1000.0)
    proved = yardsticks.against_timer(20.0, 100, used)
    assert (proved.other_l, proved.saved_l, proved.proved) == (2000.0, 1000.0, True)
    assert proved.saved_doubt_l == pytest.approx(math.hypot(300.0, 20.0))
    assert not yardsticks.against_timer(14.0, 100, used).proved
    more = yardsticks.against_timer(5.0, 100, used)
    assert more.saved_l == -500.0 and more.proved


def test_last_year_is_adjusted_by_the_need_and_asked_of_whole_records_only(site, whole):
    body = made(site, whole, *JUNE)
    last = next(one for one in body["comparisons"] if one["name"] == "last year")
    before = cut(whole, year_before(Span(*JUNE, CHICAGO)))
    ratio = body["need_l"] / sum(yardsticks.need_l(site, before.days).values())
    assert last["other_l"] == pytest.approx(volumes(site, before).total.total_l * ratio)
    holed = replace(whole, days=[row for row in whole.days if row.date != date(2026, 6, 9)])
    assert all(one["name"] != "last year" for one in made(site, holed, *JUNE)["comparisons"])


def test_twice_the_water_of_last_year_in_like_weather_is_shown_as_more(site):
    before, now = season(site, date(2026, 6, 1), date(2026, 6, 30)), season(site, *JUNE)
    doubled = [replace(run, metered_litres=2.0 * run.metered_litres) for run in now.runs]
    both = replace(now, days=[*before.days, *now.days], runs=[*before.runs, *doubled])
    [_, last] = made(site, both, *JUNE)["comparisons"]
    assert last["saved_l"] < 0 and last["proved"]


def test_tiers_are_climbed_month_by_month_and_shared_by_litres(site, whole):
    assert PRICES.volume_cost(25_000.0) == pytest.approx(10 * 2.0 + 15 * 3.0)
    body = made(site, whole, date(2027, 5, 1), date(2027, 6, 30), tariffs={"main": PRICES})
    expected = sum(PRICES.volume_cost(month["litres"]) for month in body["months"])
    assert body["cost"] == {"amount": pytest.approx(expected), "currency": "EUR"}
    assert sum(zone["cost"] for zone in body["zones"]) == pytest.approx(expected)
    assert made(site, whole, *JUNE)["cost"] is None


def test_faults_and_their_litres_are_told_and_pass_outside_of_runs(site, whole):
    april = made(site, whole, date(2026, 4, 1), date(2026, 4, 30))
    [fault] = april["faults"]
    assert fault["lost_l"] == BREAK_L and fault["zone"] == "Lawn" and fault["cleared"]
    assert april["supplies"][0]["counted_l"] - april["litres"] == pytest.approx(BREAK_L)


def test_a_silent_meter_is_told_beside_the_runs_it_did_not_see(site):
    quiet = season(site, *JUNE)
    quiet = replace(quiet, runs=[replace(run, metered_litres=0.0) for run in quiet.runs])
    body = made(site, quiet, *JUNE)
    assert body["silent_runs"] == len(quiet.runs) > 0 and body["litres"] == 0.0


def test_rules_kept_and_not_kept_are_counted_from_the_log(site):
    log = {"runs": [
        {"run_id": "2027-06-03/lawn", "zone": "lawn", "start": "2027-06-03 02:00:00-05:00", "in_force": ["Order"],
         "exemptions": [], "against": ["the Order"], "insisted_by": "Ada", "reason": "new sod"},
        {"run_id": "2027-06-04/lawn", "zone": "lawn", "start": "2027-06-04 02:00:00-05:00", "in_force": [],
         "exemptions": [], "against": []},
    ]}  # fmt: skip
    body = made(site, season(site, *JUNE, rules=log), *JUNE)
    assert (body["rules"]["runs"], body["rules"]["under_rules"], len(body["rules"]["against"])) == (2, 1, 1)
    page = accounts.report_page(body)
    assert "1 of 2 openings went against a rule" in page and "Ada: new sod" in page


def test_months_of_a_span_are_cut_to_it():
    found = months_of(Span(date(2027, 1, 30), date(2027, 3, 2), CHICAGO))
    assert [(name, part.first.day, part.last.day) for name, part in found] == [
        ("2027-01", 30, 31), ("2027-02", 1, 28), ("2027-03", 1, 2),
    ]  # fmt: skip
    assert year_before(Span(date(2028, 2, 29), date(2028, 3, 1), CHICAGO)).first == date(2027, 2, 28)


def test_a_run_belongs_to_the_site_date_it_began_on(site):
    [run] = season(site, *JUNE).runs[:1]
    late = replace(run, start=datetime(2027, 6, 30, 23, 30, tzinfo=CHICAGO).astimezone(UTC))
    shown = volumes(site, Records(span=Span(*JUNE, CHICAGO), runs=[late]))
    assert set(shown.by_day) == {"2027-06-30"}


def test_the_week_tells_each_nights_decision_its_run_and_its_numbers(site, whole):
    span = accounts.week_of(date(2027, 6, 20), CHICAGO)
    records = replace(cut(whole, Span(span.first, span.last + timedelta(days=1), CHICAGO)), span=span)
    body = accounts.week_told(site, site.zones[0], records)
    assert [night["date"] for night in body["nights"]] == [f"2027-06-{day}" for day in range(14, 21)]
    for night in body["nights"]:
        # A run of the small hours stands with the decision of the evening before.
        assert (night["decision"] == "water") == bool(night["runs"]) == (night["litres"] > 0)
        assert night["sentences"][0].startswith("Gets" if night["runs"] else "Left dry")
    assert body["watered"] + body["left_dry"] == 7 and body["watered"] > 0
    page = accounts.week_page(body)
    assert page.count('class="weigh"') == 7 and "Three more dry days" in page
