"""Drawings are pure: numbers in, escaped markup out, nothing outside the paper."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise
from xml.etree import ElementTree

import pytest
from markupsafe import Markup

from dewpond.board.charts.flow_scale import flow_scale
from dewpond.board.charts.root_water import WaterDay, root_water
from dewpond.board.charts.soil import CoreLabel, core_mark, share, soil_core
from dewpond.board.charts.svg import el, nice_step, number, spread
from dewpond.board.charts.timetable import Bar, Tick, stacked, timetable

NAN = math.nan


def parsed(drawing: Markup) -> ElementTree.Element:
    """The drawing as XML; every number in it must be one, and every attribute presentational."""
    assert "nan" not in drawing
    assert "inf" not in drawing.replace("info", "")
    assert "style=" not in drawing
    return ElementTree.fromstring(str(drawing))  # noqa: S314 - our own text


def boxes(root: ElementTree.Element, kind: str) -> list[dict[str, float]]:
    found = [e.attrib for e in root.iter("rect") if kind in e.attrib["class"].split()]
    return [{k: float(a[k]) for k in ("x", "y", "width", "height")} for a in found]


def test_text_and_attributes_are_escaped() -> None:
    hostile = '"><script>alert(1)</script>&'
    drawn = el("text", hostile, class_=hostile)
    assert "<script>" not in drawn
    assert ElementTree.fromstring(str(drawn)).text == hostile  # noqa: S314 - our own text


def test_numbers_are_short() -> None:
    assert [number(value) for value in (1.0, 1.26, -0.04, 100.0)] == ["1", "1.3", "0", "100"]


@pytest.mark.parametrize(
    ("span", "most", "step"), [(60, 4, 20), (44.4, 4, 20), (0.9, 7, 0.2), (1000, 5, 200), (0, 5, 1)]
)
def test_axis_steps_are_1_2_or_5(span: float, most: int, step: float) -> None:
    assert nice_step(span, most) == pytest.approx(step)


def test_labels_keep_their_distance_and_stay_inside() -> None:
    assert spread([10, 12, 90], 20, 0, 100) == [10, 30, 90]
    assert spread([95, 96, 97], 20, 0, 100) == [60, 80, 100]
    assert spread([], 20, 0, 100) == []


@pytest.mark.parametrize(
    ("missing", "taw", "expected"),
    [(5, 20, 0.25), (-1, 20, 0), (30, 20, 1), (NAN, 20, 0), (5, NAN, 0), (5, 0, 0), (math.inf, 20, 0)],
)
def test_a_core_never_leaves_its_frame(missing: float, taw: float, expected: float) -> None:
    assert share(missing, taw) == expected


def test_damp_soil_fills_what_is_not_missing() -> None:
    labels = tuple(CoreLabel(mm, name, "x") for mm, name in ((0, "Full"), (5, "Now"), (6, "Due"), (20, "Nothing")))
    root = parsed(soil_core(depletion_mm=5, sd_mm=1, raw_mm=10, taw_mm=20, labels=labels, said="s"))
    (dry,), (damp,) = boxes(root, "dry"), boxes(root, "damp")
    assert damp["height"] == pytest.approx(0.75 * dry["height"])
    assert damp["y"] + damp["height"] == pytest.approx(dry["y"] + dry["height"])
    heights = [float(e.attrib["y"]) for e in root.iter("text") if "strong" in e.attrib["class"]]
    assert all(b - a >= 39 for a, b in pairwise(heights))


def test_a_core_that_is_not_known_is_an_empty_outline() -> None:
    assert "damp" not in core_mark(depletion_mm=NAN, raw_mm=10, taw_mm=20)
    assert "damp" in core_mark(depletion_mm=0, raw_mm=10, taw_mm=20)


def test_flow_is_drawn_to_scale_and_a_missing_reading_not_at_all() -> None:
    root = parsed(flow_scale(measured=30, expected=20, capacity=60, capacity_text="60 L/min"))
    (track,), (flowing,) = boxes(root, "track"), boxes(root, "flowing")
    assert flowing["width"] == pytest.approx(track["width"] / 2)
    for missing in (None, NAN):
        assert "flowing" not in flow_scale(measured=missing, expected=0, capacity=None, capacity_text="")
    over = parsed(flow_scale(measured=90, expected=20, capacity=60, capacity_text="60 L/min"))
    assert boxes(over, "flowing")[0]["width"] <= boxes(over, "track")[0]["width"]


def bar(start_s: float, seconds: float, flow: float, **changes: str) -> Bar:
    words = {"label": "1", "said": "said", "state": "planned", "link": "#opening-1", **changes}
    return Bar(start_s=start_s, seconds=seconds, flow=flow, **words)


def test_openings_at_the_same_time_lie_on_each_other_and_touching_ones_do_not() -> None:
    bars = [bar(0, 60, 10), bar(30, 60, 5), bar(60, 60, 7), bar(90, 10, 3)]
    assert stacked(bars) == [0, 10, 0, 7]


def test_the_timetable_keeps_everything_on_the_paper_and_links_each_bar() -> None:
    bars = [bar(-600, 1200, 40), bar(3000, 30, 44, state="dropped"), bar(3500, 9000, 90, said="<b>")]
    drawn = timetable(
        bars, [Tick(0, "21", False)], span_s=3600, window=(0, 3600), now_s=1800, capacity=60, unit="L/min", said="s"
    )
    root = parsed(drawn)
    for found in boxes(root, "bar"):
        assert found["x"] >= 0
        assert found["x"] + found["width"] <= 480
        assert found["y"] >= 0
    assert [e.attrib["href"] for e in root.iter("a")] == ["#opening-1"] * 3
    assert "<b>" not in drawn


def test_an_empty_night_is_drawn_too() -> None:
    parsed(timetable([], [], span_s=3600, window=(0, 3600), now_s=None, capacity=None, unit="gpm", said="s"))


DAY = WaterDay(date=date(2027, 7, 1), missing=5, sd=0, rain=0, irrigation=0, due=10, store=20)


def test_rain_and_irrigation_stand_on_the_scale_of_the_soil() -> None:
    days = [replace(DAY, rain=6), replace(DAY, irrigation=6, missing=10), replace(DAY, rain=6, irrigation=6)]
    root = parsed(root_water(days, unit="mm", said="s"))
    rain, irrigation, (dry,) = boxes(root, "rain"), boxes(root, "irrigation"), boxes(root, "dry")
    assert {round(found["height"], 1) for found in (*rain, *irrigation)} == {round(rain[0]["height"], 1)}
    assert rain[0]["height"] / dry["height"] == pytest.approx(6 / 20, abs=0.01)
    assert rain[1]["y"] + rain[1]["height"] == pytest.approx(irrigation[1]["y"], abs=0.11)


def test_a_cloudburst_does_not_flatten_the_season_and_carries_its_figure() -> None:
    drawn = root_water([replace(DAY, rain=200), DAY], unit="mm", said="s")
    root = parsed(drawn)
    assert ">200</text>" in drawn
    assert boxes(root, "rain")[0]["y"] >= 0
    assert boxes(root, "dry")[0]["height"] > 80


def test_uncertainty_is_drawn_where_there_is_any() -> None:
    assert "doubt" not in root_water([DAY], unit="mm", said="s")
    assert "doubt" in root_water([replace(DAY, sd=2)], unit="mm", said="s")


def test_missing_and_absurd_days_leave_the_drawing_whole() -> None:
    assert root_water([], unit="mm", said="s") == ""
    odd = [
        replace(DAY, rain=NAN, sd=NAN),
        replace(DAY, missing=-5),
        replace(DAY, missing=500),
        replace(DAY, store=0, due=0),
    ]
    parsed(root_water(odd, unit="mm", said="s"))
    parsed(root_water([replace(DAY, store=0, due=0, missing=0)], unit="mm", said="s"))


def test_day_names_stay_on_the_paper() -> None:
    days = [replace(DAY, date=DAY.date + timedelta(days=n), label="28 Sep") for n in range(42)]
    drawn = root_water(days, unit="mm", said="s")
    at = [float(x) for x in re.findall(r'<text x="([\d.]+)"[^>]*text-anchor="end">28 Sep', drawn)]
    assert at
    assert all(x <= 480 for x in at)


def test_numbers_of_crowded_bars_give_way_to_each_other() -> None:
    crowd = [bar(60 * n, 60, 10, label=str(n)) for n in range(60)]
    drawn = timetable(crowd, [], span_s=3600, window=(0, 3600), now_s=None, capacity=60, unit="L/min", said="s")
    at = [float(e.attrib["x"]) for e in parsed(drawn).iter("text") if "over" in e.attrib["class"]]
    assert 10 < len(at) < 40
    assert all(b - a > 14 for a, b in pairwise(at))
    assert drawn.count("<title>") == 60


def test_a_narrow_bar_below_another_has_no_number_inside_the_other() -> None:
    pile = [bar(1000, 30, 20, label="below"), bar(1000, 30, 10, label="above")]
    drawn = timetable(pile, [], span_s=36000, window=(0, 36000), now_s=None, capacity=60, unit="L/min", said="s")
    assert ">above</text>" in drawn
    assert ">below</text>" not in drawn
