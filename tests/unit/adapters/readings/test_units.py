"""Units, with the factors printed in NIST Special Publication 811 (2008), appendix B.8, to the digits printed there."""

from __future__ import annotations

import pytest

from dewpond.adapters.readings.units import Conversion, conversion

PRINTED = [
    ("in", "mm", 25.4),
    ("ft", "mm", 304.8),
    ("gal", "L", 3.785412),
    ("ft3", "L", 28.31685),
    ("gpm", "L/min", 6.309020e-05 * 60_000),  # "gallon (U.S.) per minute" in m3/s
    ("m3/s", "L/min", 60_000.0),
    ("m3/h", "L/min", 1000.0 / 60.0),
    ("psi", "kPa", 6.894757),
    ("bar", "kPa", 100.0),
    ("inHg", "kPa", 3.386389),
    ("hPa", "kPa", 0.1),
    ("mph", "m/s", 0.44704),
    ("km/h", "m/s", 0.2777778),
    ("kn", "m/s", 0.5144444),
    ("ft/s", "m/s", 0.3048),
    ("in/h", "mm/h", 25.4),
    ("mV", "V", 0.001),
    ("%vol", "m3/m3", 0.01),
    ("/", "m3/m3", 1.0),
    ("%RH", "%", 1.0),
    ("W/m²", "W/m2", 1.0),
    ("l/s", "L/min", 60.0),
]


@pytest.mark.parametrize(("text", "unit", "factor"), PRINTED)
def test_factor_is_the_printed_one(text: str, unit: str, factor: float) -> None:
    found = conversion(text)
    assert found is not None
    assert found.unit == unit
    assert found.factor == pytest.approx(factor, rel=1e-6)


@pytest.mark.parametrize(
    ("text", "reading", "celsius"),
    [
        ("degF", 32.0, 0.0),
        ("°F", 212.0, 100.0),
        ("F", -40.0, -40.0),
        ("K", 273.15, 0.0),
        ("Cel", 14.8, 14.8),
        ("° C", 1.0, 1.0),
    ],
)
def test_temperature_scales_differ_in_their_zero(text: str, reading: float, celsius: float) -> None:
    found = conversion(text)
    assert found is not None
    assert found.unit == "degC"
    assert found.value(reading) == pytest.approx(celsius, abs=1e-9)


def test_difference_ignores_the_zero_of_the_scale() -> None:
    found = conversion("degF")
    assert found is not None
    assert found.increment(9.0) == pytest.approx(5.0)


def test_case_decides_between_milli_and_mega_only_where_it_must() -> None:
    assert conversion("mL") == Conversion("L", 0.001)
    assert conversion("ML") == Conversion("L", 1e6)
    assert conversion("MPa") == Conversion("kPa", 1000.0)
    assert conversion("KPA") == conversion("kPa")
    assert conversion("MV") is None


def test_symbol_of_two_quantities_follows_the_kind() -> None:
    depth, head = conversion("m"), conversion("m", frozenset({"kPa"}))
    assert depth is not None
    assert head is not None
    assert (depth.unit, depth.factor) == ("mm", 1000.0)
    assert (head.unit, head.factor) == ("kPa", pytest.approx(9.80665))


@pytest.mark.parametrize("text", ["furlong", "", "mm/", "%%", "x" * 1000])
def test_unknown_unit_is_none(text: str) -> None:
    assert conversion(text) is None
