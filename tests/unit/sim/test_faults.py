"""``--faults``: files and words, and what is said of those that do not fit."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import pytest
from sites import site, zone

from dewpond.model.site import Sensor
from dewpond_sim.faults import FaultsRefused, in_words, read_faults

FILE = """
[[sensor]]
id = "probe-*"
fault = "drifts"
value = -0.0007
from = 2026-05-20
until = 2026-07-01T00:00:00Z

[[sensor]]
id = "gauge"
fault = "never-tips"

[ground]
spread = 0.3
probe_noise = 0.01

[feed]
rain = false
"""


@pytest.fixture
def place():
    probes = [Sensor(id=f"probe-{name}", kind="soil_moisture", topic=f"yard/{name}", zone=name) for name in ("a", "b")]
    gauge = Sensor(id="gauge", kind="rain", topic="yard/rain", zone=None)
    return site(zone("a"), zone("b", output=2), sensors=(*probes, gauge))


def written(tmp_path, text):
    path = tmp_path / "faults.toml"
    path.write_text(text)
    return str(path)


def test_a_file_says_who_lies_what_the_ground_is_and_that_no_feed_tells_of_rain(tmp_path, place):
    faults = read_faults(written(tmp_path, FILE), place, seed=3)
    first, second, gauge = faults.sensors
    assert [fault.sensor for fault in faults.sensors] == ["probe-a", "probe-b", "gauge"]
    assert (first.kind, first.value, gauge.kind) == ("drifts", -0.0007, "never tips")
    assert second.until_s == datetime(2026, 7, 1, tzinfo=UTC).timestamp() and gauge.since_s == -math.inf
    assert 0.7 <= faults.truth.use_factor["a"] <= 1.3 and faults.truth.probe_noise_m3_m3 == 0.01
    assert not faults.rain_feed
    assert list(in_words(faults))[2:] == [
        "gauge never tips",
        "the ground differs from the site file",
        "no feed tells of rain",
    ]


def test_words_say_the_same_of_sensors_and_a_date_begins_at_the_sites_midnight(place):
    (fault,) = read_faults("probe-a drifts -0.0007 from 2026-05-20", place, seed=0).sensors
    assert (fault.kind, fault.value, fault.until_s) == ("drifts", -0.0007, math.inf)
    assert datetime.fromtimestamp(fault.since_s, UTC).minute == 0
    several = read_faults("probe-a says 0.1 from 2026-05-20 until 2026-06-01; gauge always-wet 5", place, seed=0)
    assert [each.kind for each in several.sensors] == ["says", "always wet"] and several.truth is None


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        ("lamp stuck", "no sensor of the site; it has probe-a, probe-b, gauge"),
        ("gauge melts", "fault 'melts' is unknown; there are stuck, drifts"),
        ("gauge dry-gap", "dry gap is no fault of gauge, a sensor of kind rain"),
        ("probe-a drifts", "drifts needs a value, how far in a day"),
        ("probe-a drifts much", "drifts needs a value"),
        ("probe-a stuck 3", "stuck takes no value; leave 3.0 out"),
        ("probe-a stuck from yesterday", "from is 'yesterday', neither a date"),
        ("probe-a stuck from 2026-06-01 until 2026-05-01", "until is not after from"),
        ("stuck", "not a fault; write ID FAULT"),
    ],
)
def test_what_does_not_fit_is_refused_with_the_remedy(place, words, complaint):
    with pytest.raises(FaultsRefused, match=complaint.replace("(", r"\(")):
        read_faults(words, place, seed=0)


def test_every_complaint_about_a_file_is_made_at_once(tmp_path, place):
    text = '[moon]\nfull = true\n[ground]\nspread = 3\nmud = 1\n[feed]\nrain = "no"\n[[sensor]]\nid = "gauge"\n'
    with pytest.raises(FaultsRefused) as refused:
        read_faults(written(tmp_path, text), place, seed=0)
    lines = str(refused.value)
    for part in ("[moon]: unknown", "spread is 3", "mud is unknown", "rain is 'no'", "fault '' is unknown"):
        assert part in lines


def test_a_file_that_is_not_toml_or_not_there_is_said_so(tmp_path, place):
    with pytest.raises(FaultsRefused, match="not TOML"):
        read_faults(written(tmp_path, "[[sensor]"), place, seed=0)
    with pytest.raises(FileNotFoundError):
        read_faults(str(tmp_path / "absent.toml"), place, seed=0)
