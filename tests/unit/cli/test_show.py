"""Plan and status at the terminal: one set of sentences, in the site's units."""

from __future__ import annotations

import pytest

from dewpond.cli.show import show_plan

PLAN = {
    "timezone": "America/New_York",
    "window_date": "2027-07-14",
    "window_opens": "2027-07-15T01:00:00+00:00",
    "window_closes": "2027-07-15T10:00:00+00:00",
    "openings": [
        {
            "start": "2027-07-15T02:00:00+00:00",
            "seconds": 600.0,
            "zone": "lawn",
            "gross_mm": 12.7,
            "source": "refill",
            "state": "planned",
        }
    ],
    "reasons": [{"zone": "lawn", "sentences": ["Gets 12.7 mm (10 min).", "Up to 25.4 mm next."]}],
}


@pytest.mark.parametrize(
    ("units", "shown"), [("us", ("in", "0.50", "0.50 in (10", "1.00 in")), ("metric", ("mm", "12.7", "12.7 mm"))]
)
def test_depths_are_shown_in_the_site_s_units(capsys, units, shown):
    show_plan({**PLAN, "units": units})
    text = capsys.readouterr().out
    assert all(word in text for word in shown)
    assert ("mm" in text) == (units == "metric")


def test_an_answer_without_units_is_metric(capsys):
    show_plan(PLAN)
    assert "12.7 mm" in capsys.readouterr().out


def test_a_plan_says_which_supplies_nobody_watches(capsys):
    blind = "not watching: this supply has no flow meter"
    show_plan({**PLAN, "watching": {"main": "watching", "well": blind}})
    text = " ".join(capsys.readouterr().out.split())
    assert f"supply well: {blind}" in text
    assert "supply main" not in text
