"""The map of an audit as SVG."""

from __future__ import annotations

import xml.etree.ElementTree as Xml

from tests.unit.upkeep.cup_tables import grid

from dewpond.upkeep.cups import cup_map, cup_test, judge, outline
from dewpond.upkeep.cups.cup_map import step_of

SVG = "{http://www.w3.org/2000/svg}"


def drawn(values, **options):
    test = cup_test(grid(values), unit="mL", minutes=6.0, mouth_cm2=95.0)
    return Xml.fromstring(cup_map(test, judge(test), title="Lawn <&> path", **options))  # noqa: S314 - our own drawing


def test_every_cup_stands_on_the_map_with_its_figure_and_the_low_quarter_is_marked():
    values = [30.0] * 18 + [11.0] * 6
    root = drawn(values)
    circles = [node for node in root.iter(f"{SVG}circle") if "cup" in node.get("class", "").split()]
    assert len(circles) == 24
    assert sum("low" in node.get("class").split() for node in circles) == 6
    figures = [node.text for node in root.iter(f"{SVG}text") if node.get("class") == "n"]
    assert figures.count("11") == 6
    assert "dry cups 19, 20, 21, 22, 23, 24" in root.find(f"{SVG}title").text


def test_dry_and_wet_ground_is_coloured_by_its_share_of_the_mean():
    assert [step_of(share) for share in (0.3, 0.6, 0.8, 1.0, 1.2, 1.4, 2.0)] == [0, 1, 2, 3, 4, 5, 6]
    root = drawn([30.0] * 12 + [8.0] * 12)
    cells = {node.get("class") for node in root.iter(f"{SVG}rect")}
    assert {"c0", "c5"} <= cells
    even = drawn([30.0] * 24)
    body = even.find(f"{SVG}g[@class='cells']")
    assert {node.get("class") for node in body} == {"c3"}


def test_the_shape_of_the_zone_is_the_edge_and_the_map_stays_small():
    shape = outline([(-1.0, -1.0), (11.0, -1.0), (11.0, 7.0), (5.0, 9.0), (-1.0, 7.0)])
    text = cup_map(
        (test := cup_test(grid([30.0, 20.0, 25.0] * 8), unit="mm", minutes=60.0)), judge(test), title="L", shape=shape
    )
    root = Xml.fromstring(text)  # noqa: S314 - our own drawing
    edge = next(node for node in root.iter(f"{SVG}path") if node.get("class") == "edge")
    assert edge.get("d").count("L") == 4
    assert len(text) < 120_000
