"""The keys that only a design review reads."""

from __future__ import annotations

from tests.unit.settings.conftest import WHOLE


def test_pipes_heads_and_backflow_are_read(load):
    text = WHOLE.replace(
        'capacity = "60 L/min"', 'capacity = "60 L/min"\npipe_length = "100 ft"\nbackflow = "Reduced-pressure"'
    )
    text += 'lateral_diameter = "1 in"\nlateral_length = "12 m"\nrise = "-2 m"\n'
    text += 'heads = [{kind = "spray", count = 2, spacing = "12 ft", regulated = true, check_valve = true}]\n'
    site = load(text).site
    assert site.supplies[0].pipe_length_m == 30.48
    assert site.supplies[0].backflow == "reduced pressure"
    zone = site.zones[0]
    assert (zone.lateral_diameter_mm, zone.lateral_length_m, zone.rise_m) == (25.4, 12.0, -2.0)
    (heads,) = zone.heads
    assert (round(heads.spacing_m, 4), heads.regulated, heads.check_valve) == (3.6576, True, True)


def test_an_unknown_backflow_device_and_an_impossible_length_are_refused(load):
    text = WHOLE.replace('capacity = "60 L/min"', 'pipe_length = "90 km"\nbackflow = "a flap"')
    said = " ".join(problem.sentence() for problem in load(text).errors)
    assert "accepted are air gap, reduced pressure" in said
    assert '"90 km"' in said
