"""Sentences of decisions as a US site reads them. Factors: NIST Special Publication 811 (2008), appendix B."""

from __future__ import annotations

import pytest

from dewpond.model.us_units import shown


@pytest.mark.parametrize(
    ("metric", "us"),
    [
        ("Left dry: 12.7 mm are missing.", "Left dry: 0.50 in are missing."),
        ("9.6 mm (± 0.8) are missing", "0.38 in (± 0.03) are missing"),
        ("lawn takes 2.5 to 25.4 mm in one night", "lawn takes 0.10 to 1.00 in in one night"),
        ("37.8541 L/min on 72 m2", "10.0 gpm on 72 m2"),
        ("30 L for each of 4 new trees", "7.9 gal for each of 4 new trees"),
        ("Held for wind: 7.2 m/s at 22:10, limit 5 m/s", "Held for wind: 16.1 mph at 22:10, limit 11.2 mph"),
        ("cooling: 35.0 degC at 12:00, limit 32 degC", "cooling: 95 °F at 12:00, limit 90 °F"),
        ("a mild day (10 to 25 degC, Hargreaves)", "a mild day (50 to 77 °F, Hargreaves)"),
        ("-4.0 degC at 05:10", "25 °F at 05:10"),
        ("40 mm/h", "1.57 in/h"),
    ],
)
def test_quantities_in_sentences_are_turned(metric, us):
    assert shown(metric, "us") == us


@pytest.mark.parametrize(
    "text",
    [
        "21 min in 2 openings",
        "rain of 2027-07-13",
        "zone lawn-2 mmx",
        "6.5 mmol",
        "20 % of 64 weather futures",
        "12:30 L",
    ],
)
def test_everything_else_is_left_as_it_stands(text):
    assert shown(text, "us") == text


def test_a_metric_site_reads_the_sentence_itself():
    assert shown("Left dry: 12.7 mm are missing.", "metric") == "Left dry: 12.7 mm are missing."
