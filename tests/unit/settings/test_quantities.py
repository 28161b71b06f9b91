"""Units: factors of NIST Special Publication 811 (2008), appendix B, as printed there; text to number and back."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dewpond.settings import quantities as q

# Factors of NIST SP 811, B.8 ("to convert from ... to ... multiply by"), seven digits, brought to our units.
PRINTED = [
    (q.LENGTH_M, "1 ft", 3.048e-1),
    (q.LENGTH_MM, "1 in", 2.54e1),
    (q.LENGTH_MM, "1 ft", 3.048e2),
    (q.AREA_M2, "1 ft2", 9.290304e-2),
    (q.AREA_M2, "1 ha", 1.0e4),
    (q.VOLUME_L, "1 gal", 3.785412),
    (q.VOLUME_L, "1 ft3", 2.831685e1),
    (q.FLOW_L_MIN, "1 gpm", 6.309020e-5 * 60_000),
    (q.PRESSURE_KPA, "1 psi", 6.894757),
    (q.PRESSURE_KPA, "1 bar", 1.0e2),
    (q.PRESSURE_KPA, "1 m", 9.80665),
    (q.PRESSURE_KPA, "1 ft", 2.989067),
]


@pytest.mark.parametrize(("dimension", "text", "printed"), PRINTED)
def test_agrees_with_the_printed_factors(dimension, text, printed):
    assert dimension.read(text) == pytest.approx(printed, rel=2e-7)


def test_the_acre_differs_from_the_printed_survey_acre_by_four_parts_in_a_million():
    assert q.AREA_M2.read("1 acre") / 4.046873e3 == pytest.approx(1 - 4e-6, abs=2e-7)


@pytest.mark.parametrize(
    ("dimension", "text", "expected"),
    [
        (q.RATE_MM_H, "1.6 in/h", 40.64),
        (q.FLOW_L_MIN, "45 gpm", 170.34353),
        (q.FLOW_L_MIN, "3 m3/h", 50.0),
        (q.FLOW_L_MIN, "1 L/s", 60.0),
        (q.FLOW_L_MIN, "2.3 L/h", 2.3 / 60),
        (q.PRESSURE_KPA, "60 psi", 413.68544),
        (q.LENGTH_MM, "12 in", 304.8),
        (q.WATER_MM_M, "1.8 in/ft", 150.0),
        (q.WATER_MM_M, "15 %", 150.0),
        (q.VOLUME_L, "1 CCF", 2831.6847),
        (q.VOLUME_L, "1 kgal", 3785.4118),
        (q.FRACTION, "77 %", 0.77),
        (q.FRACTION, 0.77, 0.77),
        (q.PERCENT, "4 %", 4.0),
        (q.PERCENT, 4, 4.0),
        (q.TIME_MIN, "90 s", 1.5),
    ],
)
def test_reads_text_with_units(dimension, text, expected):
    assert dimension.read(text) == pytest.approx(expected, rel=1e-7)


@pytest.mark.parametrize("text", ["60L/min", " 60  l / min ", "60 LPM", "60 litres per minute", "60 Liters/min"])
def test_case_spaces_and_usual_spellings_do_not_matter(text):
    assert q.FLOW_L_MIN.read(text) == 60.0


@pytest.mark.parametrize("text", ["72 m²", "72 sq m", "72 SQM", "72 m^2", "72 square metres"])
def test_an_area_may_be_spelt_in_several_ways(text):
    assert q.AREA_M2.read(text) == 72.0


def test_a_bare_number_is_taken_in_the_inner_unit():
    assert q.LENGTH_MM.read(150) == q.LENGTH_MM.read("150") == 150.0
    assert q.is_bare(150) and q.is_bare("150") and not q.is_bare("150 mm") and not q.is_bare(True)


def test_a_wrong_dimension_is_named_with_what_is_accepted():
    with pytest.raises(q.QuantityError) as refused:
        q.AREA_M2.read("60 psi")
    assert refused.value.what == '"60 psi" is a pressure, not an area'
    assert refused.value.accepted == "units of area are m2, ft2, ha, acre"


def test_an_unknown_unit_is_named():
    with pytest.raises(q.QuantityError, match='has an unknown unit, "furlong", not a length'):
        q.LENGTH_MM.read("3 furlong")


@pytest.mark.parametrize(
    "value", [math.nan, math.inf, -math.inf, "1e999 mm", 10**400, "nan mm", "mm", "", True, None, [3]]
)
def test_what_is_no_finite_number_is_refused(value):
    with pytest.raises(q.QuantityError):
        q.LENGTH_MM.read(value)


@pytest.mark.parametrize("text", ["1,000 ft2", "1 000 ft2", "1'000 ft2", "2,5 ft2"])
def test_a_separator_in_a_number_is_refused_and_not_guessed(text):
    with pytest.raises(q.QuantityError, match="separator"):
        q.AREA_M2.read(text)


def test_no_two_units_of_a_dimension_read_alike():
    for dimension in (*q.DIMENSIONS, q.LENGTH_M, q.FRACTION, q.TIME_MIN):
        for unit, worth in dimension.worth.items():
            assert dimension.factor(unit) == worth
            assert dimension.factor(unit.upper()) == worth


quantities_in_any_unit = st.sampled_from(q.DIMENSIONS).flatmap(
    lambda dimension: st.tuples(st.just(dimension), st.sampled_from(list(dimension.worth)))
)


@settings(max_examples=60)
@given(quantities_in_any_unit, st.floats(1e-6, 1e9))
def test_text_and_number_round_trip_in_every_unit(dimension_and_unit, number):
    dimension, unit = dimension_and_unit
    read = dimension.read(f"{number!r} {unit}")
    assert read / dimension.worth[unit] == pytest.approx(number, rel=1e-12)


@settings(max_examples=60)
@given(quantities_in_any_unit, st.sampled_from(q.DIMENSIONS), st.floats(0.1, 1000))
def test_a_unit_of_another_dimension_is_never_converted(dimension_and_unit, other, number):
    _, unit = dimension_and_unit
    if other.factor(unit) is None:
        with pytest.raises(q.QuantityError):
            other.read(f"{number} {unit}")


@settings(max_examples=60)
@given(st.text(max_size=30))
def test_any_text_is_read_or_refused(text):
    try:
        assert math.isfinite(q.FLOW_L_MIN.read(text))
    except q.QuantityError as refused:
        assert refused.accepted
