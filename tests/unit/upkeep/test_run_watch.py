"""A zone's run for its cups, seen in pictures of the site."""

from __future__ import annotations

from dewpond.upkeep.cups.run_watch import run_seen, sentences, wind_fault

SENSOR = {"kind": "wind", "id": "mast", "fresh": True, "value": 1.4}


def picture(valve="open", kpa=None, **sensor):
    return {
        "zones": [{"id": "lawn", "valve": valve, "supply": "main"}, {"id": "bed", "valve": "closed", "supply": "main"}],
        "supplies": [{"id": "main", "pressure_kpa": kpa}],
        "sensors": [{**SENSOR, **sensor}],
    }


def test_wind_above_five_mph_or_unknown_wind_keeps_the_water_off():
    """Audit guidelines: 5 mph (2.24 m/s) or less."""
    assert "sensor mast shows 2.3 m/s; at most 2.2 m/s" in wind_fault(picture(value=2.3), calm=True)
    assert wind_fault(picture(value=2.2), calm=False) == ""
    assert "say --calm" in wind_fault(picture(fresh=False), calm=False)
    assert wind_fault({"sensors": []}, calm=True) == ""


def test_wind_and_pressure_are_those_of_the_open_valve():
    pictures = [
        picture("closed", 420.0, value=9.0),
        picture("opening", 415.0),
        picture("open", 400.0, value=1.9),
        picture("open", 380.0, value=1.2),
        picture("closed", 420.0, value=9.0),
    ]
    seen = run_seen(pictures, "lawn")
    assert (seen.opened, seen.shut, seen.most_wind_m_s) == (True, True, 1.9)
    assert (seen.first_kpa, seen.last_kpa) == (400.0, 380.0)
    said = " ".join(sentences(seen))
    assert "give --wind 1.9" in said
    assert "400 kPa at the start, 380 kPa at the end" in said
    assert not run_seen(pictures[:4], "lawn").shut


def test_a_gust_asks_for_another_run_and_an_unseen_opening_is_told():
    assert "empty the cups and repeat" in " ".join(sentences(run_seen([picture(value=2.6)], "lawn")))
    assert "no sensor; note it every 5 min" in " ".join(sentences(run_seen([picture(fresh=False)], "lawn")))
    assert sentences(run_seen([picture("closed")], "lawn")) == (
        "The valve was not seen open: look at dewpond status before the cups are read.",
    )
    assert not run_seen([], "lawn").opened
