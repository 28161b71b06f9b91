"""Accounts at the desk: spans asked for, what people enter, two people at once, pages and files."""

from __future__ import annotations

import csv
import io
import re
import sys
from datetime import UTC, date, datetime

import pytest
import sites
from tests.unit.upkeep.season_of_water import cut, season

from dewpond.adapters.store.memory_upkeep import MemoryUpkeepBook
from dewpond.model.site import Supply
from dewpond.model.upkeep import Overtaken
from dewpond.upkeep.accounts.pdf import as_pdf
from dewpond.upkeep.desk import UpkeepDesk
from dewpond.upkeep.refusal import Refused

AT = datetime(2027, 6, 20, 18, tzinfo=UTC)
BILL = {"supply": "main", "first": "2027-05-01", "last": "2027-06-01", "unit": "CCF", "units": 11}
TARIFF = {"supply": "main", "currency": "USD", "unit": "CCF", "fixed": 12.0, "tiers": [{"price": 3.5}]}


@pytest.fixture(scope="module")
def site():
    supply = Supply(id="main", source="potable", capacity_l_min=60.0, meter="meter")
    return sites.site(sites.zone("lawn", name="Lawn <north>"), supplies=(supply,))


@pytest.fixture(scope="module")
def whole(site):
    return season(site, date(2027, 3, 1), date(2027, 6, 20))


@pytest.fixture
def do(site, whole):
    desk = UpkeepDesk(site, MemoryUpkeepBook(), records=lambda span, decisions=True: cut(whole, span))
    return lambda op, **form: desk.do(op, form, who="Ada", at=AT)


def test_this_month_so_far_is_what_is_shown_when_nothing_is_asked(do):
    body = do("report")
    assert (body["first"], body["last"]) == ("2027-06-01", "2027-06-20")
    assert body["litres"] > 0 and body["page"] is None and body["csv"] is None


@pytest.mark.parametrize(
    ("asked", "first", "last"),
    [
        ({"month": "2027-05"}, "2027-05-01", "2027-05-31"),
        ({"month": "2027"}, "2027-01-01", "2027-06-20"),  # no day of the future is waited for
        ({"first": "2027-04-01", "last": "2027-06-10"}, "2027-04-01", "2027-06-10"),
    ],
)
def test_months_years_and_seasons_can_be_asked_for(do, asked, first, last):
    body = do("report", **asked)
    assert (body["first"], body["last"]) == (first, last)


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"month": "May"}, "write 2027-06 or 2027"),
        ({"month": "2027-13"}, "write 2027-06 or 2027"),
        ({"month": "0000"}, "write 2027-06 or 2027"),
        ({"month": "2027-05", "first": "2027-05-01"}, "not both"),
        ({"first": "2027-07-01"}, "today is 2027-06-20"),
        ({"first": "2020-01-01"}, "1 to 800 days"),
        ({"zone": "lawn"}, "zone is not known"),
    ],
)
def test_spans_that_cannot_be_are_refused(do, asked, said):
    with pytest.raises(Refused, match=said):
        do("report", **asked)


def test_what_is_entered_shows_in_the_report_and_can_be_taken_back(do):
    do("tariff-set", **TARIFF)
    do("allowance-set", factor=0.45, source="town rule 7-3", special=["lawn"])
    kept = do("bill-set", **BILL, amount=50.5)
    assert kept["bill"] == "main/2027-06-01" and kept["litres"] == pytest.approx(11 * 2831.685, abs=0.1)
    body = do("report", month="2027-05")
    assert body["allowance"]["factor"] == 0.45 and body["allowance"]["special_m2"] == 60.0
    assert [bill["money"][-11:] for bill in body["bills"]] == ["they agree."]
    assert body["cost"]["currency"] == "USD"
    do("bill-withdraw", supply="main", last="2027-06-01")
    assert do("report", month="2027-05")["bills"] == [] == do("accounts")["bills"]
    with pytest.raises(Refused, match="none of main"):
        do("bill-withdraw", supply="main", last="2027-06-01")


def test_a_bill_entered_again_corrects_it_and_overlapping_ones_are_refused(do):
    do("bill-set", **BILL)
    assert do("bill-set", **{**BILL, "units": 12})["version"] == 2
    assert [one["units"] for one in do("accounts")["bills"]] == [12.0]
    with pytest.raises(Refused, match="overlaps"):
        do("bill-set", **{**BILL, "first": "2027-05-20", "last": "2027-06-15"})
    assert do("bill-set", **{**BILL, "first": "2027-06-01", "last": "2027-06-15"})["version"] == 1


def test_of_two_people_at_one_tariff_the_second_is_told_of_the_first(do):
    do("tariff-set", **TARIFF, version=0)
    with pytest.raises(Overtaken, match="made from version 0"):
        do("tariff-set", **{**TARIFF, "fixed": 99.0}, version=0)
    assert [one["fixed"] for one in do("accounts")["tariffs"]] == [12.0]


@pytest.mark.parametrize(
    ("op", "form", "said"),
    [
        ("allowance-set", {"factor": 55, "source": "x"}, "from 0 to 1.5"),
        ("allowance-set", {"factor": 0.5, "source": "x", "special": ["pond"]}, "no zone 'pond'"),
        ("allowance-set", {"factor": 0.5}, "source is missing"),
        ("tariff-set", {**TARIFF, "supply": "well"}, "no supply 'well'"),
        ("tariff-set", {**TARIFF, "fixed": "much"}, "no number"),
        ("week", {"zone": "pond"}, "no zone 'pond'"),
        ("week", {"zone": "lawn", "last": "yesterday"}, "no date"),
    ],
)
def test_nonsense_is_refused(do, op, form, said):
    with pytest.raises(Refused, match=said):
        do(op, **form)


def test_pages_need_nothing_but_themselves_and_escape_names(do):
    do("bill-set", **BILL, note="<script>alert(1)</script>")
    pages = [do("report", month="2027-05", page=True)["page"], do("week", zone="lawn", page=True)["page"]]
    for page in pages:
        assert page.startswith("<!doctype html>") and "Lawn &lt;north&gt;" in page
        assert not re.search(r"<script|<link|<img|url\(|@import|(?:src|href)=", page)
        assert "Lawn <north>" not in page
    assert pages[0].count("<svg") == 6  # three drawings, each narrow and wide


def test_a_site_of_us_units_reads_gallons_and_inches(site, whole):
    from dataclasses import replace

    desk = UpkeepDesk(
        replace(site, units="us"), MemoryUpkeepBook(), records=lambda span, decisions=True: cut(whole, span)
    )
    page = desk.do("report", {"month": "2027-05", "page": True}, who="Ada", at=AT)["page"]
    assert " gal" in page and " in of rain" in page and "m³" not in page


def test_the_csv_has_zones_months_days_and_faults_and_no_formulas(do):
    body = do("report", first="2027-04-01", last="2027-06-20", csv=True)
    rows = list(csv.DictReader(io.StringIO(body["csv"])))
    kinds = [row["row"] for row in rows]
    assert kinds.count("zone") == 1 and kinds.count("month") == 3 and kinds.count("day") == 81
    assert kinds.count("fault") == 1
    days = sum(float(row["litres"]) for row in rows if row["row"] == "day")
    assert days == pytest.approx(body["litres"]) == pytest.approx(float(rows[0]["litres"]))
    from dewpond.upkeep.accounts.account_csv import account_csv

    body["faults"][0]["detail"] = "=HYPERLINK(1)"
    assert ",'=HYPERLINK(1)" in account_csv(body)


def test_a_page_becomes_a_pdf_where_the_library_is(do):
    pytest.importorskip("weasyprint", exc_type=ImportError)
    assert as_pdf(do("week", zone="lawn", page=True)["page"]).startswith(b"%PDF-")


def test_without_the_library_for_pdf_the_remedy_is_told(monkeypatch):
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    with pytest.raises(Refused, match="extra pdf"):
        as_pdf("<p>x</p>")
