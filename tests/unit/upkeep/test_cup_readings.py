"""Cups are read, checked and merged; nonsense is refused with what, where, limit and remedy."""

from __future__ import annotations

import dataclasses
import math

import pytest
from tests.unit.upkeep.cup_tables import grid

from dewpond.upkeep.cups import AuditRefused, cup_test, read_cups


def test_a_table_with_placements_is_read():
    text = "\ufeffx_m,y_m,value,placement,minutes,pressure_kpa\n0,0,21,1,6,210\n2,0,18.5,2,6,205\n"
    test = cup_test(read_cups(text), unit="mL", mouth_cm2=95.0)
    assert test.placements == ("1", "2")
    assert test.minutes == 6
    assert test.rates_mm_h[0] == pytest.approx(600 * 21 / (6 * 95))


def test_every_bad_cell_is_named_at_once():
    with pytest.raises(AuditRefused) as refused:
        read_cups("x_m,y_m,value\n0,0,-3\n1,east,4\n2,0,\n", "lawn.csv")
    lines = str(refused.value).splitlines()
    assert [line.split(":")[0] for line in lines] == ["lawn.csv, line 2", "lawn.csv, line 3", "lawn.csv, line 4"]
    assert 'value "-3" cannot be; between 0 and' in lines[0]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "no column x_m, y_m, value"),
        ("x,y,value\n1,1,3\n", "no column x_m, y_m"),
        ("x_m,y_m,value,colour\n1,1,3,red\n", "column colour is not known"),
    ],
)
def test_other_tables_are_refused(text, said):
    with pytest.raises(AuditRefused, match=said):
        read_cups(text)


def refused(cups, **options) -> str:
    with pytest.raises(AuditRefused) as told:
        cup_test(cups, **{"unit": "mL", "minutes": 5.0, "mouth_cm2": 95.0, **options})
    return str(told.value)


def test_400_mm_in_five_minutes_cannot_be():
    assert "cup 3: 400 mm in 5 min is 4800 mm/h; at most 400 mm/h can be" in refused(
        grid([3.0, 2.0, 400.0, 3.0]), unit="mm", mouth_cm2=None
    )


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"unit": "litres"}, 'unit "litres" is not known'),
        ({"minutes": 0.0}, "minutes: 0 cannot be"),
        ({"minutes": 500.0}, "minutes: 500 cannot be"),
        ({"minutes": math.nan}, "minutes: nan cannot be"),
        ({"mouth_cm2": 0.5}, "cup mouth: 0.5 cm2 cannot be"),
        ({"wind_m_s": -1.0}, "wind: -1 m/s cannot be"),
        ({"wind_m_s": 3.0}, "wind: 3.0 m/s; at most 2.2 m/s"),
    ],
)
def test_nonsense_about_the_test_is_refused(options, said):
    assert said in refused(grid([20.0] * 24), **options)


def test_negative_missing_empty_and_doubled_cups_are_refused():
    assert "cup 2: -1 is no catch" in refused(grid([20.0, -1.0, 20.0]))
    assert "cup 2: nan is no catch" in refused(grid([20.0, math.nan, 20.0]))
    assert "all are empty" in refused(grid([0.0] * 24))
    assert "cups: 1 of them" in refused(grid([3.0]))
    doubled = (*grid([20.0] * 4), dataclasses.replace(grid([20.0])[0], value=5.0))
    assert "cups 1 and 5: both at x 0 m, y 0 m" in refused(doubled)


def test_placements_must_be_run_alike():
    first, second = grid([20.0] * 5, minutes=5.0, pressure_kpa=210.0), grid([20.0] * 5, across=1, apart_m=3.0)
    later = [dataclasses.replace(cup, x_m=cup.x_m + 1, placement="2") for cup in second]
    longer = [dataclasses.replace(cup, minutes=8.0) for cup in later]
    weaker = [dataclasses.replace(cup, minutes=5.0, pressure_kpa=150.0) for cup in later]
    assert "minutes: 5 and 8; equal to 2%" in refused([*first, *longer])
    assert "pressure: 150 and 210 kPa; equal to 10%" in refused([*first, *weaker])
    assert "given for some cups only" in refused([*first, *later], minutes=None)


def test_depths_and_rates_need_no_mouth():
    assert cup_test(grid([10.0] * 4), unit="mm", minutes=15.0).rates_mm_h == pytest.approx([40.0] * 4)
    assert cup_test(grid([0.5] * 4), unit="in/h").rates_mm_h == pytest.approx([12.7] * 4)
    assert cup_test(grid([0.25] * 4), unit="in", minutes=15.0).rates_mm_h == pytest.approx([25.4] * 4)
    assert cup_test(grid([20.0] * 4), unit="mL", minutes=15.0).rates_mm_h is None
