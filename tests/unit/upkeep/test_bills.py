"""Bills against our litres: units, reading days, rounding, tiers, and where the rest can have gone."""

from __future__ import annotations

from datetime import date
from zoneinfo import ZoneInfo

import pytest
import sites

from dewpond.model.site import Supply
from dewpond.upkeep.accounts import bills, tariff
from dewpond.upkeep.accounts.bills import Bill, set_against
from dewpond.upkeep.accounts.records import Fault, Records
from dewpond.upkeep.accounts.volumes import Litres
from dewpond.upkeep.refusal import Refused
from dewpond.upkeep.rule_log import Span

CHICAGO = ZoneInfo("America/Chicago")
METERED = Supply(id="main", source="potable", capacity_l_min=60.0, meter="meter")
PLAIN = Supply(id="main", source="potable", capacity_l_min=60.0)
TODAY = date(2027, 7, 10)
FIRST, LAST = date(2027, 6, 1), date(2027, 7, 1)
DAILY = {date(2027, 6, day): Litres(metered_l=1000.0) for day in range(1, 31)} | {LAST: Litres(metered_l=1000.0)}


def bill(units=30.0, unit="m3", **changes):
    return Bill(**{"supply": "main", "first": FIRST, "last": LAST, "unit": unit, "units": units, **changes})


def records(counted_l=None, faults=()):
    counted = {} if counted_l is None else {("main", "2027-06"): counted_l}
    return Records(span=Span(FIRST, LAST, CHICAGO), counted_l=counted, faults=faults)


def explained(one, supply=METERED, told=None, prices=None):
    return set_against(one, supply, told or records(), DAILY, prices)


@pytest.mark.parametrize(
    ("unit", "litres"),  # NIST Special Publication 811 (2008), appendix B: gallon and cubic foot
    [("m3", 1000.0), ("ft3", 28.316846592), ("CCF", 2831.6846592), ("kgal", 3785.411784), ("gal", 3.785411784)],
)
def test_every_unit_of_bills_is_turned_to_litres(unit, litres):
    assert bill(1.0, unit).litres == pytest.approx(litres, rel=1e-9)


def test_a_bill_that_agrees_is_said_to_and_its_parts_add_up():
    told = explained(bill(30.0))
    assert told.left_l == pytest.approx(0.0) and "agree" in told.verdict
    # Half of two reading days, a whole unit, and twice the meters' classes.
    assert told.slack_l == pytest.approx(1000.0 + 1000.0 + ((2 * 0.02 * 29_000) ** 2 + (0.02 * 30_000) ** 2) ** 0.5)
    for units in (24.0, 30.0, 51.5):
        told = explained(bill(units))
        assert sum(litres for _, litres in told.parts) == pytest.approx(told.bill.litres)


def test_a_broken_unit_is_not_rounded():
    assert bill(30.5).rounding_l == 0.0 and bill(30.0, "CCF").rounding_l == pytest.approx(2831.685, abs=0.001)


def test_water_that_passed_our_meter_outside_of_runs_is_named():
    told = explained(bill(40.0), told=records(counted_l=41_000.0))
    assert ("water that passed outside runs", pytest.approx(10_000.0)) in told.parts
    assert told.left_l == pytest.approx(0.0) and "agree" in told.verdict


def test_more_billed_than_passed_our_meter_points_before_it():
    told = explained(bill(50.0), told=records(counted_l=31_000.0))
    assert told.left_l == pytest.approx(20_000.0) and "between the utility's meter and ours" in told.verdict


def test_without_a_meter_of_ours_the_rest_may_be_a_leak_and_faults_are_named():
    at = Records(span=Span(FIRST, LAST, CHICAGO)).span.begins
    fault = Fault(at=at, kind="main_break", zone=None, detail="x", supply="main", lost_l=640.0)
    other = Fault(at=at, kind="main_break", zone=None, detail="x", supply="well", lost_l=99.0)
    told = explained(bill(50.0), PLAIN, records(faults=(fault, other)))
    assert "leak" in told.verdict and "at least 640 L" in told.verdict


def test_the_house_on_the_meter_explains_a_bill_above_our_runs():
    shared = Supply(id="main", source="potable", capacity_l_min=60.0, shared_with_house=True)
    told = explained(bill(50.0), shared)
    assert "house" in told.verdict and any("house" in note for note in told.notes)


def test_less_billed_than_we_counted_asks_for_the_dates():
    told = explained(bill(20.0))
    assert told.left_l < 0 and "estimated" in told.verdict


def test_the_amount_is_held_against_the_tariff_with_the_fixed_charge():
    prices = tariff.Tariff(
        currency="USD", unit="CCF", fixed=12.0, tiers=(tariff.Tier(8.0, 3.0), tariff.Tier(None, 4.5))
    )
    told = explained(bill(11.0, "CCF", amount=49.5), prices=prices)
    assert told.expected_amount == pytest.approx(12.0 + 8 * 3.0 + 3 * 4.5)
    assert "agree" in bills.money_word(told.bill, told.expected_amount, prices)
    dearer = bill(11.0, "CCF", amount=61.0)
    assert "levies" in bills.money_word(dearer, told.expected_amount, prices)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"supply": "well"}, "supplies are main"),
        ({"first": "2027-07-01"}, "1 to 400 days"),
        ({"last": "2027-08-01"}, "after today"),
        ({"first": "June"}, "write it as 2027-06-30"),
        ({"unit": "buckets"}, "no unit of volume"),
        ({"units": -3}, "no number from 0"),
        ({"units": float("nan")}, "no number from 0"),
        ({"units": None}, "units is missing"),
        ({"before": 3.0}, "not both"),
        ({"units": None, "before": 9.0, "after": 3.0}, "below before"),
        ({"amount": -1.0}, "no number from 0"),
    ],
)
def test_nonsense_on_a_bill_is_refused_with_a_remedy(change, said):
    form = {"supply": "main", "first": "2027-06-01", "last": "2027-07-01", "unit": "m3", "units": 30.0, **change}
    given = {name: value for name, value in form.items() if value is not None}
    with pytest.raises(Refused, match=said):
        bills.read_bill(given, sites.site().supplies, TODAY)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"currency": ""}, "1 to 8 letters"),
        ({"unit": "mm"}, "no unit of volume"),
        ({"fixed": -1.0}, "no number from 0"),
        ({"tiers": [{"price": 2.0, "up_to": 10.0}]}, "last tier has no up_to"),
        ({"tiers": [{"price": 2.0}, {"price": 3.0}]}, "tiers rise"),
        ({"tiers": [{"price": 2.0, "up_to": 9.0}, {"price": 2.0, "up_to": 9.0}, {"price": 3.0}]}, "above 9"),
        ({"tiers": [{"cost": 2.0}]}, "cost is not known"),
        ({"tiers": [{"price": "dear"}]}, "no number from 0"),
    ],
)
def test_nonsense_in_a_tariff_is_refused_with_a_remedy(change, said):
    form = {"currency": "EUR", "unit": "m3", "fixed": 9.0, "tiers": [{"price": 2.0}], **change}
    with pytest.raises(Refused, match=said):
        tariff.read_tariff(form)


def test_a_bill_and_a_tariff_come_back_as_they_were_kept():
    form = {"supply": "main", "first": "2027-06-01", "last": "2027-07-01", "unit": "m3", "before": 10, "after": 42}
    read = bills.read_bill(form, sites.site().supplies, TODAY)
    assert read.units == 32.0 and bills.bill_from(bills.body_of(read)) == read
    prices = tariff.read_tariff({"currency": "EUR", "unit": "m3", "tiers": [{"price": 1.5, "up_to": 10}, {"price": 3}]})
    assert tariff.tariff_from(tariff.body_of(prices)) == prices
